"""Lateral chromatic displacement: how far red and blue edges lie from the green ones.

A lens magnifies colours a little differently, so that edges away from the axis get coloured fringes.
In small pieces of the photo red (blue) is fitted by green, its Laplacian (the colours are not
equally sharp) and its gradient; the gradient's share is the displacement across the edges there
(the gradient equation of Lucas and Kanade 1981, with gain, offset and blur left free). A field that
a lens can have is laid through all pieces, each weighing as much as its edges tell, in the
directions in which they tell it:

    displacement = shift + s r + k r^2 r (along the radius) + t r (across it)

Positive radial parts mean that the colour lies further out than green (ISO 19084 states
displacements against green and in parts along and across the radius; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.field.colour_result import PLAIN, ColourField, LateralColour, Processing, basis
from glassay.field.distortion import LEAST_REACH
from glassay.fitting import block_mean, scatter
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity

Array = npt.NDArray[np.float64]


SMOOTHING_PX = (4.0, 2.5)
"""Gaussians of the passes. The first catches displacements of some px; the last is wide enough that
chroma stored at half resolution (most JPEGs) still carries the displacement: with 1.5 px it came
out 30 % short there, with 2.5 px 5 to 8 %, and the scatter hardly grows."""
PIECES = 12
"""Pieces along the longer side: the field of a lens changes over many of them."""
EDGE_SHARE = 0.2
"""Gradients below this share of the strongest (99.5th percentile) are no edges but noise."""
EDGE_DEVIATIONS = 8.0
EDGE_STEEPNESS = 0.015
"""Least gradient of an edge after smoothing, shares of the mean light a px: that of an edge of 10 %
contrast. Shading and reflections of lamps are smoother."""
LEAST_EDGE_PX = 40
LEAST_PIECES = 6
COLOURLESS = 0.02
"""Mean light of a colour below which nothing can be told of it, as a share of green's."""
BARE_RESIDUAL = 0.002
"""A colour that differs from green by less than this share of its own spread, in a compressed file,
was not stored there: chroma rounded to nothing gives 1e-5, chroma that is there 0.03 and more."""
MOST_BARE = 0.1
"""Share of such pieces above which the photo is refused: what is left would speak for the rest."""
LEAST_LIKENESS = 0.9
"""Least correlation of a colour with green (gain, offset and blur fitted) in a piece that counts."""
MOST_PIXELS = 3_000_000
"""Larger photos are averaged over blocks first: 3 million px fix a lens' field to 0.01 px."""


COMPRESSED = Processing(0.08, 0.2)
"""Chroma at half resolution and coarsely rounded (JPEG): simulated grids and dots at qualities 75
and 92 came out 3 to 6 % short where displacements were about 1 px; of 0.35 px all was left at
quality 92, half at 80 and nothing at 70."""
USUAL_PX = (1.0, 1.0, 5.0, 0.3, 1.0)
"""What shift x, shift y, s, t, k may be before anything is measured, px at the corner (common
practice, no source): keeps what a ruled scale, with edges in one direction, cannot tell, bounded."""


def measure_lateral_colour(
    light: FloatImage,
    *,
    pixel_size: Quantity | None = None,
    full: npt.NDArray[np.bool_] | None = None,
    compressed: bool = False,
    notes: tuple[str, ...] = (),
) -> LateralColour:
    """Measure red and blue against green in `light`, (height, width, 3) in linear light.

    Edges of any kind serve, best a grid or a ruled scale that fills the field; `full` marks clipped
    px, which are left out; `compressed` says that the file is lossy (JPEG, HEIC). Raises
    NotMeasurable for grey photos, photos without edges or with edges near the middle only, and where
    colours have too little in common.
    """
    if light.ndim != 3:
        raise NotMeasurable("the photo is grey: it has no colours to compare")
    means = [float(light[..., k].mean()) for k in range(3)]
    if min(means) <= COLOURLESS * max(means):
        raise NotMeasurable("a colour channel is nearly black: colours cannot be compared")
    if all(np.array_equal(light[..., 1], light[..., k]) for k in (0, 2)):
        raise NotMeasurable("the three channels are equal: the photo is grey stored as colour")
    factor = math.ceil(math.sqrt(light[..., 0].size / MOST_PIXELS))
    small = block_mean(light, factor)
    lost: npt.NDArray[np.uint8] | None = None
    if full is not None and full.any():
        reduced = block_mean(full.astype(np.float32), factor) > 0
        lost = np.asarray(
            cv2.dilate(reduced.astype(np.uint8), np.ones((9, 9), np.uint8)), dtype=np.uint8
        )
    planes = [np.ascontiguousarray(small[..., k]) for k in range(3)]
    greens = [_look_at_green(planes[1], sigma, lost) for sigma in SMOOTHING_PX]
    (red, red_places, red_seen), (blue, blue_places, blue_seen) = (
        _enlarged(
            _follow(planes[k], greens, compressed), factor, COMPRESSED if compressed else PLAIN
        )
        for k in (0, 2)
    )
    half = math.hypot(*light.shape[:2]) / 2
    reach = min(float(np.hypot(*places.T).max()) for places in (red_places, blue_places))
    if reach < LEAST_REACH:
        raise NotMeasurable(
            f"edges reach only {reach:.0%} of the way to the corner: fill the field with the object"
        )
    middle = np.array([(light.shape[1] - 1) / 2, (light.shape[0] - 1) / 2])
    if reach < 0.75:
        notes = (*notes, f"edges reach {reach:.0%} of the way to the corner, which is extrapolated")
    return LateralColour(
        shape=(light.shape[0], light.shape[1]), red=red, blue=blue,
        red_places=red_places * half + middle, blue_places=blue_places * half + middle,
        red_px=red_seen, blue_px=blue_seen,
        reach=reach, pixel_size=pixel_size, notes=notes,
    )  # fmt: skip


