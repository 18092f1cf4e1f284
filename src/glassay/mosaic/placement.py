"""Where the photos of a mosaic lie, kept: all that drawing it and telling of it needs, as plain data.

Placing takes longer than drawing; what was placed once is drawn from this, to the same bytes.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.errors import Unusable
from glassay.mosaic.document import DAMAGED, told_of
from glassay.mosaic.lens import Lens
from glassay.mosaic.picture import Placed, depth_of
from glassay.mosaic.result import MosaicResult

SOFT_SHARE = 0.7
"""Sharpness, against the set's median, below which a tile is shown only where it must be."""
SOFT_PREFERENCE = 0.25
"""Its distance from its border counts a quarter where seams are laid: a sharp tile beside it is shown
until its own border is four times as near."""


@dataclass(frozen=True, eq=False)
class Placement:
    """A placed mosaic: what it tells, without names and scale (`told_of`); its tiles ready to be drawn,
    each with its number among the photos; and whether they are of 16 bits."""

    told: Mapping[str, Any]
    drawn: tuple[tuple[int, Placed], ...]
    deep: bool

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, px."""
        width, height = self.told["size"]
        return int(width), int(height)

    @property
    def tiles(self) -> list[Placed]:
        """The tiles, in the order in which they are drawn."""
        return [tile for _, tile in self.drawn]

    @classmethod
    def of(cls, result: MosaicResult) -> Placement:
        """That of photos that were placed just now."""
        numbers = [number for number, *_ in result.drawn]
        deep = any(tile.deep for _, tile, _, _ in result.drawn)
        return cls(told_of(result), tuple(zip(numbers, drawn_tiles(result), strict=True)), deep)

    def as_data(self) -> dict[str, Any]:
        """It as data that JSON holds without loss, and without any file's name."""
        return {
            "told": dict(self.told), "deep": self.deep,
            "shading": self.drawn[0][1].shading.tolist(),
            "drawn": [
                {"number": number, "sha256": tile.digest, "tone": tile.tone, "cell": tile.cell,
                 "gain": tile.gain.tolist(), "preference": tile.preference,
                 "shape": list(tile.depth.shape), "shows": _packed(tile.depth > 0)}
                for number, tile in self.drawn
            ],
        }  # fmt: skip

    @classmethod
    def read(cls, data: Any, paths: Sequence[Path], digests: Sequence[str]) -> Placement:
        """The inverse. `digests` are the SHA-256 of the photos as they are now.

        Raises `Unusable` where the data is damaged, or is of other photos."""
        try:
            told = data["told"]
            camera = told["camera"]
            shading = np.array(data["shading"], dtype=np.float32)
            if len(told["tiles"]) != len(paths) or len(digests) != len(paths):
                raise Unusable("the photos are others than those that were placed")
            drawn = []
            for one in data["drawn"]:
                number = int(one["number"])
                if one["sha256"] != digests[number]:
                    raise Unusable(f"{paths[number].name} is not what it was when it was placed")
                tile = told["tiles"][number]
                across, down = (int(side) for side in tile["photo"])
                placed = Placed(
                    paths[number], str(one["sha256"]), one["tone"],
                    np.array(tile["matrix"], dtype=np.float64).reshape(2, 3),
                    Lens((down, across), float(camera["k1"]), float(camera["k2"])),
                    np.array(one["gain"], dtype=np.float64), shading,
                    depth_of(_unpacked(one["shows"], one["shape"])), int(one["cell"]),
                    float(one["preference"]),
                )  # fmt: skip
                drawn.append((number, placed))
            if not drawn:
                raise ValueError("no tile has a place")
            return cls(told, tuple(drawn), bool(data["deep"]))
        except DAMAGED as error:
            raise Unusable(f"the places cannot be read ({type(error).__name__})") from None


def _packed(shows: npt.NDArray[np.bool_]) -> str | None:
    """Which cells show the object, a bit each; None where all do."""
    return None if shows.all() else base64.b64encode(np.packbits(shows).tobytes()).decode()


def _unpacked(packed: str | None, shape: Sequence[int]) -> npt.NDArray[np.bool_]:
    high, wide = (int(side) for side in shape)
    if packed is None:
        return np.ones((high, wide), dtype=np.bool_)
    bits = np.unpackbits(np.frombuffer(base64.b64decode(packed), dtype=np.uint8))
    return np.asarray(bits[: high * wide].reshape(high, wide), dtype=np.bool_)


def drawn_tiles(result: MosaicResult) -> list[Placed]:
    """The placed tiles with what drawing them needs."""
    usual = float(np.median([tile.sharpness for _, tile, _, _ in result.drawn]))
    out = []
    for place, (_, tile, matrix, lens) in enumerate(result.drawn):
        soft = tile.sharpness < SOFT_SHARE * usual
        out.append(Placed(
            tile.path, tile.digest, tile.tone, matrix, lens, np.exp(-result.light.gains[place]),
            result.light.shading.astype(np.float32), depth_of(tile.valid), tile.cell,
            SOFT_PREFERENCE if soft else 1.0,
        ))  # fmt: skip
    return out
