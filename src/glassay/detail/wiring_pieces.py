"""Short pieces of straight edges in crowded wiring, each with the parallel edges beside it.

A chip's wires are crossed every few px, so that few edges have the room that a single edge
needs. Between two crossings, though, the picture depends on the place across the wires alone: a
flight of steps, each at an unknown place and of an unknown height. Such pieces are found here;
what they tell is in `wiring_fit`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.detail.edge_clearing import Rejected
from glassay.detail.edge_finding import Candidate, find_candidates
from glassay.detail.edge_line import EdgeLine
from glassay.detail.edge_spline import Float
from glassay.imaging.tone import FloatImage

SHORTEST_PX, LONGEST_PX = 9.0, 40.0
"""Length of a piece. Shorter ones are as often blobs as edges; longer ones are cut, so that one long
wire does not speak for the picture, and an arc of 2000 px radius, more than lenses bend a line,
leaves it by 0.1 px."""

MOST_PIECES = 180
"""Candidates that are looked at; each costs several ms."""

TILE_PX, TILES = 340, (3, 4)
"""A large photo is searched at full size in so many tiles (rows, columns), where its detail is
strongest; about a megapixel in all."""

REACH_PX = 60
"""How far to either side of a piece the layout of its neighbours is looked at."""

WIDTHS, LEAST_HALF_PX, MOST_HALF_PX = 3.0, 5.0, 40.0
"""Half width of the window in 10-90 % widths of the rise, and its bounds, px."""

NEIGHBOUR = 0.05
"""Height of a neighbouring edge's slope, in that of the main one, from which it enters the
model."""

MOST_EDGES = 9
"""Edges in the window beyond which a piece is too crowded to be told apart."""

STRAY = 0.12
"""How far rows may stray from the piece's median profile, as a share of its steps: more is a
crossing."""

SEARCH_PX = 4
"""How far from the detected segment its edge may lie."""


@dataclass(frozen=True)
class Piece:
    """Pixels of one piece: places across and along (px, 0 at its middle), light, and the first
    guess.

    `places` are the edges' places across, the main one's first; `line` is that one in px of the
    photo; `width` the rough 10-90 % width of its rise, `step` its height. `rows` and `columns`
    are where the pixels lie in the photo.
    """

    line: EdgeLine
    length: float
    across: Float
    along: Float
    value: Float
    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    places: Float
    width: float
    step: float

    @property
    def room(self) -> float:
        """Distance from the main edge to the next one, in its widths; infinite where it is
        alone."""
        return float(np.abs(self.places[1:] - self.places[0]).min(initial=math.inf)) / self.width


def find_pieces(
    image: FloatImage,
    full: npt.NDArray[np.bool_] | None,
    is_wanted: Callable[[EdgeLine, float], bool] = lambda *_: True,
) -> list[Piece]:
    """The pieces of a linear-light `image` (height, width) that can be modelled.

    `full` marks pixels at full scale (by default those of 1 and above), which no piece may hold.
    """
    tiles = _tiles(image)
    area = sum(w * h for _, _, w, h in tiles)
    return [
        piece for x, y, w, h in tiles
        for piece in _in_tile(image, full, (x, y, w, h), MOST_PIECES * w * h // area, is_wanted)
    ]  # fmt: skip


def _in_tile(
    image: FloatImage, full: npt.NDArray[np.bool_] | None, box: tuple[int, int, int, int],
    limit: int, is_wanted: Callable[[EdgeLine, float], bool],
) -> list[Piece]:  # fmt: skip
    x, y, w, h = box
    tile = np.ascontiguousarray(image[y : y + h, x : x + w])
    lost = tile >= 1.0 if full is None else full[y : y + h, x : x + w]
    found = []
    for one in find_candidates(
        tile, max(limit, 8), lambda line, length: is_wanted(_moved(line, x, y), length),
        shortest=SHORTEST_PX, longest=LONGEST_PX,
    ):  # fmt: skip
        try:
            found.append(_piece(tile, lost, one, (x, y)))
        except Rejected:
            continue
    return found


def _tiles(image: FloatImage) -> list[tuple[int, int, int, int]]:
    """x, y, width, height of the parts that are searched."""
    height, width = image.shape
    rows, columns = TILES
    if image.size <= 1.2 * rows * columns * TILE_PX**2:
        return [(0, 0, width, height)]
    small = image[::2, ::2]
    busy = np.abs(np.diff(small, axis=1))[:-1] + np.abs(np.diff(small, axis=0))[:, :-1]
    side = TILE_PX // 2
    # Sum over the tile whose upper left corner a pixel is.
    busy = cv2.boxFilter(busy, -1, (side, side), anchor=(0, 0), borderType=cv2.BORDER_CONSTANT)
    tiles = []
    for row in range(rows):
        for column in range(columns):
            y0, y1 = _corners(row, rows, height)
            x0, x1 = _corners(column, columns, width)
            part = busy[y0 // 2 : y1 // 2 + 1, x0 // 2 : x1 // 2 + 1]
            j, i = np.unravel_index(int(np.argmax(part)), part.shape)
            x, y = x0 + 2 * int(i), y0 + 2 * int(j)
            tiles.append((x, y, min(TILE_PX, width - x), min(TILE_PX, height - y)))
    return tiles


def _corners(number: int, count: int, side: int) -> tuple[int, int]:
    """First and last place where a tile of this part of a side may begin."""
    first = side * number // count
    return first, max(first, side * (number + 1) // count - TILE_PX)


def _moved(line: EdgeLine, x: float, y: float) -> EdgeLine:
    return EdgeLine(line.x + x, line.y + y, line.normal, line.bow)


def _piece(
    image: FloatImage, lost: npt.NDArray[np.bool_], one: Candidate, origin: tuple[int, int]
) -> Piece:
    patch = _straightened(image, one)
    profile = np.median(patch, axis=0)
    place, width, slope = _main_rise(profile)
    half = float(np.clip(WIDTHS * width + 2, LEAST_HALF_PX, MOST_HALF_PX))
    first, last = _even_rows(patch, profile, place, half)
    patch = patch[first:last]
    profile = np.median(patch, axis=0)
    place, width, slope = _main_rise(profile)
    half = float(np.clip(WIDTHS * width + 2, LEAST_HALF_PX, MOST_HALF_PX))
    places = _edges_near(slope, place, half + 1.2 * width)
    middle = (first + last - 1) / 2 - (round(max(one.length, 3)) - 1) / 2
    cos, sin = math.cos(one.line.normal), math.sin(one.line.normal)
    line = EdgeLine(
        one.line.x + place * cos - middle * sin, one.line.y + place * sin + middle * cos,
        one.line.normal,
    )  # fmt: skip
    length = float(last - first)
    across, along, rows, columns = _pixels(image, lost, line, half, length)
    step = abs(float(np.interp(place + 0.7 * width, _axis(), profile)
                     - np.interp(place - 0.7 * width, _axis(), profile)))  # fmt: skip
    return Piece(
        _moved(line, *origin), length, across, along, image[rows, columns].astype(np.float64),
        rows + origin[1], columns + origin[0], places - place, width, step,
    )  # fmt: skip


def _axis() -> Float:
    return np.arange(-REACH_PX, REACH_PX + 1, dtype=np.float64)


def _straightened(image: FloatImage, one: Candidate) -> FloatImage:
    line, rows = one.line, max(round(one.length), 3)
    cos, sin, middle = (
        math.cos(line.normal),
        math.sin(line.normal),
        (max(round(one.length), 3) - 1) / 2,
    )
    to_image = np.array([
        [cos, -sin, line.x - REACH_PX * cos + middle * sin],
        [sin, cos, line.y - REACH_PX * sin - middle * cos],
    ])  # fmt: skip
    patch = cv2.warpAffine(
        image, to_image, (2 * REACH_PX + 1, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip
    return np.asarray(patch, dtype=np.float32)


def _main_rise(profile: FloatImage) -> tuple[float, float, Float]:
    """Place (px from the middle), rough 10-90 % width, and the slope of the whole profile."""
    slope = np.gradient(np.convolve(profile, [0.25, 0.5, 0.25], "same"))
    slope[:2] = slope[-2:] = 0.0
    near = slice(REACH_PX - SEARCH_PX, REACH_PX + SEARCH_PX + 1)
    peak = REACH_PX - SEARCH_PX + int(np.argmax(slope[near]))
    if not slope[peak] > 0 or slope[peak - 1] > slope[peak] or slope[peak + 1] > slope[peak]:
        raise Rejected("no edge")
    half = 0.5 * slope[peak]
    ends = []
    for side in (-1, 1):
        k = peak
        while 1 < k < len(slope) - 2 and slope[k] > half:
            k += side
        ends.append(k - side * (half - slope[k]) / max(slope[k - side] - slope[k], 1e-12))
    a, b, c = slope[peak - 1 : peak + 2]
    place = peak + 0.5 * (a - c) / min(a - 2 * b + c, -1e-12) - REACH_PX
    # Full width at half maximum of a Gaussian's derivative is 2.355 sigma, 10-90 % are 2.563 sigma.
    return float(place), float(max(1.09 * (ends[1] - ends[0]), 1.2)), np.asarray(slope, np.float64)


def _even_rows(
    patch: FloatImage, profile: FloatImage, place: float, half: float
) -> tuple[int, int]:
    """First and last + 1 of the longest run of rows that show the same profile."""
    window = np.abs(_axis() - place) <= half + 1
    stray = cv2.blur(patch[:, window] - profile[window], (3, 3))
    limit = STRAY * float(np.ptp(profile[window]))
    even = np.abs(stray).max(axis=1) < limit
    ends = np.flatnonzero(np.diff(np.concatenate([[0], even.astype(np.int8), [0]])))
    if not ends.size:
        raise Rejected("crossed by other structure")
    runs = ends.reshape(-1, 2)
    first, last = (int(v) for v in runs[np.argmax(runs[:, 1] - runs[:, 0])])
    # What crosses the piece reaches into its last rows.
    first, last = first + (first > 0), last - (last < len(patch))
    if last - first < SHORTEST_PX - 2:
        raise Rejected("crossed by other structure")
    return first, last


def _edges_near(slope: Float, place: float, reach: float) -> Float:
    from scipy.signal import find_peaks  # scipy.stats comes with it: a second of loading

    main = float(np.interp(place, _axis(), slope))
    found = [
        k for sign in (1, -1)
        for k in find_peaks(sign * slope, height=NEIGHBOUR * main, prominence=NEIGHBOUR * main)[0]
    ]  # fmt: skip
    at = np.sort(np.array([float(k) - REACH_PX for k in found]))
    at = at[(np.abs(at - place) <= reach) & (np.abs(at - place) > 1.5)]
    if len(at) + 1 > MOST_EDGES:
        raise Rejected("too crowded")
    return np.concatenate([[place], at])


def _pixels(
    image: FloatImage, lost: npt.NDArray[np.bool_], line: EdgeLine, half: float, length: float
) -> tuple[Float, Float, npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    cos, sin = abs(math.cos(line.normal)), abs(math.sin(line.normal))
    reach_x, reach_y = half * cos + length / 2 * sin + 1, half * sin + length / 2 * cos + 1
    x0, x1 = max(0, int(line.x - reach_x)), min(image.shape[1], int(line.x + reach_x) + 2)
    y0, y1 = max(0, int(line.y - reach_y)), min(image.shape[0], int(line.y + reach_y) + 2)
    x, y = np.meshgrid(np.arange(x0, x1, dtype=np.float64), np.arange(y0, y1, dtype=np.float64))
    across, along = line.distances(x, y)
    inside = (np.abs(along) <= length / 2) & (np.abs(across) <= half)
    rows, columns = y[inside].astype(np.intp), x[inside].astype(np.intp)
    if lost[rows, columns].any() or (image[rows, columns] <= 0).mean() > 0.02:
        raise Rejected("clipped")
    if len(rows) < 1.2 * half * length:
        raise Rejected("too close to the border")
    return across[inside], along[inside], rows, columns
