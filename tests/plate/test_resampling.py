"""Photos are brought to the plate's px without making any detail stronger."""

from __future__ import annotations

import numpy as np
import pytest

from glassay.imaging.resample import Places, resample, step_of


def scaled(step: float) -> object:
    def to_photo(points: Places) -> Places:
        return (points + 0.5) * step - 0.5

    return to_photo


@pytest.mark.parametrize("frequency", [0.05, 0.15, 0.25, 0.35, 0.45])
@pytest.mark.parametrize("step", [0.23, 0.5, 0.8, 1.0, 1.7, 3.3])
def test_no_frequency_is_made_stronger(frequency: float, step: float) -> None:
    x = np.arange(400)
    wave = 0.5 + 0.2 * np.sin(2 * np.pi * frequency * x)
    photo = np.tile(wave.astype(np.float32), (40, 1))
    width = int(400 / step)
    (found,), _ = resample([photo], scaled(step), (int(40 / step), width))  # type: ignore[arg-type]
    row = found[found.shape[0] // 2, 20:-20] - 0.5
    # an rms over many periods; 1 % allows for a part of a period
    assert np.sqrt(2 * (row**2).mean()) <= 0.2 * 1.01
    if step < 1 and frequency < 0.2:  # and enlarging keeps what there was
        assert np.sqrt(2 * (row**2).mean()) > 0.2 * 0.97


def test_reducing_by_a_whole_number_is_the_mean_of_each_square() -> None:
    photo = np.random.default_rng(0).random((60, 80)).astype(np.float32)
    (found,), covered = resample([photo], scaled(4), (15, 20))  # type: ignore[arg-type]
    means = photo.reshape(15, 4, 20, 4).mean(axis=(1, 3))
    assert found == pytest.approx(means, abs=1e-5)
    assert covered.all()
    assert step_of(scaled(4), (15, 20)) == pytest.approx(4)  # type: ignore[arg-type]


def test_own_pixels_are_shown_as_they_are() -> None:
    photo = np.random.default_rng(1).random((10, 12)).astype(np.float32)
    (found,), _ = resample([photo], scaled(1 / 5), (50, 60), "pixels")  # type: ignore[arg-type]
    assert (found == np.kron(photo, np.ones((5, 5), np.float32))).all()


def test_where_the_photo_does_not_reach_is_told() -> None:
    photo = np.full((20, 20), 0.5, np.float32)
    _, covered = resample([photo], lambda p: p - 5.0, (20, 20))
    assert covered[5:, 5:].all()
    assert not covered[:5].any()
    assert not covered[:, :5].any()


@pytest.mark.parametrize(("height", "factor"), [(11, 4), (15, 4), (7, 3)])
def test_a_strip_lower_than_the_square_of_its_reduction_is_averaged_in_whole_squares(
    height: int, factor: int
) -> None:
    # By 4 a strip of 11 px has 2 rows; a reduction guessed back from 11 // 2 would be by 5.
    photo = np.random.default_rng(2).random((height, 20 * factor)).astype(np.float32)
    rows = height // factor
    (found,), _ = resample([photo], scaled(factor), (rows, 20))  # type: ignore[arg-type]
    whole = photo[: rows * factor].reshape(rows, factor, 20, factor)
    assert found == pytest.approx(whole.mean(axis=(1, 3)), abs=1e-5)
