"""Repeat exposures: ring correlation ends where signal to noise falls to 1/6, and refusals."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy import fft

from glassay.detail.correlation import THRESHOLD, repeat_exposures
from glassay.errors import NotMeasurable
from glassay.quantity import Quantity

HEIGHT, WIDTH = 420, 500


def scene(seed: int, signal: float = 300.0, decay: float = 0.05) -> np.ndarray:
    """A random texture whose power spectrum is `signal` exp(-f / decay)."""
    fy, fx = fft.fftfreq(HEIGHT)[:, None], fft.rfftfreq(WIDTH)[None, :]
    amplitude = np.sqrt(signal * np.exp(-np.hypot(fx, fy) / decay))
    white = np.random.default_rng(seed).standard_normal((HEIGHT, WIDTH))
    return fft.irfft2(fft.rfft2(white) * amplitude, s=(HEIGHT, WIDTH))


def exposure(light: np.ndarray, seed: int, noise: float = 1.0) -> np.ndarray:
    rng = np.random.default_rng([seed, 5])
    return (light + noise * rng.standard_normal(light.shape)).astype(np.float32)


def shifted(light: np.ndarray, dx: float, dy: float) -> np.ndarray:
    fy, fx = fft.fftfreq(HEIGHT)[:, None], fft.rfftfreq(WIDTH)[None, :]
    turn = np.exp(-2j * np.pi * (fx * dx + fy * dy))
    return fft.irfft2(fft.rfft2(light) * turn, s=(HEIGHT, WIDTH))


def test_threshold_is_met_where_signal_to_noise_is_one_sixth():
    # r = S / (S + N) = 1/7 at S / N = 1/6 (Rosenthal and Henderson 2003): with S = 300 exp(-f/0.05)
    # and N = 1 at f = 0.05 ln 1800.
    truth = 0.05 * np.log(300 * 6)
    errors, covered = [], []
    for seed in range(6):
        light = scene(seed)
        found = repeat_exposures([exposure(light, 1), exposure(light, 2)])
        errors.append(found.frc_cutoff.value - truth)
        low, high = found.frc_cutoff.interval
        covered.append(low <= truth <= high)
    assert np.abs(np.mean(errors)) < 0.006
    assert sum(covered) >= 5
    assert pytest.approx(1 / 7) == THRESHOLD


def test_correlation_curve_is_signal_over_signal_and_noise():
    light = scene(7)
    found = repeat_exposures([exposure(light, 1), exposure(light, 2)])
    f = found.rings.frequency
    signal = 300 * np.exp(-f / 0.05)
    expected = signal / (signal + 1)
    inner = (f > 0.05) & (f < 0.45)
    deviation = (found.rings.correlation - expected)[inner] / found.rings.u[inner]
    assert np.sqrt(np.mean(deviation**2)) == pytest.approx(1.0, abs=0.25)


def test_temporal_noise_and_its_spectrum_are_those_put_in():
    found = repeat_exposures([exposure(scene(1), 1, 2.0), exposure(scene(1), 2, 2.0)])
    # 210 000 differences: the standard deviation is good to 0.16 %.
    assert found.temporal_noise.value == pytest.approx(2.0, rel=0.006)
    assert np.mean(found.noise_x) == pytest.approx(4.0, rel=0.02)
    assert np.mean(found.noise_y) == pytest.approx(4.0, rel=0.02)


def test_a_moved_scene_is_registered_to_hundredths_of_a_pixel():
    light = scene(2)
    found = repeat_exposures([exposure(light, 1), exposure(shifted(light, 3.4, -5.7), 2)])
    assert found.shifts[0].dx == pytest.approx(3.4, abs=0.03)
    assert found.shifts[0].dy == pytest.approx(-5.7, abs=0.03)
    still = repeat_exposures([exposure(light, 1), exposure(light, 2)])
    assert found.frc_cutoff.value == pytest.approx(still.frc_cutoff.value, rel=0.05)


def test_fixed_pattern_is_warned_about_and_disappears_when_the_scene_moves():
    light, pattern = scene(3), 0.7 * np.random.default_rng(8).standard_normal((HEIGHT, WIDTH))
    still = repeat_exposures([exposure(light + pattern, 1), exposure(light + pattern, 2)])
    assert still.frc_cutoff is None
    assert any("own pattern" in note for note in still.notes)
    moved = repeat_exposures(
        [exposure(light + pattern, 1), exposure(shifted(light, 6, 4) + pattern, 2)]
    )
    assert not any("does not fall to zero" in note for note in moved.notes)
    plain = repeat_exposures([exposure(light, 1), exposure(light, 2)])
    assert moved.frc_cutoff.value == pytest.approx(plain.frc_cutoff.value, rel=0.1)


@pytest.mark.parametrize("strength", [0.5, 0.7, 1.0, 2.0])
def test_a_scene_that_stood_still_gives_no_lower_bound(strength):
    light = scene(3)
    pattern = strength * np.random.default_rng(8).standard_normal((HEIGHT, WIDTH))
    frames = [exposure(light + pattern, 1), exposure(light + pattern, 2)]
    moved_later = exposure(shifted(light, 6, 4) + pattern, 3)
    for shots in (frames, [*frames, moved_later]):
        found = repeat_exposures(shots)
        assert not any("lower bound" in note for note in found.notes)
        told = found.findings()
        if found.reaches_nyquist:
            assert {"frc_cutoff", "frc_cutoff_object", "frc_reaches_nyquist"}.isdisjoint(told)
            assert any("Where detail ends is unknown; move the scene" in n for n in found.notes)
        else:
            assert any("fixed-pattern" in note for note in found.notes)
        # The pattern of a pair that stood still cancels in its difference.
        if len(shots) == 2:
            assert told["temporal_noise"].quantity.value == pytest.approx(1.0, rel=0.01)


def test_one_direction_that_never_ends_is_no_bound_either():
    fy, fx = fft.fftfreq(HEIGHT)[:, None], fft.rfftfreq(WIDTH)[None, :]
    white = np.random.default_rng(4).standard_normal((HEIGHT, WIDTH))
    along_x = np.abs(fy) < 0.4 * fx
    amplitude = np.sqrt(300 * np.exp(-np.hypot(fx, fy) / 0.05) + 0.35 * along_x)
    light = fft.irfft2(fft.rfft2(white) * amplitude, s=(HEIGHT, WIDTH))
    still = repeat_exposures([exposure(light, 1), exposure(light, 2)])
    assert still.frc_cutoff is not None
    assert still.frc_cutoff_x is None
    assert "frc_cutoff_x" not in still.findings()


def test_where_the_whole_is_unknown_its_directions_are_too():
    # A pattern in all directions but x repeats up to the limit: what repeats along x may be its, too.
    fy, fx = fft.fftfreq(HEIGHT)[:, None], fft.rfftfreq(WIDTH)[None, :]
    white = np.random.default_rng(4).standard_normal((HEIGHT, WIDTH))
    amplitude = np.sqrt(300 * np.exp(-np.hypot(fx, fy) / 0.05) + 0.6 * (np.abs(fy) > 0.7 * fx))
    light = fft.irfft2(fft.rfft2(white) * amplitude, s=(HEIGHT, WIDTH))
    still = repeat_exposures([exposure(light, 1), exposure(light, 2)])
    assert still.frc_cutoff is None
    assert still.frc_cutoff_x is None
    assert still.frc_cutoff_y is None
    moved = repeat_exposures([exposure(light, 1), exposure(shifted(light, 6, 4), 2)])
    assert moved.frc_cutoff_x is not None  # it moved with the scene: detail, that ends along x
    assert moved.frc_cutoff_x.value < 0.45


def test_row_and_column_noise_is_left_out():
    light = scene(4)
    rows = 3 * np.random.default_rng(1).standard_normal((HEIGHT, 1))
    plain = repeat_exposures([exposure(light, 1), exposure(light, 2)])
    striped = repeat_exposures([exposure(light + rows, 1), exposure(light + rows, 2)])
    assert striped.frc_cutoff.value == pytest.approx(plain.frc_cutoff.value, rel=0.05)


def test_detail_beyond_the_pixels_is_a_lower_bound():
    light = scene(5, signal=1e5, decay=0.3)
    found = repeat_exposures([exposure(light, 1), exposure(np.roll(light, (3, 4), (0, 1)), 2)])
    assert found.reaches_nyquist
    assert found.frc_cutoff.value == 0.5
    assert any("lower bound" in note for note in found.notes)


def test_results_on_the_object_follow_the_pixel_size():
    light = scene(6)
    found = repeat_exposures(
        [exposure(light, 1), exposure(light, 2)], pixel_size=Quantity.of(0.5, 0.001, "um/px")
    ).findings()
    per_px, per_um = (found[k].quantity.value for k in ("frc_cutoff", "frc_cutoff_object"))
    assert per_um == pytest.approx(per_px / 0.5)
    assert found["frc_period_object"].quantity.value == pytest.approx(0.5 / per_px)


def test_three_exposures_agree_with_two():
    light = scene(9)
    three = repeat_exposures([exposure(light, k) for k in (1, 2, 3)])
    two = repeat_exposures([exposure(light, k) for k in (1, 2)])
    assert three.frc_cutoff.value == pytest.approx(two.frc_cutoff.value, rel=0.06)
    assert len(three.shifts) == 2


def test_refusals_say_why():
    light = scene(1)
    one, two = exposure(light, 1), exposure(light, 2)
    with pytest.raises(NotMeasurable, match="two or more"):
        repeat_exposures([one])
    with pytest.raises(NotMeasurable, match="differ in size"):
        repeat_exposures([one, two[:400]])
    with pytest.raises(NotMeasurable, match="copied file"):
        repeat_exposures([one, one.copy()])
    with pytest.raises(NotMeasurable, match="flat"):
        repeat_exposures([one, np.zeros_like(one)])
    with pytest.raises(NotMeasurable, match="too small"):
        repeat_exposures([one[:50, :50], two[:50, :50]])
    with pytest.raises(NotMeasurable, match="do not show the same detail"):
        repeat_exposures([one, exposure(scene(77), 2)])


def test_a_scene_moved_too_far_is_refused():
    light = scene(1)
    with pytest.raises(NotMeasurable, match=r"moved by 1[34]\d px"):
        repeat_exposures([exposure(light, 1), exposure(np.roll(light, 140, axis=1), 2)])


def warped(light: np.ndarray, turn_deg: float = 0.0, grown: float = 1.0) -> np.ndarray:
    matrix = cv2.getRotationMatrix2D((WIDTH / 2, HEIGHT / 2), turn_deg, grown)
    return cv2.warpAffine(
        light, matrix, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )


def half_moved(light: np.ndarray, by: float) -> np.ndarray:
    left = np.arange(WIDTH)[None, :] < WIDTH // 2
    return np.where(left, light, shifted(light, by, 0.0))


NO_REPEATS = {
    "turned by a half degree": (lambda s: warped(s, 0.5), r"turned by about 0\.[456]"),
    "turned by a fifth of a degree": (lambda s: warped(s, 0.2), r"turned by about 0\.[12]"),
    "turned and moved": (lambda s: shifted(warped(s, 0.3), 4.0, 3.0), r"turned by about 0\.[23]"),
    "grown by 0.4 %": (lambda s: warped(s, 0, 1.004), "magnification changed by about 0.[345]"),
    "refocused": (lambda s: cv2.GaussianBlur(s, (0, 0), 1.2), "not equally sharp"),
    "refocused and moved": (
        lambda s: shifted(cv2.GaussianBlur(s, (0, 0), 1.2), 5.0, 3.0), "not equally sharp",
    ),
    "shaken": (lambda s: cv2.GaussianBlur(s, (0, 1), 2.0, sigmaY=1e-6), "not equally sharp"),
    "half moved by 6 px": (lambda s: half_moved(s, 6.0), r"against each other by up to [4-6]\."),
    "half moved by 1 px": (lambda s: half_moved(s, 1.0), "against each other"),
}  # fmt: skip


@pytest.mark.parametrize("what", NO_REPEATS)
def test_pairs_that_are_no_repeats_are_refused_by_what_changed(what):
    change, reason = NO_REPEATS[what]
    light = scene(11, signal=1000)
    with pytest.raises(NotMeasurable, match=reason):
        repeat_exposures([exposure(light, 1), exposure(change(light), 2)])
    third = [exposure(light, 1), exposure(light, 2), exposure(change(light), 3)]
    with pytest.raises(NotMeasurable, match=reason):
        repeat_exposures(third)


def test_other_light_is_refused_and_a_lamp_that_flickers_is_evened_out():
    light = np.clip(60 + scene(12), 1, None)
    rng = np.random.default_rng(3)

    def dimmed(share):
        return (share * light + rng.normal(0, 1, light.shape)).astype(np.float32)

    with pytest.raises(NotMeasurable, match="differ in light by 67%"):
        repeat_exposures([dimmed(1.0), dimmed(0.6)])
    found = repeat_exposures([dimmed(1.0), dimmed(0.96)])
    assert found.temporal_noise.value == pytest.approx(1.0, rel=0.04)


@pytest.mark.parametrize("kind", ["still", "moved", "dusty", "patterned", "flickering", "faint"])
def test_true_repeats_are_measured(kind):
    rng = np.random.default_rng(5)
    light = 40 + scene(13, signal=60 if kind == "faint" else 600)
    other = light if kind in ("still", "flickering") else shifted(light, 5.3, -3.4)
    factor = np.ones(light.shape)
    if kind == "dusty":
        for y, x in rng.integers(10, 400, (5, 2)):
            factor[y - 4 : y + 5, x - 4 : x + 5] = 0.6
    if kind == "patterned":
        factor += rng.normal(0, 0.02, light.shape)
    lamp = 1 + 0.01 * np.sin(np.arange(HEIGHT) / 30)[:, None] if kind == "flickering" else 1.0
    found = repeat_exposures([exposure(light * factor, 1), exposure(other * factor * lamp, 2)])
    assert found.frc_cutoff.value > 0.05


def test_a_slight_turn_spoils_neither_the_end_nor_the_noise():
    light = scene(14, signal=3000)
    plain = repeat_exposures([exposure(light, 1), exposure(light, 2)])
    turned = repeat_exposures([exposure(light, 1), exposure(warped(light, 0.03), 2)])
    assert turned.temporal_noise.value == pytest.approx(1.0, abs=2 * turned.temporal_noise.u)
    assert turned.frc_cutoff.value == pytest.approx(plain.frc_cutoff.value, rel=0.03)
    assert any("follows the scene's detail" in note for note in turned.notes)
