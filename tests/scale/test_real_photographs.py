"""Real photographs of scales against the truths of those who took them (tests/data/real/README.md)."""

from __future__ import annotations

from pathlib import Path

import pytest

from glassay.fitting import block_mean
from glassay.imaging import read_photo
from glassay.scale import Division, measure_scale
from glassay.scale.calibrate import Calibration, calibrate

FOLDER = Path(__file__).parents[1] / "data" / "real"


def calibrated(name: str, division_um: float) -> Calibration:
    photo = read_photo(FOLDER / name, None)
    return calibrate(measure_scale(photo.measuring_grey()), Division.uncertified(division_um))


@pytest.mark.parametrize(
    ("name", "truth", "known"),
    [
        ("scale-a.png", 1.293, 0.003),  # its author's count: 688.33 px are 89 divisions of 10 um
        (
            "scale-b.png",
            0.3218,
            0.003,
        ),  # its author's, by hand, and straight fits: 0.3214 to 0.3222
        ("scale-c.png", 1.742, 0.002),  # its author's, for the reduced picture
    ],
)
def test_a_stage_micrometer_is_told_as_its_author_did(
    name: str, truth: float, known: float
) -> None:
    told = calibrated(name, 10.0).pixel_size
    assert abs(told.value - truth) < told.expanded + known * truth
    assert told.expanded < 0.01 * truth


def test_a_counting_chamber_is_told_by_its_boundary_lines_between_cells() -> None:
    told = calibrated("chamber-a.jpg", 50.0).pixel_size
    assert abs(told.value - 3.002) < told.expanded + 0.005  # a fit of the ruling by hand
    assert told.expanded < 0.02 * told.value


def test_a_counting_chamber_behind_an_eyepiece_is_told_by_its_bent_lines() -> None:
    """Its fine lines stand far from the middle, where the lens shows them a tenth larger."""
    light = read_photo(FOLDER / "chamber-b.jpg", None).measuring_grey()
    small = block_mean(light, 2)  # for speed
    told = calibrate(measure_scale(small), Division.uncertified(50.0)).pixel_size
    assert abs(told.value - 2 * 0.82) < told.expanded + 0.02  # a fit in the middle, known to 1 %
    assert told.expanded < 0.04 * told.value
