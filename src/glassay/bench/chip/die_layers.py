"""Other pictures of one die (after etching, the backside) laid over the one that it was measured in.

A layer is laid by what it shows in common with the die, or by its outline where it shows nothing
else, so that a place in um on the die is the same place in every layer. Nothing of it is used for the
die's own numbers.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from glassay.bench.chip.die_pictures import (
    ChosenPicture,
    DiePicture,
    mosaic_picture,
    picture_of_capture,
    seen_from,
)
from glassay.bench.chip.layer_by_likeness import Points, Reduced, lay_by_likeness
from glassay.bench.document.chip_mosaics import is_mosaic
from glassay.bench.document.die_notes import Layer, LayerMark
from glassay.bench.keeping.results import BenchResults
from glassay.die import DieResult, LaidByOutline, Mark, lay_by_outline, outline_in
from glassay.disk import content_hash
from glassay.errors import NotMeasurable, Unusable
from glassay.finding import Finding
from glassay.imaging import Photo, read_photo

PLACES = 3
"""Decimals of a px in data: far below what any layer is laid to."""


class Lies(Protocol):
    """How a layer lies on its die."""

    def findings(self) -> dict[str, Finding]:
        """What was measured of it, with U."""
        ...

    @property
    def notes(self) -> tuple[str, ...]:
        """What must be known beside the findings."""
        ...

    def in_picture(self, places_um: npt.ArrayLike) -> Points:
        """Places on the die (n, 2), um, as px of the layer's photo as it was taken."""
        ...


@dataclass(frozen=True)
class LaidLayer:
    """A layer as it lies on a die of `size_um`; `lies` is None where it could not be laid, for
    `reason`."""

    layer: Layer
    file: str
    digest: str
    photo: Photo
    size_um: tuple[float, float]
    lies: Lies | None = None
    reason: str = ""

    def findings(self) -> dict[str, Finding]:
        """Those of how it lies; none where it does not."""
        return {} if self.lies is None else self.lies.findings()

    @property
    def notes(self) -> tuple[str, ...]:
        """What must be known of how it was laid."""
        return () if self.lies is None else self.lies.notes

    @property
    def turn(self) -> str:
        """How the die was turned, where its outline tells it; "" where what is shown does."""
        return self.lies.turn if isinstance(self.lies, LaidByOutline) else ""

    def in_layer(self, places_um: npt.ArrayLike) -> Points:
        """Places on the die (n, 2), um, as px of the layer's photo as it was taken."""
        assert self.lies is not None, "only of a layer that was registered"
        return self.lies.in_picture(places_um)

    def corners(self) -> Points:
        """The die's corners (top left, top right, bottom right, bottom left) in px of the layer's
        photo: they run the other way round in one that is mirrored."""
        w, h = self.size_um
        return self.in_layer([(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)])

    def as_data(self) -> dict[str, Any]:
        """As plain data, for `sheet.json`."""
        return {
            "name": self.layer.name, "file": self.file, "sha256": self.digest,
            "mirrored": self.layer.mirrored, "by": self.layer.by, "registered": self.lies is not None,
            **({"turned": self.turn} if self.turn else {}),
            **({} if self.lies is None else {"corners": np.round(self.corners(), PLACES).tolist()}),
            "reason": self.reason, "notes": list(self.notes),
            "findings": {key: finding.as_json() for key, finding in self.findings().items()},
        }  # fmt: skip


def laid_layers(
    chosen: ChosenPicture, notes_path: Path | None, results: BenchResults | None = None
) -> tuple[LaidLayer, ...]:
    """Every layer that the notes name, laid on the die or with the reason why not.

    `results` are the bench's where a layer is one of its captures. Raises `Unusable` where a layer's
    picture is not there or lies outside of the bench, or a mark names a pad that there is not.
    """
    layers = chosen.notes.layers
    if not layers:
        return ()
    assert notes_path is not None, "layers stand in notes"
    alike = any(one.by == "likeness" for one in layers)
    base = Reduced.of(chosen.picture, chosen.result) if alike else None
    return tuple(_laid(chosen.result, base, one, notes_path, results) for one in layers)


def _laid(
    die: DieResult, base: Reduced | None, layer: Layer, notes_path: Path,
    results: BenchResults | None,
) -> LaidLayer:  # fmt: skip
    picture, box = _picture(layer, notes_path, results)
    photo = picture.photo
    about = (
        layer,
        picture.name,
        content_hash(photo.path),
        photo,
        (die.width.value, die.height.value),
    )
    try:
        if layer.by == "outline":
            return LaidLayer(*about, _by_outline(die, layer, picture, box))
        assert base is not None, "made where a layer needs it"
        return LaidLayer(*about, lay_by_likeness(base, picture, layer.mirrored))
    except NotMeasurable as error:
        return LaidLayer(*about, reason=str(error))


Box = tuple[int, int, int, int] | None


def _by_outline(die: DieResult, layer: Layer, picture: DiePicture, box: Box) -> LaidByOutline:
    """By its outline: `box` is the part of the whole photo that the picture is."""
    pointed = None if layer.outline is None else seen_from(layer.outline, box)
    photo = picture.photo
    try:
        outline = outline_in(
            photo.measuring_grey(),
            frame=photo.frame,
            flat=picture.flat,
            pointed=pointed,
            bare=True,
        )
    except NotMeasurable as error:
        raise NotMeasurable(f"its outline: {error}") from None
    return lay_by_outline(
        die, outline, picture.pixel_size, mirrored=layer.mirrored, turn=layer.turned,
        marks=list(_marks(die, layer, box)), u_marks_px=layer.u_marks_px,
    )  # fmt: skip


def _marks(die: DieResult, layer: Layer, box: Box) -> Iterable[Mark]:
    x, y = (0, 0) if box is None else box[:2]
    for mark in layer.marks:
        yield Mark(_place(die, layer, mark), (mark.at_px[0] - x, mark.at_px[1] - y))


def _place(die: DieResult, layer: Layer, mark: LayerMark) -> tuple[float, float]:
    if not isinstance(mark.on_die, str):
        return mark.on_die
    pads = [pad for pad in die.pads if pad.number.casefold() == mark.on_die.casefold()]
    if not pads:
        raise Unusable(f"layer {layer.name!r}: the die has no pad {mark.on_die!r}")
    return pads[0].x * die.per_px, pads[0].y * die.per_px


def _picture(
    layer: Layer, notes_path: Path, results: BenchResults | None
) -> tuple[DiePicture, Box]:
    if layer.capture:
        if results is None:
            raise Unusable(f"layer {layer.name!r}: captures are those of a bench; name a picture")
        box = next((c.capture.box for c in results.captures if c.capture.id == layer.capture), None)
        return picture_of_capture(results, layer.capture), box
    path = notes_path.parent / layer.picture
    if results is not None and not path.resolve().is_relative_to(results.bench.folder.resolve()):
        raise Unusable(f"layer {layer.name!r}: {layer.picture} lies outside of the bench")
    if is_mosaic(path):
        return mosaic_picture(path), None
    return DiePicture(read_photo(path), None, None, False, layer.picture), None
