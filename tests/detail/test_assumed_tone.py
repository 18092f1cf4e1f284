"""A tone curve that nobody states is part of every uncertainty that leans on it."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from tests.detail.exact_edges import ExactEdge, pupil

from glassay.cli.photos import tone_notes
from glassay.detail.bars import measure_bars
from glassay.detail.edge import measure_edges
from glassay.detail.edge_result import EdgeResponse
from glassay.detail.line_response import response_of_lines
from glassay.imaging import linear_to_srgb, read_photo, srgb_to_linear
from glassay.imaging.tone import OTHER_TONES, Tone
from glassay.quantity import Quantity
from glassay.scale import measure_scale
from glassay.simulate import BarTarget, Camera, Optics, Pose, RuledScale, capture
from glassay.tone_doubt import SOURCE, tone_u

Float = npt.NDArray[np.float64]


def tone_part(quantity: Quantity) -> float:
    """Standard uncertainty that is due to the assumed curve."""
    return math.hypot(*(part.u for part in quantity.contributions if part.source == SOURCE))


def steeper(light: npt.ArrayLike) -> Float:
    """sRGB with a sine of contrast on it: no curve that the measurement tries."""
    encoded = linear_to_srgb(light)
    return np.asarray(encoded + 0.08 * np.sin(2 * np.pi * (encoded - 0.5)))


CURVES: dict[str, Callable[[Float], Float]] = {
    "linear": lambda light: light,
    "1.8": lambda light: light ** (1 / 1.8),
    "2.6": lambda light: light ** (1 / 2.6),
    "sRGB": linear_to_srgb,
    "contrast": steeper,
}


@pytest.fixture(scope="module")
def edge() -> ExactEdge:
    return ExactEdge(pupil(0.5), 7.0, 0.5)


def measured(path: Path, picture: Float, tone: Tone | None = None) -> EdgeResponse:
    cv2.imwrite(str(path), np.rint(255 * np.clip(picture, 0, 1)).astype(np.uint8))
    photo = read_photo(path, tone)
    return measure_edges(photo.linear_grey(), other_tones=photo.other_tones)


@pytest.mark.parametrize("name", CURVES)
def test_the_interval_holds_the_truth_whatever_the_camera_did(
    edge: ExactEdge, tmp_path: Path, name: str
) -> None:
    light = np.clip(edge.picture(dark=0.05, bright=0.6, noise=0.002), 0, 1)
    found = measured(tmp_path / "p.png", CURVES[name](np.asarray(light, dtype=np.float64)))
    for told, level in ((found.frequency_50, 0.5), (found.frequency_10, 0.1)):
        assert told is not None
        assert told.value == pytest.approx(edge.frequency_at(level), abs=told.expanded)
    assert found.frequency_50.contributions[0].source == SOURCE


@pytest.mark.parametrize("name", ["linear", "1.8", "sRGB"])
def test_deep_grey_is_taken_as_linear_and_doubted_as_much(
    edge: ExactEdge, tmp_path: Path, name: str
) -> None:
    light = np.clip(edge.picture(dark=0.05, bright=0.6, noise=0.002), 0, 1)
    stored = CURVES[name](np.asarray(light, dtype=np.float64))
    cv2.imwrite(str(tmp_path / "p.png"), np.rint(65535 * stored).astype(np.uint16))
    photo = read_photo(tmp_path / "p.png")
    assert photo.tone == "linear"
    assert "stored values are taken as linear" in tone_notes(photo, None)[-1]
    found = measure_edges(photo.linear_grey(), other_tones=photo.other_tones).frequency_50
    assert found.value == pytest.approx(edge.frequency_at(0.5), abs=found.expanded)
    assert tone_part(found) > 0
    assert read_photo(tmp_path / "p.png", "linear").other_tones == ()


def test_a_stated_curve_leaves_no_such_doubt(edge: ExactEdge, tmp_path: Path) -> None:
    found = measured(tmp_path / "p.png", linear_to_srgb(edge.picture(noise=0.002)), "srgb")
    assert tone_part(found.frequency_50) == 0
    assert found.frequency_50.relative < 0.01


def test_an_edge_of_little_contrast_owes_little_to_the_curve(
    edge: ExactEdge, tmp_path: Path
) -> None:
    strong, weak = (
        measured(
            tmp_path / "p.png", linear_to_srgb(edge.picture(dark=dark, bright=0.6, noise=0.001))
        )
        for dark in (0.03, 0.45)
    )
    assert tone_part(weak.frequency_50) < 0.3 * tone_part(strong.frequency_50)


def test_reaches_to_either_side_make_the_spread_of_an_even_distribution() -> None:
    # JCGM 100:2008, 4.3.7: half width a gives a / sqrt 3. About one end of a width a, the second
    # moment of an even distribution is a^2 / 3, too.
    assert abs(tone_u(1.0, [0.9, 1.1])) == pytest.approx(0.1 / math.sqrt(3))
    assert tone_u(1.0, [0.8, 1.0, math.nan]) == pytest.approx(-0.2 / math.sqrt(3))
    assert tone_u(1.0, []) == 0


def test_the_finest_bars_carry_the_doubt() -> None:
    target = BarTarget(first_group=2)
    pixel_um = 39 * target.elements()[0].bar_width_um / 384
    camera = Camera(width=640, height=512, colour="grey", full_well_e=8000.0)
    shot = capture(target, Pose(pixel_um), Optics(na=0.05), camera, seed=3)
    light = srgb_to_linear(shot.stored / 255).astype(np.float32)
    told = measure_bars(light, other_tones=OTHER_TONES).finest_frequency
    assert told is not None
    # Power laws change small contrasts in proportion to their exponent, 1 to 2.6 for 2.2; taken as a
    # share of the target's own contrast, which changes too, about a tenth of that is left.
    assert 0.003 * told.value < tone_part(told) < 0.3 * told.value


def test_superposed_lines_carry_the_doubt_and_keep_their_value() -> None:
    camera = Camera(width=500, height=360, colour="grey", full_well_e=8000.0)
    shot = capture(RuledScale(), Pose(0.5, 6.0), Optics(na=0.25), camera, seed=4)
    light = srgb_to_linear(shot.stored / 255).astype(np.float32)
    scale = measure_scale(light)
    known, assumed = (
        response_of_lines(light, scale.segments, scale.division.value, other_tones=t).frequency_50
        for t in ((), OTHER_TONES)
    )
    assert assumed.value == pytest.approx(known.value, rel=1e-9)
    assert tone_part(known) == 0
    assert tone_part(assumed) > 0.01 * assumed.value
