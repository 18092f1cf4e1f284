"""The mean-variance line against cameras whose electrons are known."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from glassay.cli import program
from glassay.errors import NotMeasurable
from glassay.imaging import read_photo
from glassay.imaging.tone import FloatImage, linear_table, linear_to_srgb
from glassay.noise import measure_noise, measure_photos
from glassay.noise.smoothing import smoothing_of
from glassay.registration import find_shift
from glassay.simulate import (
    Camera,
    Die,
    FlatField,
    Lighting,
    Optics,
    Pose,
    Scene,
    Texture,
    capture,
    repeat_pair,
)

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
    assert not found.is_smoothed
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


@pytest.mark.parametrize("corner", [0.55, 0.8])
def test_light_that_falls_to_the_corners_is_no_fixed_pattern(corner: float) -> None:
    """Light by the fourth power of the cosine (natural vignetting), photons, no pattern at all."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[-200:200, -250:250] / np.hypot(200, 250)
    light = 0.7 / (1 + (x**2 + y**2) * (corner**-0.5 - 1)) ** 2
    pair = [(rng.poisson(light * 4000) / 4000).astype(np.float32) for _ in range(2)]
    found = measure_noise([(pair[0], pair[1])]).fixed_pattern
    assert found is not None
    assert found.value < found.expanded


@pytest.mark.parametrize("denoise", ["none", "gaussian"])
def test_smoothed_noise_is_noticed_and_not_taken_for_more_electrons(denoise: str) -> None:
    # Half of the px of a mosaic are green: a stored px speaks for half the electrons of one.
    found = measure_noise([stored_pair(FlatField(0.6), denoise=denoise)], levels=SRGB)
    assert found.correlation.value > 0.3
    assert any("err together" in note for note in found.notes)
    assert found.is_smoothed
    assert found.electrons is not None
    low, high = found.electrons.interval
    assert low < 2_000 < high
    # Blocks of 8 px, which miss what neighbours across their borders hold, said 10 to 40 % more.
    assert found.electrons.value == pytest.approx(2_000, rel=0.08)
    naive = 0.4 / float(np.var(np.subtract(*stored_pair(FlatField(0.6), denoise=denoise))) / 2)
    assert naive > 1.3 * 2_000  # what single px would have said


def test_signal_to_noise_is_that_of_the_stored_px_with_its_rounding() -> None:
    # Outside check: EMVA 1288, SNR = mu / sqrt(var_d + var_q + var of the light), var_q = step^2 / 12.
    electrons, readout = 15_000.0, 3.0
    camera = {"colour": "grey", "full_well_e": electrons, "read_noise_e": readout}
    found = measure_noise([stored_pair(FlatField(0.6), **camera)], levels=SRGB)
    step = float(np.interp(0.5, SRGB, np.gradient(SRGB.astype(np.float64))))
    variance = (0.5 * electrons + readout**2) / electrons**2 + step**2 / 12
    assert found.snr is not None
    assert found.snr.value == pytest.approx(0.5 / np.sqrt(variance), abs=3 * found.snr.u)
    assert found.snr.relative < 0.01


@pytest.mark.parametrize("middle", [0.36, 0.42, 0.48])
def test_levels_of_stored_values_do_not_sort_by_the_noise_itself(middle: float) -> None:
    # Outside check: EMVA 1288, var_y = var_d + var_q + mean / electrons, in steps of 8 bits. Cut
    # between stored values, levels took the px that differ more from their neighbours: 10 to 20 u off.
    electrons, readout = 4_300.0, 5.0
    light = np.tile(np.linspace(middle - 0.05, middle + 0.05, 500), (400, 1))
    shots = [linear_to_srgb(counted(electrons, readout, seed, light)) for seed in (1, 2)]
    a, b = (SRGB[np.clip(np.rint(255 * shot), 0, 255).astype(np.uint8)] for shot in shots)
    found = measure_noise([(a, b)], levels=SRGB)
    step = np.interp(found.mean, SRGB, np.gradient(SRGB.astype(np.float64)))
    model = found.mean / electrons + (readout / electrons) ** 2 + step**2 / 12
    assert len(found.mean) > 10
    assert np.abs((found.variance - model) / found.variance_u).max() < 4


