"""What a measured scale or grid is, and the picture that it is looked for in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from glassay.distortion import Frame
from glassay.field_stop import FieldStop
from glassay.imaging.even_rim import Rim
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity
from glassay.scale.hierarchy import Hierarchy

METHOD = "ruled scale"

MIN_DIVISION_PX = 3.5
"""Below this the lines are so near the sampling limit that an aliased pattern cannot be ruled out."""
PROCESSING_SHARE = 4e-5
"""Relative standard uncertainty for what cameras do to a picture that no scatter of lines shows:
red and blue, magnified differently, leak into green through demosaicing and compression. Simulated
captures with usual lateral colour were off by up to 1e-4 without any scatter to tell it."""


@dataclass(frozen=True)
class ScaleResult:
    """A ruled scale measured in px.

    `division` is the distance from line to line (px) at the middle of the photo, `distortion` the
    radial distortion at its corner (relative, negative for barrel, 0 if none was seen) with the
    standard error of what is known of it, `distortion_2` the coefficient of the radius' fourth power,
    `tilt` the direction of the scale's axis against the photo's horizontal (deg, from the x axis
    towards the y axis, which points down: clockwise as seen). `segments` (lines, 4) holds the
    two ends x0, y0, x1, y1 of every line used, `residuals` (px) their distance from the even
    ruling. `shape` is the photo's (height, width).
    """

    division: Quantity
    distortion: float
    distortion_error: float
    tilt: Quantity
    lines: int
    span: int
    segments: npt.NDArray[np.float64]
    residuals: npt.NDArray[np.float64]
    along: npt.NDArray[np.float64]
    dark_lines: bool
    hierarchy: Hierarchy
    curved: bool
    field_stop: FieldStop | None
    shape: tuple[int, int]
    waveform: npt.NDArray[np.float64]
    explained: float
    pattern: str = "ruled"
    aspect: Quantity | None = None
    angle_between: Quantity | None = None
    division_y: Quantity | None = None
    distortion_2: float = 0.0
    notes: tuple[str, ...] = ()
    rim: Rim | None = None
    """An even frame around what the photo shows: its field is not the photo's."""


Word = Literal["none", "filed", "said"]
"""Who says that a photo shows a scale or a grid whose lines are a division apart: nobody; a bench that
files it under one, perhaps by mistake; or a person who was asked about this very photo."""


@dataclass(frozen=True)
class View:
    """The part of a photo of this `shape` that is looked at, with its corner (x, y) in the photo;
    `mask` is 0 outside the round field `stop`. `pointed`: a person chose the part. `word`: who says
    that a scale is shown (see `Word`)."""

    light: FloatImage
    mask: npt.NDArray[np.uint8] | None
    stop: FieldStop | None
    shape: tuple[int, int]
    corner: tuple[int, int]
    pointed: bool
    word: Word = "none"

    @property
    def frame(self) -> Frame:
        """The photo's frame in px of this part."""
        return Frame.of(self.shape, self.corner)

    @property
    def middle(self) -> tuple[float, float]:
        """The photo's middle, taken to be the optical axis, seen from the middle of the view."""
        height, width = self.light.shape
        return self.frame.x - (width - 1) / 2, self.frame.y - (height - 1) / 2
