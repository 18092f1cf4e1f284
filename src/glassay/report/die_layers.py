"""The layers of a die on a page: every picture laid on the die alike, with the marks over it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from glassay.bench.chip.die_layers import LaidLayer
from glassay.bench.document.die_notes import DieNotes
from glassay.die import DieResult
from glassay.imaging import Photo
from glassay.quantity import Quantity, rounded
from glassay.report.die_files import pad_ring
from glassay.report.die_pictures import laid_on_die
from glassay.report.pictures import Pixels, for_screen

LONGEST_PX = 1400
"""Longer side of a layer on a page: sharp on wide screens, some hundred kB each."""
PICTURE_BYTES = 600_000

CROSS = 0.012
"""Arm of the cross at a marking, parts of the die's longer side: some 17 px on a page."""

Shape = tuple[str, str]
"""Class and path data (um from the die's top left corner) of what is drawn over every layer."""


@dataclass(frozen=True)
class ShownLayer:
    """A picture of the die: name, how it lies, the address it is fetched from, and what must be known
    of how it was laid there."""

    name: str
    words: str
    source: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ShownLayers:
    """The die's own picture and the layers over it, all of `size` px for `size_um`, with the `shapes`
    that hold in all of them; and layers that could not be registered, each with the reason."""

    size: tuple[int, int]
    size_um: tuple[float, float]
    pictures: Sequence[ShownLayer]
    shapes: Sequence[Shape]
    refused: Sequence[tuple[str, str]]


def shown_layers(
    photo: Photo, result: DieResult, notes: DieNotes, layers: Sequence[LaidLayer],
    source_of: Callable[[int, Pixels], str],
) -> ShownLayers:  # fmt: skip
    """Lay every layer on the die; `source_of` gives the address of the n-th picture."""
    size_um = (result.width.value, result.height.value)
    factor = LONGEST_PX / max(size_um)
    size = (max(1, round(size_um[0] * factor)), max(1, round(size_um[1] * factor)))
    laid = [one for one in layers if one.lies is not None]
    places = [
        lambda um: result.outline.to_photo(um / result.per_px),
        *(one.in_layer for one in laid),
    ]
    photos = [photo, *(one.photo for one in laid)]
    words = ["the picture that the die was measured in", *map(words_of, laid)]
    names = ["as measured", *(one.layer.name for one in laid)]
    notes_of = [(), *(one.notes for one in laid)]
    pictures = [
        ShownLayer(name, said, source_of(
            n, laid_on_die(for_screen(shown, None), to_photo, size_um, size)), more)
        for n, (name, said, shown, to_photo, more)
        in enumerate(zip(names, words, photos, places, notes_of, strict=True))
    ]  # fmt: skip
    refused = [(one.layer.name, one.reason) for one in layers if one.lies is None]
    return ShownLayers(size, size_um, pictures, shapes_of(result, notes), refused)


def words_of(one: LaidLayer) -> str:
    """How a layer lies, in plain words."""
    found = {key: finding.quantity for key, finding in one.findings().items()}
    side = ", seen from the other side and mirrored back" if one.layer.mirrored else ""
    if one.turn:
        return _by_outline(one, found, side)
    share = found["share"].value
    seen = "all of the die" if share > 0.999 else f"{share:.0%} of the die"
    return (
        f"registered to {found['residual'].value:.2g} µm (rms of what is left), turned by"
        f" {_turn(found['rotation'])}{side}; shows {seen}"
    )


def _by_outline(one: LaidLayer, found: Mapping[str, Quantity], side: str) -> str:
    off = found["offset"].expanded
    marks = f", marks by hand {found['marks'].value:.2g} µm" if "marks" in found else ""
    how = "not turned" if one.turn == "not" else f"turned {one.turn}"
    return (
        f"laid by its outline alone, {how}{side}: a place at the rim holds within ± {off:.2g} µm (at"
        f" 95 %); left at the corners {found['residual'].value:.2g} µm{marks} (rms)"
    )


def _turn(rotation: Quantity) -> str:
    number, expanded = rounded(rotation.value, rotation.expanded)
    return f"{number} ± {expanded}°"


def shapes_of(result: DieResult, notes: DieNotes) -> list[Shape]:
    """Outline, pads, regions and a cross for each marking, um from the die's top left corner."""
    width, height = result.width.value, result.height.value

    def path(ring: Sequence[tuple[float, float]]) -> str:
        return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in ring) + "Z"

    out = [("outline", path([(0, 0), (width, 0), (width, height), (0, height)]))]
    out.append(("pads", "".join(path(pad_ring(pad, result.per_px)) for pad in result.pads)))
    out += [(f"region {region.kind}", path(region.corners)) for region in notes.regions]
    arm = max(width, height) * CROSS
    out += [
        ("marking", f"M{x - arm:.2f} {y:.2f}h{2 * arm:.2f}M{x:.2f} {y - arm:.2f}v{2 * arm:.2f}")
        for x, y in (marking.place for marking in notes.markings if marking.place is not None)
    ]
    return [(kind, data) for kind, data in out if data]
