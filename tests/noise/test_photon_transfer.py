"""The mean-variance line against cameras whose electrons are known."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from glassay.cli import program
from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage, linear_table
from glassay.noise import measure_noise
from glassay.simulate import Camera, FlatField, Lighting, Optics, Pose, Texture, repeat_pair

SRGB = linear_table(8, "srgb")
RAMP = np.tile(np.linspace(0.05, 0.9, 500, dtype=np.float64), (300, 1))
RAMP_LIGHT = Optics(na=0.1, lighting=Lighting(gradient=(0.8, 0.0)))


def counted(electrons: float, readout: float, seed: int, light: np.ndarray = RAMP) -> FloatImage:
    """An exposure of light (shares of full scale): Poisson electrons and Gaussian readout."""
    rng = np.random.default_rng(seed)
    counts = rng.poisson(light * electrons) + rng.normal(0, readout, light.shape)
    return (counts / electrons).astype(np.float32)


@pytest.mark.parametrize(("electrons", "readout"), [(1_000, 5), (8_000, 60), (20_000, 20)])
def test_poisson_light_gives_the_line_of_the_standard(electrons: float, readout: float) -> None:
    # Outside check: EMVA 1288, linear model, var_y = K^2 var_d + K (mean_y - mean_dark), with data
    # drawn by numpy's Poisson generator; K is 1 / electrons in shares of full scale.
    found = measure_noise([(counted(electrons, readout, 1), counted(electrons, readout, 2))])
    assert found.slope is not None
    assert found.floor is not None
    assert found.electrons is not None
    assert not found.from_blocks
    assert found.slope.value == pytest.approx(1 / electrons, abs=3 * found.slope.u)
    assert found.slope.relative < 0.05
    assert found.floor.value**2 == pytest.approx(
        (readout / electrons) ** 2, abs=6 * found.floor.u * max(found.floor.value, found.floor.u)
    )
    # SNR = mean / sqrt(var) at half of full scale, of the same model.
    model = 0.5 * electrons / np.sqrt(0.5 * electrons + readout**2)
    assert found.snr is not None
    assert found.snr.value == pytest.approx(model, abs=4 * found.snr.u)


def test_a_stepped_series_gives_the_same_line_as_a_ramp() -> None:
    levels = (0.05, 0.2, 0.4, 0.6, 0.8)
    pairs = [
        tuple(counted(5_000, 10, 10 * n + k, np.full((200, 200), level)) for k in (0, 1))
        for n, level in enumerate(levels)
    ]
    found = measure_noise(pairs)  # type: ignore[arg-type]
    assert found.electrons is not None
    assert found.electrons.value == pytest.approx(5_000, abs=3 * found.electrons.u)
    assert found.pairs == 5


def stored_pair(scene: object, **camera: object) -> tuple[FloatImage, FloatImage]:
    settings = {"width": 560, "height": 400, "full_well_e": 4_000.0, "jpeg_quality": None, **camera}
    pair = repeat_pair(scene, Pose(1.5), RAMP_LIGHT, Camera(**settings), seed=3)  # type: ignore[arg-type]
    planes = [shot.stored if shot.stored.ndim == 2 else shot.stored[..., 1] for shot in pair]
    return SRGB[planes[0]], SRGB[planes[1]]


def test_rounding_to_8_bits_is_taken_out() -> None:
    found = measure_noise([stored_pair(FlatField(0.6), colour="grey")], levels=SRGB)
    assert found.electrons is not None
    assert found.electrons.value == pytest.approx(4_000, abs=3 * found.electrons.u)
    assert found.fixed_pattern is not None
    assert found.fixed_pattern.value == pytest.approx(0.005, abs=0.0015)  # the camera's prnu


@pytest.mark.parametrize("denoise", ["none", "gaussian"])
def test_smoothed_noise_is_noticed_and_not_taken_for_more_electrons(denoise: str) -> None:
    # Half of the px of a mosaic are green: a stored px speaks for half the electrons of one.
    found = measure_noise([stored_pair(FlatField(0.6), denoise=denoise)], levels=SRGB)
    assert found.correlation.value > 0.3
    assert any("err together" in note for note in found.notes)
    if found.electrons is not None:
        assert found.from_blocks
        low, high = found.electrons.interval
        assert low < 2_000 < high
    naive = 0.4 / float(np.var(np.subtract(*stored_pair(FlatField(0.6), denoise=denoise))) / 2)
    assert naive > 1.3 * 2_000  # what single px would have said


def test_noise_that_light_does_not_make_gives_no_electrons() -> None:
    rng = np.random.default_rng(5)
    pair = [(RAMP + rng.normal(0, 0.01, RAMP.shape)).astype(np.float32) for _ in range(2)]
    found = measure_noise([(pair[0], pair[1])])
    assert found.slope is None
    assert any("photons" in note for note in found.notes)
    assert found.snr is not None
    assert found.snr.value == pytest.approx(50, rel=0.02)


def test_flat_light_alone_gives_no_line() -> None:
    flat = np.full((200, 200), 0.5)
    found = measure_noise([(counted(5_000, 10, 1, flat), counted(5_000, 10, 2, flat))])
    assert found.slope is None
    assert any("darker and a brighter" in note for note in found.notes)


def test_what_is_no_pair_is_refused() -> None:
    one = counted(5_000, 10, 1)
    with pytest.raises(NotMeasurable, match="one exposure"):
        measure_noise([])
    with pytest.raises(NotMeasurable, match="identical"):
        measure_noise([(one, one.copy())])
    with pytest.raises(NotMeasurable, match="differ in size"):
        measure_noise([(one, one[:, :-4])])
    with pytest.raises(NotMeasurable, match="differ in light"):
        measure_noise([(one, one * np.float32(1.3))])
    with pytest.raises(NotMeasurable, match="too small"):
        measure_noise([(one[:50], counted(5_000, 10, 2)[:50])])
    coarse = [np.round(counted(50_000, 1, n) * 20).astype(np.float32) / 20 for n in (1, 2)]
    with pytest.raises(NotMeasurable, match="equal in both"):
        measure_noise([(coarse[0], coarse[1])])
    a, b = stored_pair(Texture(contrast=0.3), colour="grey")
    with pytest.raises(NotMeasurable, match="moved"):
        measure_noise([(a, np.roll(b, 2, axis=1))])


def test_the_command_measures_draws_and_refuses(tmp_path: Path) -> None:
    camera = Camera(width=400, height=300, jpeg_quality=None, colour="grey")
    pair = repeat_pair(FlatField(0.6), Pose(1.5), RAMP_LIGHT, camera, seed=3)
    paths = [str(shot.write(tmp_path / f"{n}.png")) for n, shot in enumerate(pair)]
    figure = tmp_path / "noise.png"
    done = CliRunner().invoke(program, ["noise", *paths, "--json", "--figure", str(figure)])
    assert done.exit_code == 0, done.output
    findings = json.loads(done.output)["findings"]
    assert findings["full_scale_electrons"]["value"] == pytest.approx(10_000, rel=0.15)
    assert {"snr_grey", "noise_slope", "noise_floor", "noise_correlation"} <= set(findings)
    assert figure.stat().st_size > 5_000
    one = CliRunner().invoke(program, ["noise", paths[0], "--json"])
    assert one.exit_code == 2  # too few files: a mistake in the command
    assert "one exposure" in json.loads(one.output)["reason"]
    assert CliRunner().invoke(program, ["noise", *paths, paths[0]]).exit_code == 2
    said = CliRunner().invoke(program, ["noise", *paths, "--grey", "30 %"]).output
    assert "at 30% of full scale" in said
