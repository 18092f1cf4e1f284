"""Focus runs against the defocused lens that made them."""

from __future__ import annotations

import json
import math
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from glassay.bench.measuring.joined import focus_run_with_edges
from glassay.cli import program
from glassay.errors import NotMeasurable
from glassay.focus import FocusResult, depth_at, find_peak, measure_focus_run, quality_at
from glassay.imaging.tone import OTHER_TONES, FloatImage, linear_table
from glassay.quantity import Quantity
from glassay.simulate import Camera, ClipPlan, FocusRun, Optics, Pose, SlantedSquare, Texture
from glassay.simulate import film as film_clip
from glassay.simulate import focus_run as simulated_run

TABLE = linear_table(8, "srgb")
PIXEL_UM, NA, WAVELENGTH_UM = 1.2, 0.1, 0.54
OPTICS = Optics(na=NA)
CAMERA = Camera(width=400, height=300)
STEP_UM = 16.0
PLACES = np.arange(-10, 12) * STEP_UM + 5.0
WALK = [(0.5 * n, 0.25 * n) for n in range(len(PLACES))]


@lru_cache(maxsize=4)
def run_of(kind: str) -> FocusRun:
    scene = Texture(contrast=0.3) if kind == "texture" else SlantedSquare(side_um=150)
    return simulated_run(scene, Pose(PIXEL_UM), OPTICS, CAMERA, PLACES, walk_um=WALK, seed=3)


def frames_of(kind: str) -> list[FloatImage]:
    return [TABLE[shot.stored[..., 1]] for shot in run_of(kind).captures]


def measured(kind: str, frequency: float = 0.1) -> FocusResult:
    return focus_run_with_edges(
        frames_of(kind), frequency=frequency, step=Quantity(STEP_UM, "um"), by_stage=True,
        pixel_size=Quantity(PIXEL_UM, "um/px"),
    )  # fmt: skip


def textbook_transfer(per_um: float, defocus_um: float) -> float:
    """Modulation of an aberration-free lens out of focus, by direct integration of its pupil.

    Goodman, Introduction to Fourier Optics: the autocorrelation of exp(i 2 pi W r^2 / wavelength)
    over a circular pupil, with W = z NA^2 / 2.
    """
    grid = np.linspace(-1.2, 1.2, 241)
    x, y = np.meshgrid(grid, grid)
    away = per_um * WAVELENGTH_UM / NA  # separation of the two pupils, radii
    waves = defocus_um * NA**2 / 2 / WAVELENGTH_UM
    one, other = ((x - s * away / 2) ** 2 + y**2 for s in (-1, 1))
    both = (one <= 1) & (other <= 1)
    overlap = np.exp(2j * math.pi * waves * (one - other))[both].sum()
    return float(abs(overlap) / (x**2 + y**2 <= 1).sum())


def textbook_depth(per_um: float) -> float:
    """Depth over which that modulation exceeds half of its value in focus, um."""
    top = textbook_transfer(per_um, 0.0)
    low, high = 0.0, 400.0
    while textbook_transfer(per_um, high) > top / 2:
        high *= 2
    low = next(z for z in np.arange(0, high, 4) if textbook_transfer(per_um, z) < top / 2) - 4
    high = low + 4
    for _ in range(12):
        middle = (low + high) / 2
        low, high = (middle, high) if textbook_transfer(per_um, middle) > top / 2 else (low, middle)
    return 2 * low


@pytest.mark.parametrize("kind", ["texture", "square"])
@pytest.mark.parametrize("frequency", [0.1, 0.2])
def test_depth_of_field_is_that_of_the_textbook_lens(kind: str, frequency: float) -> None:
    # Outside check: defocused transfer of a circular pupil, integrated here (Goodman).
    found = measured(kind, frequency).findings()["depth_of_field"].quantity
    truth = textbook_depth(frequency / PIXEL_UM)
    assert found.value == pytest.approx(truth, abs=3 * found.u)
    assert found.u < 0.1 * truth


def test_best_focus_and_walk_are_found() -> None:
    found = measured("texture")
    place = found.findings()["best_focus"].quantity
    assert place.value == pytest.approx(-PLACES[0], abs=3 * place.u)
    assert place.u < 0.2 * STEP_UM
    assert found.walk.value == pytest.approx(math.hypot(0.5, 0.25) / PIXEL_UM, abs=2 * found.walk.u)
    on_object = found.findings()["image_walk_object"].quantity
    assert on_object.unit == "um/frame"
    assert on_object.value == pytest.approx(math.hypot(0.5, 0.25), abs=0.08)


def test_quality_is_the_contrast_that_edges_keep_in_the_sharpest_photo() -> None:
    found = measured("square")
    assert found.quality is not None
    # the lens, the pixel's aperture, and the demosaicing of green (a few per cent at 0.1)
    lens = textbook_transfer(0.1 / PIXEL_UM, 0.0) * np.sinc(0.1)
    assert found.quality.value == pytest.approx(lens, abs=0.06)
    assert found.quality.value < lens
    assert measured("texture").quality is None


def test_contrast_that_edges_keep_holds_under_curves_that_nobody_stated() -> None:
    frames = frames_of("square")[2:20:2]
    known = focus_run_with_edges(frames).quality
    assumed = focus_run_with_edges(frames, other_tones=OTHER_TONES).quality
    assert known is not None
    assert assumed is not None
    assert assumed.value == known.value
    low, high = assumed.interval
    for curve in OTHER_TONES:
        relit = [np.asarray(curve(frame), dtype=np.float32) for frame in frames]
        other = focus_run_with_edges(relit).quality
        assert other is not None
        assert low - known.expanded <= other.value <= high + known.expanded
    assert assumed.u > 2 * known.u


