"""Pixels finer than two px that show as coarse ones in place, and coarse ones as faint as those.

The pictures are exact: each wave of the pixels is weakened as a lens and square px do, then sampled.
"""

from __future__ import annotations

import numpy as np
import pytest
from tests.lattice.drawn_dies import Picture, sampled_die

from glassay.errors import NotMeasurable
from glassay.lattice import DiePicture, measure_array, measure_lattice
from glassay.quantity import Quantity


def um(value: float) -> Quantity:
    return Quantity.of(value, value * 1e-4, "um/px", "slide")


def refused(picture: Picture) -> str:
    with pytest.raises(NotMeasurable) as error:
        measure_array([DiePicture(picture)])
    return str(error.value)


@pytest.mark.parametrize("pitch_px", [1.3, 1.45, 1.6])
@pytest.mark.parametrize("tilt_deg", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("sides", [True, False])
def test_moire_of_a_level_die_through_a_sharp_lens_is_not_told_as_pixels(
    pitch_px: float, tilt_deg: float, sides: bool
) -> None:
    picture = sampled_die(pitch_px, tilt_deg=tilt_deg, sides=sides, lens_px=0.25)
    reason = refused(picture)
    assert f"moire of pixels {pitch_px:.2f} px apart" in reason
    assert "turned" in reason
    assert f"{pitch_px:.2f} px" in refused(np.repeat(picture[..., None], 3, axis=2))


@pytest.mark.parametrize(("pitch_px", "tilt_deg"), [(1.3, 1.0), (1.6, 2.0), (1.4, 4.0)])
def test_nor_is_that_of_a_tilted_one_with_nothing_else_in_view(
    pitch_px: float, tilt_deg: float
) -> None:
    refused(sampled_die(pitch_px, tilt_deg=tilt_deg, sides=False))


def test_the_finer_lattices_are_those_that_look_the_same() -> None:
    found = measure_lattice(sampled_die(1.3, tilt_deg=1.0, sides=False))
    assert len(found.steps.finer) == 1
    step = found.steps.finer[0].x
    assert found.steps.finer[0].pitch == pytest.approx(1.3, rel=1e-3)
    assert np.degrees(np.arctan2(step[1], step[0])) % 90 == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("tilt_deg", [-3.0, 0.5, 1.0])
def test_faint_pixels_along_the_sides_of_a_tilted_array_are_counted(tilt_deg: float) -> None:
    picture = sampled_die(
        4.33, size=(520, 400), tilt_deg=tilt_deg, lens_px=1.2, wall=0.2, border=0.1
    )
    assert measure_lattice(picture).steps.finer
    told = measure_array([DiePicture(picture)])
    assert told.pitch_x is not None
    assert told.columns is not None
    assert told.pitch_x.value == pytest.approx(4.33, rel=1e-3)
    assert told.columns.value == pytest.approx(2 * round(0.4 * 520 / 4.33), abs=1)


def test_faint_pixels_of_a_level_array_whose_sides_are_soft_are_counted() -> None:
    picture = sampled_die(4.33, size=(520, 400), lens_px=1.2, border=0.7)
    assert measure_lattice(picture).steps.finer
    told = measure_array([DiePicture(picture)])
    assert told.columns is not None
    assert told.columns.value == pytest.approx(2 * round(0.4 * 520 / 4.33), abs=1)


@pytest.mark.parametrize("tilt_deg", [0.0, 2.0])
def test_pixels_that_a_sharp_lens_shows_are_never_in_doubt(tilt_deg: float) -> None:
    for pitch_px in (3.3, 4.3, 6.1, 8.7):
        found = measure_lattice(sampled_die(pitch_px, tilt_deg=tilt_deg, lens_px=0.5))
        assert not found.steps.finer
        assert found.pitch_x is not None
        assert found.pitch_x.value == pytest.approx(pitch_px, rel=1e-3)


def test_a_photo_at_another_scale_settles_it() -> None:
    faint = [
        DiePicture(sampled_die(px, sides=False, lens_px=1.2), um(1.3 / px), name=f"at {px}")
        for px in (4.33, 3.7)
    ]
    for one in faint:
        assert "closer photo" in refused(one.image)
    told = measure_array(faint)
    assert told.pitch_x is not None
    assert told.pitch_x.value == pytest.approx(1.3, rel=1e-3)
    moire = [
        DiePicture(sampled_die(px, sides=False), um(1.3 / px), name=f"at {px}")
        for px in (1.3, 1.37)
    ]
    with pytest.raises(NotMeasurable, match=r"at 1.3: .*moire.*at 1.37: .*moire"):
        measure_array(moire)