@pytest.mark.parametrize("flicker", [0.92, 1.08])
def test_a_lamp_that_flickers_changes_no_electrons(flicker: float) -> None:
    """Of the second exposure brought to the light of the first, they were off by the whole of it."""
    a, b = counted(5_000, 5, 1), counted(5_000, 5, 2, RAMP * flicker)
    found = measure_noise([(a, b)])
    assert found.electrons is not None
    assert found.electrons.value == pytest.approx(5_000, rel=0.03)
    assert found.snr is not None
    assert found.snr.value == pytest.approx(50, rel=0.02)


def test_compressed_files_give_no_electrons_even_where_their_noise_stayed_white() -> None:
    pair = counted(800, 5, 1), counted(800, 5, 2)
    assert measure_noise([pair]).slope is not None
    found = measure_noise([pair], compressed=True)
    assert found.slope is None
    assert found.floor is None
    assert any("compression" in note for note in found.notes)


def stored_as(folder: Path, exponent: float | None, black: float = 0.0) -> list[Path]:
    """Two exposures of a ramp, 5000 electrons at full scale and 5 of readout, stored in 8 bits as sRGB
    or by a power; `black` is taken from the light before."""
    paths = []
    for seed in (1, 2):
        light = np.clip(counted(5_000, 5, seed).astype(np.float64) - black, 0, 1)
        value = linear_to_srgb(light) if exponent is None else light ** (1 / exponent)
        paths.append(folder / f"{seed}.png")
        cv2.imwrite(str(paths[-1]), np.rint(255 * value).astype(np.uint8))
    return paths


@pytest.mark.parametrize("exponent", [1.8, 2.6])
def test_a_tone_curve_that_was_only_assumed_is_in_the_uncertainty(
    tmp_path: Path, exponent: float
) -> None:
    paths = stored_as(tmp_path, exponent)
    found = measure_photos([read_photo(path) for path in paths])
    assert found.electrons is not None
    assert found.snr is not None
    assert abs(found.electrons.value - 5_000) <= found.electrons.expanded
    assert abs(found.snr.value - 49.8) <= found.snr.expanded
    assert abs(found.snr.value - 49.8) > 0.05 * 49.8  # the curve does matter
    stated = measure_photos([read_photo(path, exponent) for path in paths])
    assert stated.snr is not None
    assert stated.snr.value == pytest.approx(49.8, rel=0.03)
    assert stated.snr.relative < 0.01


def test_black_that_was_cut_off_is_in_the_uncertainty_of_the_floor(tmp_path: Path) -> None:
    paths = stored_as(tmp_path, None, black=0.01)
    found = measure_photos([read_photo(path, "srgb") for path in paths])
    assert found.floor is not None
    assert found.floor.value > 1.3 * 0.001
    assert abs(found.floor.value - 0.001) <= found.floor.expanded


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


def compressed_pair(scenes: tuple[Scene, Scene], optics: Optics) -> list[FloatImage]:
    camera = Camera(width=480, height=360, jpeg_quality=75)
    shots = [
        capture(scene, Pose(1.5), optics, camera, seed=n + 1) for n, scene in enumerate(scenes)
    ]
    return [SRGB[shot.stored[..., 1]] for shot in shots]


@pytest.mark.parametrize("quality", [75, None])
def test_a_smooth_still_pair_did_not_move(quality: int | None) -> None:
    # What is left of the detail registers 5 to 12 px away; undoing that makes nothing more alike.
    camera = Camera(width=480, height=360, jpeg_quality=quality, full_well_e=1_500)
    blurred = Optics(na=0.01, residual_blur_um=25)
    a, b = (SRGB[s.stored[..., 1]] for s in repeat_pair(Die(), Pose(1.5), blurred, camera, seed=2))
    shift = find_shift(a, b)
    assert shift.is_certain
    assert shift.distance > 1
    found = measure_noise([(a, b)], levels=SRGB, compressed=quality is not None)
    assert found.pairs == 1


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (Texture(seed=1), Texture(seed=2)),
        (Texture(contrast=0.05, seed=3), Texture(contrast=0.05, seed=4)),
        (Die(), Die(seed=1, word="HARBOUR")),
    ],
)
def test_two_scenes_are_no_pair(one: Scene, other: Scene) -> None:
    a, b = compressed_pair((one, other), Optics(na=0.1))
    level = np.float32(a.mean() / b.mean())  # light alike: that they differ in it is no help
    with pytest.raises(NotMeasurable, match=r"two scenes|moved"):
        measure_noise([(a, b * level)], levels=SRGB, compressed=True)