def _enlarged(
    found: tuple[ColourField, Array, Array], factor: int, processing: Processing
) -> tuple[ColourField, Array, Array]:
    """From px of the averaged picture to those of the photo."""
    field, places, seen = found
    whole = ColourField(field.terms * factor, field.covariance * factor**2, processing)
    return whole, places, seen * factor


@dataclass(frozen=True)
class _Piece:
    """What one piece tells: `information` (2, 2) of the displacement, px^-2, and its product with
    it; `place` from the middle in half diagonals."""

    place: Array
    information: Array
    pull: Array
    is_bare: bool = False


@dataclass(frozen=True)
class _Green:
    """Green smoothed by `sigma`, its slopes and Laplacian, and the pieces with edges: what part of
    the picture, which of its px, and where these lie on average, from the middle in half diagonals.
    """

    sigma: float
    soft: FloatImage
    gx: FloatImage
    gy: FloatImage
    bend: FloatImage
    parts: tuple[tuple[tuple[slice, slice], npt.NDArray[np.bool_], Array], ...]


def _follow(
    plane: FloatImage, greens: Sequence[_Green], compressed: bool
) -> tuple[ColourField, Array, Array]:
    """Fit the field of one colour in passes, each after moving the colour back by the last.

    Returns the field, and places (n, 2) and displacements (n, 2) of the pieces behind it.
    """
    field = ColourField(np.zeros(5), np.diag(np.square(USUAL_PX)))
    pieces: list[_Piece] = []
    for number, green in enumerate(greens):
        pieces = _pieces(green, plane if number == 0 else _moved_back(plane, field))
        if compressed:
            _refuse_bare(pieces)
        if len(pieces) < LEAST_PIECES:
            raise NotMeasurable(
                f"only {len(pieces)} parts of the photo have edges in which colours can be compared"
            )
        field, pieces = _fit(pieces, field)
    places = np.array([piece.place for piece in pieces])
    return field, places, np.array([_measured(piece) for piece in pieces])


def _refuse_bare(pieces: Sequence[_Piece]) -> None:
    bare = sum(piece.is_bare for piece in pieces)
    if bare > MOST_BARE * len(pieces):
        raise NotMeasurable(
            f"compression took the colour of fine edges away ({bare} of {len(pieces)} parts have"
            " none): photograph it at a higher quality"
        )


