"""All that one setting's photos tell about the field: whatever of it they allow."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.field.colour import measure_lateral_colour
from glassay.field.colour_result import LateralColour
from glassay.field.distortion import Distortion, measure_distortion
from glassay.field.distortion_fit import View
from glassay.field.evenness import measure_evenness
from glassay.field.evenness_result import Evenness
from glassay.finding import Finding
from glassay.imaging.tone import FloatImage, Relight
from glassay.quantity import Quantity

Part = Literal["evenness", "distortion", "colour"]
PARTS: tuple[Part, ...] = ("evenness", "distortion", "colour")

T = TypeVar("T")


@dataclass(frozen=True)
class FieldPhoto:
    """One photo: `light` (height, width) or (height, width, 3) in linear light, `grey` the channel
    in which places are measured, `full` its clipped px, `compressed` whether its file is lossy,
    `other_tones` what the light may be instead."""

    light: FloatImage
    grey: FloatImage
    full: npt.NDArray[np.bool_]
    compressed: bool
    other_tones: tuple[Relight, ...] = ()


@dataclass(frozen=True)
class FieldResult:
    """The parts that could be measured; None for the others, with the reason in the notes."""

    evenness: Evenness | None
    distortion: Distortion | None
    colour: LateralColour | None
    notes: tuple[str, ...]

    def findings(self) -> dict[str, Finding]:
        """Findings of all parts."""
        out: dict[str, Finding] = {}
        for part in (self.evenness, self.distortion, self.colour):
            if part is not None:
                out |= part.findings()
        return out


def measure_field(
    photos: Sequence[FieldPhoto],
    *,
    view_of: Callable[[FloatImage], View],
    parts: Sequence[Part] = PARTS,
    pixel_size: Quantity | None = None,
    notes: tuple[str, ...] = (),
) -> FieldResult:
    """Measure what the photos of one setting allow of `parts`.

    `view_of` finds the grid or the ruled scale in the grey of a photo, or raises NotMeasurable.

    Evenness is that of the first even photo, lateral colour that of the photo whose edges tell most;
    distortion is fitted to
    all photos of a scale or grid together. Raises NotMeasurable, with every reason, when no part can
    be measured, and for photos of different size.
    """
    sizes = {photo.grey.shape for photo in photos}
    if len(sizes) != 1:
        raise NotMeasurable(
            "the photos differ in size, so they are not of one setting"
            if sizes
            else "there is no photo"
        )
    reasons: list[str] = []

    def tried(part: Part, measure: Callable[[], T]) -> T | None:
        if part not in parts:
            return None
        try:
            return measure()
        except NotMeasurable as error:
            words = {"evenness": "evenness", "distortion": "distortion",
                     "colour": "lateral colour"}[part]  # fmt: skip
            reasons.append(f"{words} is not measured: {error}")
            return None

    evenness = tried("evenness", lambda: _each(photos, _evenness)[0])
    distortion = tried("distortion", lambda: _distortion(photos, view_of))
    colour = tried("colour", lambda: _surest_colour(photos, pixel_size))
    if evenness is None and distortion is None and colour is None:
        raise NotMeasurable("; ".join(reasons))
    own = [part.notes for part in (evenness, distortion, colour) if part is not None]
    return FieldResult(
        evenness, distortion, colour,
        notes + tuple(note for group in own for note in group) + tuple(reasons),
    )  # fmt: skip


def _each(photos: Sequence[FieldPhoto], measure: Callable[[FieldPhoto], T]) -> list[T]:
    """What the photos that allow it give; the first one's refusal if none does."""
    found: list[T] = []
    refusal: NotMeasurable | None = None
    for photo in photos:
        try:
            found.append(measure(photo))
        except NotMeasurable as error:
            refusal = refusal or error
    if not found and refusal is not None:
        raise refusal
    return found


def _evenness(photo: FieldPhoto) -> Evenness:
    return measure_evenness(photo.light, full=photo.full, other_tones=photo.other_tones)


def _surest_colour(photos: Sequence[FieldPhoto], pixel_size: Quantity | None) -> LateralColour:
    found = _each(
        photos,
        lambda photo: measure_lateral_colour(
            photo.light, pixel_size=pixel_size, full=photo.full, compressed=photo.compressed
        ),
    )
    return min(found, key=lambda colour: colour.corner_spread.u)


def _distortion(photos: Sequence[FieldPhoto], view_of: Callable[[FloatImage], View]) -> Distortion:
    views: list[View] = _each(photos, lambda photo: view_of(photo.grey))
    shape = photos[0].grey.shape
    left = len(photos) - len(views)
    notes = (f"{left} of {len(photos)} photos show no scale or grid",) if left else ()
    return measure_distortion(views, (shape[0], shape[1]), notes=notes)