def test_a_pair_without_common_detail_says_that_nothing_shows_one_scene() -> None:
    flat = np.full((200, 200), 0.5)
    found = measure_noise([(counted(5_000, 10, 1, flat), counted(5_000, 10, 2, flat))])
    assert any("one scene" in note for note in found.notes)
    a, b = stored_pair(Die(), colour="grey")
    assert not any("one scene" in note for note in measure_noise([(a, b)], levels=SRGB).notes)


@pytest.mark.parametrize("sigma", [0.6, 1.0, 1.5])
def test_smoothing_is_told_by_what_large_areas_keep(sigma: float) -> None:
    # Outside check: white noise filtered by a kernel k of sum 1 keeps its power at frequency 0, and
    # its px keep the sum of k^2 (Parseval): the ratio of the two is 1 / sum k^2.
    rng = np.random.default_rng(9)
    smooth = cv2.GaussianBlur(rng.normal(0, 1, (500, 600)).astype(np.float32), (0, 0), sigma)
    smooth /= smooth.std()
    kernel = cv2.getGaussianKernel(2 * round(4 * sigma) + 1, sigma)
    expected = 1 / float((kernel**2).sum()) ** 2
    everywhere = np.ones(smooth.shape, np.bool_)
    bright = np.tile(np.arange(600) > 300, (500, 1))
    found = smoothing_of([(smooth, everywhere, bright)], 0.0)
    assert found is not None
    assert found.ratio == pytest.approx(expected, abs=3 * found.u)
    assert found.u < 0.05 * expected
    assert found.depends_on == ""


def test_smoothing_of_dark_parts_alone_gives_no_ratio() -> None:
    rng = np.random.default_rng(9)
    noise = rng.normal(0, 1, (500, 600)).astype(np.float32)
    smooth = cv2.GaussianBlur(noise, (0, 0), 1.0)
    bright = np.tile(np.arange(600) > 300, (500, 1))
    mixed = np.where(bright, noise, smooth / smooth.std()).astype(np.float32)
    found = smoothing_of([(mixed, np.ones(bright.shape, np.bool_), bright)], 0.0)
    assert found is not None
    assert "dark" in found.depends_on


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


class TestOneScene:
    """Pairs that differ by something else than noise."""

    @staticmethod
    def scene() -> np.ndarray:
        rng = np.random.default_rng(8)
        coarse = cv2.GaussianBlur(rng.uniform(0.1, 0.9, (240, 320)), (0, 0), 2.0)
        return np.clip(0.5 + 3 * (coarse - 0.5), 0.05, 0.9)

    def test_another_focus_is_no_noise(self) -> None:
        light = self.scene()
        soft = cv2.GaussianBlur(light, (0, 0), 1.2)
        a, b = counted(4000, 4, 1, light), counted(4000, 4, 2, soft)
        with pytest.raises(NotMeasurable, match="the scene's own detail"):
            measure_noise([(a, b)])
        measure_noise([(a, counted(4000, 4, 2, light))])

    @pytest.mark.parametrize("qualities", [(95, 80), (92, 60)])
    def test_one_exposure_in_two_qualities_has_no_noise(
        self, tmp_path: Path, qualities: tuple[int, int]
    ) -> None:
        light = self.scene()
        one, other = (
            np.rint(255 * linear_to_srgb(np.clip(counted(1500, 4, seed, light), 0, 1)))
            for seed in (1, 2)
        )
        paths = []
        for name, picture, quality in (
            ("one", one, qualities[0]), ("again", one, qualities[1]), ("other", other, qualities[1])
        ):  # fmt: skip
            paths.append(tmp_path / f"{name}.jpg")
            cv2.imwrite(
                str(paths[-1]), picture.astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality]
            )
        first, again, another = (read_photo(path) for path in paths)
        with pytest.raises(NotMeasurable, match="stored in two qualities"):
            measure_photos([first, again])
        measure_photos([first, another])
