"""The outline: size and tilt as drawn, through lenses, wires, light and compression."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from glassay.die import DieResult, measure_die
from glassay.die.outline import Outline
from glassay.die.sides import fit_outline
from glassay.die.silhouette import find_silhouette
from glassay.distortion import Frame
from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity
from glassay.simulate import Camera, Capture, Lighting, Optics
from tests.die.drawn import DIE, PIXEL_UM, grey, shot

SAWN = (float(DIE.facts()["sawn_width_um"]), float(DIE.facts()["sawn_height_um"]))
TARGET = 0.0005  # size within 0.05 %, the target set for drawn dies


def outline(picture: FloatImage) -> Outline:
    return fit_outline(picture, find_silhouette(picture), Frame.of(picture.shape))


def test_size_is_that_of_the_sawn_die_and_its_interval_holds_it(measured: DieResult) -> None:
    for found, truth in zip((measured.width, measured.height), SAWN, strict=True):
        assert found.unit == "um"
        assert found.value == pytest.approx(truth, rel=TARGET)
        assert abs(found.value - truth) <= found.expanded
    assert measured.outline.tilt.value == pytest.approx(2.0, abs=0.02)


def test_uncertainty_of_the_size_holds_calibration_fit_and_distortion(measured: DieResult) -> None:
    sources = {part.source: part.u for part in measured.width.contributions}
    assert {"certificate", "scatter along the sides", "distortion"} <= set(sources)
    assert sources["certificate"] == pytest.approx(1e-4 * measured.width.value)


PHOTOS = {
    "soft focus": lambda: shot(optics=Optics(na=0.2, residual_blur_um=3.0)),
    "turned by 30 degrees": lambda: shot(tilt_deg=30.0, room=1.75),
    "uneven light": lambda: shot(
        optics=Optics(na=0.2, vignetting=0.7, lighting=Lighting(gradient=(0.3, -0.2)))
    ),
    "glints of a ring light": lambda: shot(
        optics=Optics(na=0.2, lighting=Lighting(hot_spots=6, hot_spot_level=0.25))
    ),
    "heavy compression behind a mosaic": lambda: shot(
        camera=Camera(colour="mosaic", jpeg_quality=60)
    ),
    "barrel distortion of 2 %": lambda: shot(optics=Optics(na=0.2, distortion_k1=-0.02)),
    "overexposed": lambda: shot(camera=Camera(colour="grey", exposure=1.6)),
}


@pytest.mark.parametrize("how", PHOTOS)
def test_size_stays_right_under(how: str) -> None:
    taken: Capture = PHOTOS[how]()
    found = outline(grey(taken))
    for side, truth in zip((found.width, found.height), SAWN, strict=True):
        assert side.value * PIXEL_UM == pytest.approx(truth, rel=TARGET)
        assert abs(side.value * PIXEL_UM - truth) <= side.expanded * PIXEL_UM


@pytest.mark.parametrize("tilt", [2.0, 5.0])
def test_a_plain_cut_keeps_its_small_uncertainty(tilt: float) -> None:
    """A lens rings beside each edge, alike at all four sides: that is no second edge."""
    found = outline(grey(shot(tilt_deg=tilt)))
    assert max(found.width.u, found.height.u) < 0.5


def test_the_bow_of_the_sides_tells_the_lens() -> None:
    found = outline(grey(shot(optics=Optics(na=0.2, distortion_k1=-0.02))))
    assert found.distortion is not None
    assert abs(found.distortion.value - -2.0) <= 3 * found.distortion.u


def test_a_part_of_a_photo_is_measured_with_the_lens_of_the_whole() -> None:
    taken = grey(shot(optics=Optics(na=0.2, distortion_k1=-0.02), room=1.5))
    part = np.ascontiguousarray(taken[20:, 60:])
    frame = Frame.of(taken.shape, (60, 20))
    found = fit_outline(part, find_silhouette(part), frame)
    assert found.width.value * PIXEL_UM == pytest.approx(SAWN[0], rel=TARGET)


def test_a_broken_corner_does_not_move_the_sides() -> None:
    taken = shot(tilt_deg=0.0)
    picture = taken.stored.copy()
    left, top = np.rint(taken.truth.mapping.to_px([(-SAWN[0] / 2, -SAWN[1] / 2)])[0]).astype(int)
    triangle = np.array([(left - 4, top - 4), (left + 80, top - 4), (left - 4, top + 60)])
    cv2.fillConvexPoly(picture, triangle, int(picture[4, 4]))
    found = outline(grey(picture))
    assert found.width.value * PIXEL_UM == pytest.approx(SAWN[0], rel=TARGET)


def test_a_microscope_that_looks_askew_is_named() -> None:
    picture = shot(replace(DIE, wires=False), tilt_deg=0.0, room=1.5).stored
    h, w = picture.shape
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    leaning = corners + np.array([[12, 6], [-15, 0], [0, 0], [0, -8]], np.float32)
    turn = cv2.getPerspectiveTransform(corners, leaning)
    askew = cv2.warpPerspective(picture, turn, (w, h), borderMode=cv2.BORDER_REPLICATE)
    found = outline(grey(askew))
    assert any("askew" in note for note in found.notes)
    assert found.width.relative > 0.002


def drawn(**around: float) -> npt.NDArray[np.float32]:
    """A die of 240 x 180 px with blocks, linear light 0.3 on 0.8, with what lies around it beneath."""
    light = np.full((320, 420), 0.8, np.float32)
    margin = int(around.get("paddle", 0))
    light[70 - margin : 250 + margin, 90 - margin : 330 + margin] = 0.55
    off = int(around.get("shadow", 0))
    light[70 + off : 250 + off, 90 + off : 330 + off] = 0.15
    light[70:250, 90:330] = 0.3
    rng = np.random.default_rng(3)
    for _ in range(150):
        y, x, h, w = (int(rng.integers(a, b)) for a, b in ((80, 230), (100, 300), (3, 20), (3, 25)))
        light[y : min(y + h, 240), x : min(x + w, 320)] = rng.uniform(0.1, 0.7)
    soft = cv2.GaussianBlur(light, (0, 0), 0.8)
    return np.asarray(soft + rng.normal(0, 0.004, soft.shape), np.float32)


def test_what_a_die_lies_on_is_not_taken_for_the_die() -> None:
    with pytest.raises(NotMeasurable, match=r"another rectangle stands.*draw a box"):
        outline(drawn(paddle=30))


def test_the_uncertainty_holds_a_shadow_that_passes_for_a_part_of_the_die() -> None:
    assert outline(drawn()).width.expanded < 1.0
    found = outline(drawn(shadow=12))
    assert abs(found.width.value - 240) <= found.width.expanded
    assert any("second edge runs along the right" in note for note in found.notes)


def test_without_a_pixel_size_lengths_are_px_and_it_is_said(measured: DieResult) -> None:
    bare = replace(measured, pixel_size=None)
    assert bare.width.unit == "px"
    assert bare.process is None
    assert any("the size of a px is not known" in note for note in bare.notes)


def test_a_mosaic_is_taken_to_be_free_of_distortion() -> None:
    picture = grey(shot(replace(DIE, wires=False)))
    found = measure_die(picture, Quantity(PIXEL_UM, "um/px"), flat=True)
    assert all(not part.u for part in found.width.contributions if part.source == "distortion")
