"""The map as it grows: the detail of all tiles laid on one sheet, and what of it is known."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from glassay.mosaic.live.picture import Bytes, Floats, Place, View

MARGIN_PX = 64
"""By how much more than asked the sheet grows at once."""
EDGE_PX = 2
"""Border of a tile that is not laid on the sheet: it was evened by half of its surroundings."""

Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""


@dataclass(frozen=True, eq=False)
class Piece:
    """A piece of the sheet: `detail`, 0 where nothing is known, `known` 0 or 1; its first px is
    (left, top) of the map."""

    detail: Floats
    known: Bytes
    left: int
    top: int


class Chart:
    """A sheet in working px that grows to all sides. What is laid first stays on top."""

    def __init__(self) -> None:
        self._left = self._top = 0
        self._laid: Box | None = None  # of all tiles, px of the map
        self.detail: Floats = np.zeros((0, 0), np.float32)
        self.known: Bytes = np.zeros((0, 0), np.uint8)
        self.sharp: Bytes = np.zeros((0, 0), np.uint8)

    @property
    def box(self) -> tuple[int, int, int, int]:
        """Left, top, right, bottom of the sheet in px of the map."""
        height, width = self.known.shape
        return self._left, self._top, self._left + width, self._top + height

    def lay(self, view: View, place: Place, *, soft: bool = False) -> None:
        """Lay a tile where nothing is known yet; `soft` ones do not count as sharp."""
        height, width = view.detail.shape
        reach = 0.5 * float(np.hypot(height, width)) + 2
        self._grow(place.x - reach, place.y - reach, place.x + reach, place.y + reach)
        x0, y0 = int(place.x - reach) - self._left, int(place.y - reach) - self._top
        side = 2 * int(reach) + 3
        rows = slice(max(0, y0), min(y0 + side, self.known.shape[0]))
        columns = slice(max(0, x0), min(x0 + side, self.known.shape[1]))
        self._laid = _around(self._laid, place, (width, height))
        size = (columns.stop - columns.start, rows.stop - rows.start)
        matrix = place.matrix((width, height))
        matrix[:, 2] -= (self._left + columns.start, self._top + rows.start)
        inner = np.zeros((height, width), np.uint8)
        inner[EDGE_PX:-EDGE_PX, EDGE_PX:-EDGE_PX] = 1
        mask = cv2.warpAffine(inner, matrix, size, flags=cv2.INTER_NEAREST)
        detail = cv2.warpAffine(view.detail, matrix, size, borderMode=cv2.BORDER_REPLICATE)
        new = (mask > 0) & (self.known[rows, columns] == 0)
        self.detail[rows, columns][new] = detail[new]
        self.known[rows, columns][new] = 1
        if not soft:
            self.sharp[rows, columns] |= np.asarray(mask, np.uint8)

    def _grow(self, left: float, top: float, right: float, bottom: float) -> None:
        x0, y0, x1, y1 = self.box
        if not self.known.size:
            x0 = x1 = int(left)
            y0 = y1 = int(top)
        lacks = (max(0, x0 - int(left)), max(0, y0 - int(top)),
                 max(0, int(right) + 2 - x1), max(0, int(bottom) + 2 - y1))  # fmt: skip
        if not any(lacks):
            return
        more = [n + MARGIN_PX if n else 0 for n in lacks]
        pad = ((more[1], more[3]), (more[0], more[2]))
        if not self.known.size:
            shape = (more[1] + more[3], more[0] + more[2])
            self.detail = np.zeros(shape, np.float32)
            self.known, self.sharp = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
        else:
            self.detail = np.pad(self.detail, pad)
            self.known, self.sharp = np.pad(self.known, pad), np.pad(self.sharp, pad)
        self._left, self._top = x0 - more[0], y0 - more[1]

    def piece(self, left: int, top: int, width: int, height: int) -> Piece:
        """A piece of the sheet, also beyond its ends."""
        detail = np.zeros((height, width), np.float32)
        known = np.zeros((height, width), np.uint8)
        x0, y0, x1, y1 = self.box
        a, b = max(left, x0), max(top, y0)
        c, d = min(left + width, x1), min(top + height, y1)
        if a < c and b < d:
            there = (slice(b - top, d - top), slice(a - left, c - left))
            here = (slice(b - y0, d - y0), slice(a - x0, c - x0))
            detail[there], known[there] = self.detail[here], self.known[here]
        return Piece(detail, known, left, top)

    def seen_at(self, place: Place, size: tuple[int, int]) -> tuple[Floats, Bytes]:
        """Detail and known as a frame of `size` (width, height) at `place` would see them."""
        return self.detail_at(place, size), self.known_at(place, size)

    def detail_at(self, place: Place, size: tuple[int, int]) -> Floats:
        """Detail as a frame of `size` (width, height) at `place` would see it."""
        seen = np.zeros((size[1], size[0]), np.float32)
        self._warp(self.detail, place, seen, cv2.INTER_LINEAR)
        return seen

    def known_at(self, place: Place, size: tuple[int, int]) -> Bytes:
        """What is known of a frame of `size` (width, height) at `place`: 0 or 1."""
        seen = np.zeros((size[1], size[0]), np.uint8)
        self._warp(self.known, place, seen, cv2.INTER_NEAREST)
        return seen

    def _warp(self, sheet: Floats | Bytes, place: Place, into: Floats | Bytes, how: int) -> None:
        size = (into.shape[1], into.shape[0])
        x0, y0, x1, y1 = self._reaches(place, size)
        if x0 < x1 and y0 < y1:
            matrix = place.matrix(size)
            matrix[:, 2] += matrix[:, :2] @ (x0, y0) - (self._left, self._top)
            part, flags = (x1 - x0, y1 - y0), cv2.WARP_INVERSE_MAP | how
            into[y0:y1, x0:x1] = cv2.warpAffine(sheet, matrix, part, flags=flags)

    def _reaches(self, place: Place, size: tuple[int, int]) -> tuple[int, int, int, int]:
        """Left, top, right, bottom of the part of a frame beyond which it lies beside all tiles."""
        if self._laid is None:
            return 0, 0, 0, 0
        left, top, right, bottom = self._laid
        corners = np.array([(left, top), (right, top), (left, bottom), (right, bottom)])
        matrix = place.matrix(size)
        seen = (corners - matrix[:, 2]) @ matrix[:, :2]  # a turn: its inverse is its transpose
        x0, y0 = np.floor(seen.min(axis=0)).astype(int) - 1
        x1, y1 = np.ceil(seen.max(axis=0)).astype(int) + 2
        return max(0, int(x0)), max(0, int(y0)), min(size[0], int(x1)), min(size[1], int(y1))

    def sharp_share(self, place: Place, size: tuple[int, int]) -> float:
        """How much of a frame at `place` is on the map already, and sharp."""
        matrix = place.matrix(size)
        matrix[:, 2] -= (self._left, self._top)
        flags = cv2.WARP_INVERSE_MAP | cv2.INTER_NEAREST
        return float(cv2.warpAffine(self.sharp, matrix, size, flags=flags).mean())


def _around(box: Box | None, place: Place, size: tuple[int, int]) -> Box:
    """The box with a tile of `size` (width, height) in it as well."""
    width, height = size
    corners = np.array([(x, y, 1) for x in (0, width - 1) for y in (0, height - 1)])
    on_map = corners @ place.matrix(size).T
    if box is not None:
        on_map = np.concatenate([on_map, np.reshape(box, (2, 2))])
    (left, top), (right, bottom) = on_map.min(axis=0), on_map.max(axis=0)
    return float(left), float(top), float(right), float(bottom)


def chart_of(tiles: Iterable[tuple[View, Place, bool]]) -> Chart:
    """A sheet of all tiles (view, place, soft), the sharp ones on top."""
    made = Chart()
    for view, place, soft in sorted(tiles, key=lambda one: one[2]):
        made.lay(view, place, soft=soft)
    return made
