"""Simulated focus runs that several tests look at."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage, linear_table
from glassay.simulate import Camera, Optics, Pose, StackRun, stacked_dies
from glassay.stack import StackResult, measure_stack

TABLE = linear_table(8, "srgb")
STEP_UM = 7.0
WIDTH, HEIGHT, PIXEL_UM = 240, 200, 0.8
HEIGHTS_UM = (0.0, 31.0)
PHOTOS = 10


@lru_cache(maxsize=1)
def two_heights() -> StackRun:
    """A die of 31 um on a floor, and a bond wire; the picture breathes, walks and turns."""
    relief = stacked_dies(
        HEIGHTS_UM, (WIDTH * PIXEL_UM, HEIGHT * PIXEL_UM), wires=1, loop_um=4.0, seed=3
    )
    camera = Camera(width=WIDTH, height=HEIGHT, colour="grey", jpeg_quality=92)
    focus = tuple(float(z) for z in -14 + STEP_UM * np.arange(PHOTOS))
    return StackRun(
        relief, Pose(PIXEL_UM), Optics(na=0.2, residual_blur_um=0.5), camera, focus,
        breathing=1.2e-4, walk=(0.05, -0.03), turn_deg=0.001, shake_px=0.2, drift=0.1, seed=4,
    )  # fmt: skip


@lru_cache(maxsize=1)
def files() -> tuple[bytes, ...]:
    """The run's JPEG files."""
    found = [jpeg for _, jpeg in two_heights().photos()]
    assert all(found)
    return tuple(jpeg for jpeg in found if jpeg is not None)


@lru_cache(maxsize=1)
def photos() -> tuple[FloatImage, ...]:
    """The run's photos in linear light."""
    return tuple(np.asarray(TABLE[stored]) for stored, _ in two_heights().photos())


@lru_cache(maxsize=1)
def stacked() -> StackResult:
    """The run, stacked."""
    return measure_stack(list(photos()))


@lru_cache(maxsize=1)
def truth() -> tuple[npt.NDArray[np.floating], npt.NDArray[np.float64]]:
    """The picture with everything sharp, and where in the run each px is, as the stack lies."""
    run, reference = two_heights(), stacked().alignment.reference
    sharp, places = run.truth(reference)
    return sharp * (1 + run.drift * reference / (PHOTOS - 1)), places
