"""Displacement of red and blue against what was simulated."""

from __future__ import annotations

import numpy as np
import pytest

from glassay.errors import NotMeasurable
from glassay.field import LateralColour, measure_lateral_colour
from glassay.imaging.tone import linear_table
from glassay.quantity import Quantity
from glassay.simulate import (
    Camera,
    CrossedGrid,
    DotGrid,
    FlatField,
    Lighting,
    Optics,
    Pose,
    Scene,
    SlantedSquare,
    capture,
)

TABLE = linear_table(8, "srgb")
HALF = np.hypot(560, 420) / 2


def measured(
    scene: Scene, colours: tuple[float, float, float], quality: int | None, **optics: object
) -> LateralColour:
    camera = Camera(width=560, height=420, jpeg_quality=quality)
    lens = Optics(na=0.1, lateral_colour=colours, **optics)  # type: ignore[arg-type]
    shot = capture(scene, Pose(1.5, 4.0), lens, camera, seed=8)
    return measure_lateral_colour(
        TABLE[shot.stored], pixel_size=Quantity(1.5, "um/px"), compressed=quality is not None
    )


@pytest.mark.parametrize("quality", [None, 92])
@pytest.mark.parametrize("scene", [CrossedGrid(), DotGrid()])
def test_colours_magnified_differently_are_told_apart(scene: Scene, quality: int | None) -> None:
    # A magnification differing by 0.3 % moves the corner by 0.003 half diagonals, the edge by 0.8
    # of that; red and blue are focused elsewhere than green besides.
    found = measured(scene, (0.003, 0.0, -0.002), quality, axial_colour_um=(12.0, 0.0, -15.0))
    for field, share in ((found.red, 0.003), (found.blue, -0.002)):
        corner, edge = field.radial(1.0), field.radial(0.8)
        assert corner.value == pytest.approx(share * HALF, abs=2.5 * corner.u)
        assert edge.value == pytest.approx(0.8 * share * HALF, abs=2.5 * edge.u)
        assert abs(field.tangential(1.0).value) < 3 * field.tangential(1.0).u
        assert corner.u < (0.06 if quality is None else 0.25)
    assert found.corner_spread.value == pytest.approx(0.005 * HALF, rel=0.1)
    on_object = found.findings()["lateral_colour_object"].quantity
    assert on_object.unit == "um"
    assert on_object.value == pytest.approx(1.5 * found.corner_spread.value)


def test_colours_that_coincide_are_said_to() -> None:
    found = measured(CrossedGrid(), (0.0, 0.0, 0.0), None)
    assert found.corner_spread.value < 0.05
    assert abs(found.red.radial(1.0).value) < 2.5 * found.red.radial(1.0).u


def test_a_shift_of_one_colour_is_no_magnification() -> None:
    camera = Camera(width=560, height=420, jpeg_quality=None, colour="full")
    shot = capture(DotGrid(), Pose(1.5, 4.0), Optics(na=0.1), camera, seed=8)
    light = TABLE[shot.stored].copy()
    light[..., 0] = np.roll(light[..., 0], 1, axis=1)
    found = measure_lateral_colour(light)
    assert found.red.terms[:2] == pytest.approx((1.0, 0.0), abs=0.03)
    assert found.red.centre.value == pytest.approx(1.0, abs=0.03)
    assert abs(found.red.radial(1.0).value) < 0.05
    assert found.blue.centre.value < 0.05
    # The colours do lie a pixel apart in the corners, and everywhere else.
    spread = found.corner_spread
    assert spread.value == pytest.approx(1.0, abs=3 * spread.u)
    assert spread.u < 0.05
    assert list(found.shifted) == ["red"]


def test_pictures_that_cannot_tell_are_refused() -> None:
    grey = np.random.default_rng(1).random((200, 200, 1)).astype(np.float32).repeat(3, axis=2)
    with pytest.raises(NotMeasurable, match="grey stored as colour"):
        measure_lateral_colour(grey)
    with pytest.raises(NotMeasurable, match="grey"):
        measure_lateral_colour(grey[..., 0])
    dark = grey.copy()
    dark[..., 2] = 0
    with pytest.raises(NotMeasurable, match="black"):
        measure_lateral_colour(dark)
    with pytest.raises(NotMeasurable, match=r"reach only|parts of the photo"):
        measured(SlantedSquare(side_um=150), (0.003, 0.0, -0.002), None)


def test_reflections_of_lamps_are_no_edges() -> None:
    light = Lighting(level=0.7, hot_spots=6, hot_spot_level=0.2)
    with pytest.raises(NotMeasurable, match="parts of the photo"):
        measured(FlatField(0.6), (0.003, 0.0, -0.002), None, lighting=light)


def test_colour_that_compression_took_away_is_not_called_zero() -> None:
    camera = Camera(width=560, height=420, jpeg_quality=50)
    lens = Optics(na=0.1, lateral_colour=(0.0005, 0.0, -0.0005))
    shot = capture(CrossedGrid(), Pose(2.0, 4.0), lens, camera, seed=8)
    with pytest.raises(NotMeasurable, match="compression took"):
        measure_lateral_colour(TABLE[shot.stored], compressed=True)
