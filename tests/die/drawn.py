"""Drawn dies with known truth, and pictures of what is none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from glassay.imaging import Photo
from glassay.imaging.tone import FloatImage
from glassay.simulate import Camera, Capture, Die, Optics, Pose, capture

DIE = Die(width_um=900.0, height_um=700.0, seed=7)
PIXEL_UM = 1.5
SHARP = Optics(na=0.2)


def shot(
    die: Die = DIE,
    pixel_um: float = PIXEL_UM,
    tilt_deg: float = 2.0,
    optics: Optics = SHARP,
    camera: Camera | None = None,
    room: float = 1.3,
) -> Capture:
    """A photo of a die with its surround."""
    size = (
        round((side + 2 * die.street_um) / pixel_um * room)
        for side in (die.width_um, die.height_um)
    )
    width, height = size
    base = camera or Camera(colour="grey", jpeg_quality=90)
    from dataclasses import replace

    return capture(
        die, Pose(pixel_um, tilt_deg), optics, replace(base, width=width, height=height), 1
    )


def grey(stored: npt.NDArray[np.uint8] | Capture) -> FloatImage:
    """Linear light of a stored picture, as the command measures it."""
    pixels = stored.stored if isinstance(stored, Capture) else stored
    return Photo(Path("drawn"), pixels, "srgb").measuring_grey()


def pads_um(die: Die = DIE) -> npt.NDArray[np.float64]:
    """Middles of the pads from the top left corner of the sawn die."""
    facts = die.facts()
    half = (float(facts["sawn_width_um"]) / 2, float(facts["sawn_height_um"]) / 2)
    return die.marks_um()["pads"] + half