def test_what_a_run_keeps_answers_for_other_frequencies() -> None:
    found = measured("square")
    kept = json.loads(json.dumps(found.evidence(), default=lambda a: np.asarray(a).tolist()))
    again = depth_at(kept, 0.2)
    own = measured("square", 0.2).peak.depth
    assert again.value == pytest.approx(own.value, abs=3 * own.u)
    quality = quality_at(kept, 0.1)
    assert quality is not None
    assert found.quality is not None
    assert quality.value == pytest.approx(found.quality.value, abs=0.01)
    with pytest.raises(NotMeasurable, match="is not kept"):
        depth_at(kept, 0.48)


def test_runs_that_do_not_pass_through_focus_are_refused() -> None:
    frames = frames_of("texture")
    with pytest.raises(NotMeasurable, match="one-sided"):
        measure_focus_run(frames[:11])
    with pytest.raises(NotMeasurable, match="one-sided"):
        measure_focus_run(frames[9:])
    with pytest.raises(NotMeasurable, match="too few"):
        measure_focus_run(frames[8:12])
    with pytest.raises(NotMeasurable, match="too few"):
        measure_focus_run([])
    with pytest.raises(NotMeasurable, match="clearly sharper"):
        measure_focus_run([frames[10]] * 8)


def test_a_pushed_object_and_mixed_photos_are_refused() -> None:
    frames = frames_of("texture")
    pushed = [np.roll(f, 40, axis=1) if n > 10 else f for n, f in enumerate(frames)]
    with pytest.raises(NotMeasurable, match="jumped"):
        measure_focus_run(pushed)
    rng = np.random.default_rng(2)
    other = frames.copy()
    other[11] = rng.permuted(other[11], axis=1)
    with pytest.raises(NotMeasurable, match=r"same detail|jumped"):
        measure_focus_run(other)
    with pytest.raises(NotMeasurable, match="differ in size"):
        measure_focus_run([*frames[:5], frames[5][:, :-2]])
    with pytest.raises(NotMeasurable, match="blank"):
        measure_focus_run([np.zeros((200, 200), dtype=np.float32)] * 6)
    noise = [(0.5 + 0.05 * rng.standard_normal((200, 200))).astype(np.float32) for _ in range(8)]
    with pytest.raises(NotMeasurable, match=r"beyond noise|sharper"):
        measure_focus_run(noise)


def test_a_second_height_is_pointed_out() -> None:
    n = np.arange(40.0)
    two = np.exp(-((n - 10) ** 2) / 20) + 0.9 * np.exp(-((n - 30) ** 2) / 20) + 0.05
    peak = find_peak(two)
    assert peak.has_second
    assert peak.place.value == pytest.approx(10, abs=0.1)
    assert peak.depth.value == pytest.approx(2 * math.sqrt(20 * math.log(2)), rel=0.1)


def test_the_command_reads_photos_and_clips(tmp_path: Path) -> None:
    paths = [
        str(shot.write(tmp_path / f"z{n:02d}.jpg")) for n, shot in enumerate(run_of("square").captures)
    ]  # fmt: skip
    figure = tmp_path / "run.png"
    done = CliRunner().invoke(
        program, ["focus", *paths, "--step", "16um", "--pixel-size", "1.2um", "--frequency",
                  "100lp/mm", "--json", "--figure", str(figure)],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    findings = json.loads(done.output)["findings"]
    assert findings["depth_of_field"]["unit"] == "um"
    assert findings["focus_frequency"]["value"] == pytest.approx(0.12)
    assert figure.stat().st_size > 10_000
    plan = ClipPlan(frames=30, focus_um=(-150, 160))
    camera = Camera(width=240, height=180, jpeg_quality=None)
    clip = film_clip(Texture(contrast=0.3), Pose(PIXEL_UM), OPTICS, camera, plan, seed=2)
    path = clip.write(tmp_path / "run.avi", "mjpeg", 4)
    said = CliRunner().invoke(program, ["focus", str(path), "--json"])
    assert said.exit_code == 0, said.output
    best = json.loads(said.output)["findings"]["best_focus_frame"]
    assert best["value"] == pytest.approx(1 + 29 * 150 / 310, abs=0.5)
    assert CliRunner().invoke(program, ["focus", str(path), paths[0]]).exit_code == 2
    assert CliRunner().invoke(program, ["focus", *paths, "--frequency", "90lp/mm"]).exit_code == 2


def test_best_focus_of_a_run_turned_by_hand_is_known_to_a_third_of_a_step() -> None:
    rng = np.random.default_rng(11)
    off = []
    for _ in range(60):
        places = np.sort(np.arange(17) + rng.normal(0, 0.3, 17))
        best = float(rng.uniform(6.5, 9.5))
        contrast = 1 / (1 + ((places - best) / 2.2) ** 2) + rng.normal(0, 0.004, 17)
        found = find_peak(contrast).place
        truth = float(np.interp(best, places, np.arange(17)))
        off.append(abs(found.value - truth) / found.expanded)
    assert np.mean(np.array(off) <= 1) >= 0.9
