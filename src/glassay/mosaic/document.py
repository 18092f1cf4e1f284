"""What a finished mosaic says of itself in `mosaic.json`, and reading it again beside its picture."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from glassay.errors import Unusable
from glassay.finding import Finding
from glassay.mosaic.lens import Lens, Points
from glassay.mosaic.result import IN_PX, MosaicResult, Place, in_um
from glassay.mosaic_files import NUMBERS
from glassay.quantity import Quantity

DAMAGED = (OSError, ValueError, KeyError, TypeError, AttributeError, IndexError, RecursionError)
"""What reading a damaged file raises."""


@dataclass(frozen=True, eq=False)
class PhotoOfMosaic:
    """One of the photos: its file's name; its border (n, 2) in the mosaic's px, which ends where it
    began, and its place; or None for both, and why it has none."""

    file: str
    border: Points | None
    place: Place | None
    reason: str


@dataclass(frozen=True, eq=False)
class MosaicDocument:
    """All that is shown of a mosaic beside its picture: `size` (width, height) px; `edges` as those of
    a `MosaicResult`; `notes` on what the numbers lean on."""

    size: tuple[int, int]
    pixel_size: Quantity | None
    findings: Mapping[str, Finding]
    photos: Sequence[PhotoOfMosaic]
    edges: Sequence[tuple[int, int, float, int]]
    notes: Sequence[str]

    @property
    def placed(self) -> int:
        """How many photos have a place."""
        return sum(photo.place is not None for photo in self.photos)

    @classmethod
    def read(cls, folder: Path) -> MosaicDocument:
        """That of a folder that a mosaic was written into.

        Raises `Unusable` when there is none, it is damaged, or an earlier version wrote it.
        """
        try:
            data = json.loads((folder / NUMBERS).read_text(encoding="utf-8"))
            return cls._of_data(data)
        except DAMAGED as error:
            raise Unusable(
                f"{folder.name}: {NUMBERS} cannot be read, or an earlier version wrote it"
                f" ({type(error).__name__}); make the mosaic again"
            ) from None

    @classmethod
    def _of_data(cls, data: Mapping[str, Any]) -> MosaicDocument:
        width, height = (int(side) for side in data["picture"]["size"])
        if min(width, height) < 1:
            raise ValueError("an empty picture")
        size = data["picture"]["pixel_size"]
        lenses = data["camera"]
        photos = []
        for number, tile in enumerate(data["tiles"]):
            border, place = None, None
            if tile["matrix"] is not None:
                across, down = (int(side) for side in tile["photo"])
                lens = Lens((down, across), float(lenses["k1"]), float(lenses["k2"]))
                border = lens.border(np.array(tile["matrix"], dtype=np.float64).reshape(2, 3))
                x, y = tile["middle"]
                place = Place(number, float(x), float(y), float(tile["u_middle"]))
            photos.append(
                PhotoOfMosaic(
                    Path(str(tile["file"])).name, border, place, str(tile["reason"] or "")
                )
            )
        numbers = {str(tile["file"]): n for n, tile in enumerate(data["tiles"])}
        edges = [
            (numbers[one["first"]], numbers[one["second"]], float(one["correlation"]),
             int(one["blocks_against_rival"]))
            for one in data["overlaps"]
        ]  # fmt: skip
        findings = {str(k): Finding.from_json(one) for k, one in data["findings"].items()}
        return cls(
            (width, height), None if size is None else Quantity.from_json(size), findings, photos,
            edges, [str(note) for note in data["notes"]],
        )  # fmt: skip


def told_of(result: MosaicResult) -> dict[str, Any]:
    """What a mosaic tells, in px, of photos by their number: where they are and how large a px is
    stands in nothing that was placed."""
    bare = replace(result, pixel_size=None)
    beside = bare.beside()
    places = {place.number: place for place in result.places()}
    photos = {number: lens.shape for number, _, _, lens in result.drawn}
    tiles = []
    for number, one in enumerate(result.where):
        reason = None if one.reason is None else one.reason.replace(str(one.path), one.path.name)
        tile = {"matrix": beside["tiles"][number]["matrix"], "reason": reason}
        place = places.get(number)
        if place is not None:
            height, width = photos[number]
            tile |= {"photo": [width, height], "middle": [place.x, place.y], "u_middle": place.u}
        tiles.append(tile)
    return {
        "size": list(result.size),
        "findings": {key: finding.as_json() for key, finding in bare.findings().items()},
        "camera": beside["camera"], "tiles": tiles,
        "overlaps": [[a, b, round(c, 4), telling] for a, b, c, telling in result.edges],
    }  # fmt: skip


def as_document(
    told: Mapping[str, Any], names: Sequence[str], pixel_size: Quantity | None
) -> dict[str, Any]:
    """The document as it is written: what a mosaic tells, with the `names` of its photos, no two
    alike, and with lengths in um where the size of a px is known."""
    findings = dict(told["findings"])
    if pixel_size is not None:
        for name in ("width", "height"):
            px = Finding.from_json(findings[name])
            findings[name] = Finding(in_um(px.quantity, pixel_size), px.method).as_json()
    size = None if pixel_size is None else pixel_size.as_json()
    return {
        "findings": findings, "camera": told["camera"],
        "tiles": [
            {"file": name, **tile} for name, tile in zip(names, told["tiles"], strict=True)
        ],
        "overlaps": [
            {"first": names[a], "second": names[b], "correlation": c, "blocks_against_rival": telling}
            for a, b, c, telling in told["overlaps"]
        ],
        "picture": {"size": list(told["size"]), "pixel_size": size},
        "notes": [IN_PX] if pixel_size is None else [],
    }  # fmt: skip
