"""Real photographs of scales against the truths of those who took them (tests/data/real/README.md)."""

from __future__ import annotations

from pathlib import Path

import pytest

from glassay.errors import NotMeasurable
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


def test_a_counting_chamber_behind_an_eyepiece_is_told_rightly_or_not_at_all() -> None:
    light = read_photo(FOLDER / "chamber-b.jpg", None).measuring_grey()
    light = light[: light.shape[0] // 3 * 3, : light.shape[1] // 3 * 3]
    small = light.reshape(light.shape[0] // 3, 3, -1, 3).mean(axis=(1, 3))  # for speed
    try:
        told = calibrate(measure_scale(small), Division.uncertified(50.0)).pixel_size
    except NotMeasurable:
        return
    assert abs(told.value - 3 * 0.82) < told.expanded + 0.03  # a fit in the middle, known to 1 %