def _moved_back(plane: FloatImage, field: ColourField) -> FloatImage:
    height, width = plane.shape
    half = math.hypot(height, width) / 2
    y, x = np.mgrid[:height, :width].astype(np.float32)
    dx = (x - (width - 1) / 2) / half
    dy = (y - (height - 1) / 2) / half
    sx, sy, s, t, k = (np.float32(v) for v in field.terms)
    radial = s + k * (dx * dx + dy * dy)
    x += sx + radial * dx - t * dy
    y += sy + radial * dy + t * dx
    # Linear interpolation keeps places to the last digit; the library's cubic moves them by 0.04 px.
    # The blur that it adds is free in the fit.
    return np.asarray(cv2.remap(plane, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _look_at_green(green: FloatImage, sigma: float, lost: npt.NDArray[np.uint8] | None) -> _Green:
    soft = np.asarray(cv2.GaussianBlur(green, (0, 0), sigma), dtype=np.float32)
    gx, gy = (
        np.asarray(cv2.Sobel(soft, cv2.CV_32F, *way, ksize=3, scale=1 / 8), dtype=np.float32)
        for way in ((1, 0), (0, 1))
    )
    steep = cv2.magnitude(gx, gy)
    sample = green[:, : min(green.shape[1], 1_000_000 // green.shape[0] + 1)]
    noise = scatter(sample - cv2.GaussianBlur(sample, (0, 0), 1.0))
    # White noise smoothed by sigma has a gradient of noise / (sqrt(8 pi) sigma^2) along each axis.
    floor = EDGE_DEVIATIONS * noise / (math.sqrt(8 * math.pi) * sigma**2)
    share = EDGE_SHARE * float(np.percentile(steep[::3, ::3], 99.5))
    is_edge = steep > max(floor, share, EDGE_STEEPNESS * float(green.mean()))
    border = math.ceil(3 * sigma)
    is_edge[:border] = is_edge[-border:] = False
    is_edge[:, :border] = is_edge[:, -border:] = False
    if lost is not None:
        is_edge &= lost == 0
    bend = np.asarray(cv2.Laplacian(soft, cv2.CV_32F), dtype=np.float32)
    return _Green(sigma, soft, gx, gy, bend, tuple(_parts(is_edge)))


def _parts(
    is_edge: npt.NDArray[np.bool_],
) -> Iterator[tuple[tuple[slice, slice], npt.NDArray[np.bool_], Array]]:
    height, width = is_edge.shape
    half = math.hypot(height, width) / 2
    side = math.ceil(max(height, width) / PIECES)
    for top in range(0, height, side):
        for left in range(0, width, side):
            part = (slice(top, top + side), slice(left, left + side))
            chosen = is_edge[part]
            if int(chosen.sum()) < LEAST_EDGE_PX:
                continue
            rows, columns = np.nonzero(chosen)
            x, y = columns.mean() + left - (width - 1) / 2, rows.mean() + top - (height - 1) / 2
            yield part, chosen, np.array([x, y]) / half


def _pieces(green: _Green, colour: FloatImage) -> list[_Piece]:
    other = cv2.GaussianBlur(colour, (0, 0), green.sigma)
    planes = (green.soft, green.bend, green.gx, green.gy, other)
    found = []
    for part, chosen, at in green.parts:
        columns = [plane[part][chosen].astype(np.float64) for plane in planes]
        piece = _one_piece(columns, at, green.sigma)
        if piece is not None:
            found.append(piece)
    return found


def _one_piece(columns: Sequence[Array], at: Array, sigma: float) -> _Piece | None:
    soft, bend, gx, gy, other = columns
    plain = np.column_stack([np.ones_like(soft), soft, bend])
    solved = np.linalg.lstsq(plain, np.column_stack([other, gx, gy]), rcond=None)[0]
    rest, ex, ey = (np.column_stack([other, gx, gy]) - plain @ solved).T
    gain = float(solved[1, 0])
    spread = float(np.var(other))
    if gain <= 0 or spread <= 0:
        return None
    # other = gain green(x - d): what gain, offset and blur leave is - gain d . gradient.
    across = np.column_stack([ex, ey]) * -gain
    information = across.T @ across
    pull = across.T @ rest
    displacement = np.linalg.pinv(information, rcond=1e-3) @ pull
    left = rest - across @ displacement
    variance = float(left @ left) / max(1, soft.size - 5)
    if 1 - variance / spread < LEAST_LIKENESS:
        return None
    # Neighbours within the smoothing err together.
    weight = 1 / (max(variance, 1e-12) * 4 * math.pi * sigma**2)
    is_bare = variance < BARE_RESIDUAL**2 * spread
    return _Piece(at, information * weight, pull * weight, is_bare)


def _fit(pieces: list[_Piece], before: ColourField) -> tuple[ColourField, list[_Piece]]:
    """The field through all pieces, those that misfit left out, added to what was moved back.

    Returns the pieces with what was moved back added to their own displacement.
    """
    prior = np.diag(1 / np.square(USUAL_PX))
    kept = list(pieces)
    terms: Array = np.zeros(5)
    scale = 1.0
    information: Array = prior
    for _ in range(6):
        normal, right = np.zeros((5, 5)), np.zeros(5)
        for piece in kept:
            b = basis(piece.place[None, :])
            normal += b.T @ piece.information @ b
            right += b.T @ piece.pull
        information = normal / scale + prior
        terms = np.asarray(
            np.linalg.solve(information, right / scale - prior @ before.terms), dtype=np.float64
        )
        misfits = np.array([_misfit(piece, terms) for piece in kept])
        scale = max(1.0, float(np.median(misfits)) / MEDIAN_MISFIT)
        good = misfits <= OUTLIER_MISFIT * scale
        if good.all() or good.sum() < max(LEAST_PIECES, 0.5 * len(pieces)):
            break
        kept = [piece for piece, keep in zip(kept, good, strict=True) if keep]
    after = before.terms + terms
    whole = [
        _Piece(p.place, p.information,
               p.pull + p.information @ (basis(p.place[None, :]) @ before.terms))
        for p in kept
    ]  # fmt: skip
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    return ColourField(after, covariance), whole


MEDIAN_MISFIT = 1.386
"""Median of chi squared with two degrees of freedom (2 ln 2)."""
OUTLIER_MISFIT = 20.0
"""Chi squared with two degrees of freedom above which a piece is left out: exp(-20 / 2), one in 22 000
of those that follow."""


def _misfit(piece: _Piece, terms: Array) -> float:
    gap = _measured(piece) - basis(piece.place[None, :]) @ terms
    return float(gap @ piece.information @ gap)


def _measured(piece: _Piece) -> Array:
    """The piece's displacement, in the directions that its edges tell."""
    return np.asarray(np.linalg.pinv(piece.information, rcond=0.02) @ piece.pull)
