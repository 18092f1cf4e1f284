"""The finest line of a die whose mosaic was reduced to be measured: looked for at full size."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from glassay.die import Outline
from glassay.die.finest import Finest, find_finest
from glassay.die.stripes import find_stripes
from glassay.imaging import Photo
from glassay.imaging.tone import FloatImage
from glassay.mosaic.store import MosaicLevel, MosaicTiles
from glassay.mosaic_files import PICTURE

Array = npt.NDArray[np.float64]

PIECE_PX = 1024
"""Side of a piece, px of the mosaic: many times the length that a line must have to count."""

MOST_PX = 40_000_000
"""Of a die of more px only its most finely drawn pieces are looked at: a megapixel takes a second of a
processor, so that a sheet comes within a minute more."""

SMOOTHED_PX = 1.0
"""Noise from px to px is smoothed by so much before pieces are ranked, standard deviation."""

Piece = tuple[int, int, int, int]
"""Left, top, width and height of a part of a die, px of the mosaic from the die's top left corner."""


@dataclass(frozen=True)
class _Whole:
    """A mosaic at full size, the die's outline in its reduced picture, how many px across one of that
    picture's is, and whether that is measured in its green channel."""

    level: MosaicLevel
    outline: Outline
    reduced: int
    is_green: bool

    def pieces(self) -> Iterator[Piece]:
        """Parts of the die that together are all of it."""
        columns, rows = (
            np.linspace(0, px, max(1, round(px / PIECE_PX)) + 1).astype(int).tolist()
            for side in (self.outline.width, self.outline.height)
            if (px := math.floor(side.value * self.reduced))
        )
        for top, bottom in itertools.pairwise(rows):
            for left, right in itertools.pairwise(columns):
                yield left, top, right - left, bottom - top

    def seen_at(self, points: Array) -> Array:
        """Where points of the die, px of the mosaic, lie in the mosaic; (..., 2)."""
        seen = self.outline.to_photo(points / self.reduced).reshape(points.shape)
        return np.asarray((seen + 0.5) * self.reduced - 0.5)

    def around(self, at: Array) -> tuple[FloatImage, Array]:
        """The part of the mosaic that holds such places, linear light, and its top left corner."""
        low = np.maximum(0, np.floor(at.reshape(-1, 2).min(axis=0)).astype(int) - 2)
        high = np.ceil(at.reshape(-1, 2).max(axis=0)).astype(int) + 3
        photo = Photo(Path(), self.level.part(*low.tolist(), *(high - low).tolist()), "srgb")
        return photo.linear_channel(1) if self.is_green else photo.linear_grey(), low

    def levelled(self, piece: Piece) -> FloatImage:
        """A piece of the die laid level, px by px."""
        left, top, width, height = piece
        across, down = left + np.arange(width) + 0.5, top + np.arange(height) + 0.5
        at = self.seen_at(np.stack(np.meshgrid(across, down), axis=-1))
        grey, corner = self.around(at)
        x, y = np.moveaxis((at - corner).astype(np.float32), -1, 0)
        return np.asarray(
            cv2.remap(grey, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.float32
        )

    def fineness(self, piece: Piece) -> float:
        """How steeply changes of light change in a piece: contrast times the square of how often."""
        left, top, width, height = piece
        grey, _ = self.around(self.seen_at(np.array([[left, top], [left + width, top + height]])))
        bends = cv2.Laplacian(cv2.GaussianBlur(grey, (0, 0), SMOOTHED_PX), cv2.CV_32F)
        return float(np.sqrt(np.mean(bends**2)))


def finest_at_full_size(
    mosaic: Path, outline: Outline, reduced: int, is_green: bool, most_px: int = MOST_PX
) -> Finest:
    """The finest line, space and pitch of a die, in px of its reduced picture.

    `mosaic` is the folder that holds it at full size, `outline` the die's in a picture of it of which a
    px is `reduced` px across, `is_green` whether that is measured in its green channel. Of a die of
    more than `most_px` px so many are looked at, those that are drawn most finely; what share of the
    die that is goes with it. Raises `Unusable` where parts of the mosaic are lost.
    """
    whole = _Whole(MosaicTiles(mosaic / PICTURE).levels[0], outline, reduced, is_green)
    pieces = list(whole.pieces())
    px = {piece: piece[2] * piece[3] for piece in pieces}
    if sum(px.values()) > most_px:
        pieces.sort(
            key={piece: whole.fineness(piece) for piece in pieces}.__getitem__, reverse=True
        )
        up_to = np.cumsum([px[piece] for piece in pieces])
        pieces = pieces[: max(1, int(np.searchsorted(up_to, most_px, "right")))]
    stripes = find_stripes(*map(whole.levelled, pieces))
    seen = sum(px[piece] for piece in pieces) / sum(px.values())
    return find_finest(stripes).reduced(reduced, seen)
