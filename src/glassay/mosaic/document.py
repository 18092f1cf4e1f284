"""What a finished mosaic says of itself in `mosaic.json`, and reading it again beside its picture."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from glassay.errors import Unusable
from glassay.finding import Finding
from glassay.mosaic.lens import Lens, Points
from glassay.mosaic.result import MosaicResult, Place
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


def as_data(result: MosaicResult) -> dict[str, Any]:
    """The document as it is written: the findings, what stands beside them, and the picture's size."""
    beside = result.beside()
    places = {place.number: place for place in result.places()}
    photos = {number: lens.shape for number, _, _, lens in result.drawn}
    for number, tile in enumerate(beside["tiles"]):
        place = places.get(number)
        if place is not None:
            height, width = photos[number]
            tile |= {"photo": [width, height], "middle": [place.x, place.y], "u_middle": place.u}
    size = result.pixel_size
    return {
        "findings": {key: finding.as_json() for key, finding in result.findings().items()},
        **beside,
        "picture": {"size": list(result.size), "pixel_size": None if size is None else size.as_json()},
        "notes": [note for note in result.notes if note not in result.left_out],
    }  # fmt: skip
