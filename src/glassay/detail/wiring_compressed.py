"""What JPEG took from the edges of wiring: drawn with wider responses, compressed, and fitted again.

The steps that were fitted are put back into the picture, blurred by the response that was found,
then by finer ones (the same curve over a longer frequency axis), and each picture is compressed with
the file's own tables on the file's own blocks (ITU-T T.81, Annex A). The true response is the one
whose compressed picture tells what the photo tells. Near the frequencies that the tables cut,
pictures of ever finer responses tell nearly the same: how far the answer can be off follows from
how slowly what is told grows there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.wiring_fit import CommonResponse, steps_of
from glassay.detail.wiring_pieces import Piece
from glassay.imaging.compression import as_jpeg
from glassay.imaging.tone import FloatImage, eight_bit, linear_table

Float = npt.NDArray[np.float64]

FINER = 1.0, 1.15, 1.35
"""How many times finer the responses are that are tried. What needs more than the last is not told."""

OF_WHAT_IT_TAKES = 0.85
"""Standard uncertainty of what is told of a drawn picture, as a share of what compression took of
the first: steps are not all there is in a block, and noise lets some detail pass. Of 19 chips of the
study whose compression took 1 to 10 %, the root mean square."""

BLEND_PX = 1.5
"""Over so much of its rim the drawn piece goes over into the photo."""


@dataclass(frozen=True)
class Taken:
    """What compression did to a frequency: the true one over the told one, and its standard
    uncertainty, infinite where the tables cut so much that it is not told."""

    factor: float
    u: float


NOTHING = Taken(1.0, 0.0)

Levels = tuple[float, ...]


def taken_by_jpeg(
    image: FloatImage,
    used: Sequence[Piece],
    common: CommonResponse,
    frequencies: Callable[[Sequence[Piece]], Levels],
    tables: Mapping[int, Any] | None,
) -> tuple[Taken, ...] | None:
    """What the file's `tables` took of the frequencies that `frequencies` tells of pieces.

    `image` is linear light (height, width), `used` the pieces that counted and `common` what they
    have in common. None where the photo was not compressed.
    """
    if not tables or 0 not in tables:
        return None
    told, stored = frequencies(used), eight_bit(image)
    drawn = np.array([frequencies(_again(image, stored, used, common, s, tables)) for s in FINER])
    return tuple(_taken(drawn[:, k] / told[k]) for k in range(len(told)))


def _taken(told: Float) -> Taken:
    """From what pictures of the responses `FINER` tell, over what the photo tells."""
    if not np.isfinite(told).all():
        return Taken(1.0, math.inf)
    took = max(1.0 - float(told[0]), 0.0)
    if not took:
        return NOTHING
    rising = np.maximum.accumulate(told)
    if rising[-1] <= 1.0:
        return Taken(FINER[-1], math.inf)
    factor = float(np.interp(1.0, rising, FINER))
    after = min(factor + FINER[1] - FINER[0], FINER[-1])
    before = after - (FINER[1] - FINER[0])
    slope = float(np.diff(np.interp((before, after), FINER, rising))[0]) / (after - before)
    return Taken(factor, OF_WHAT_IT_TAKES * took / slope if slope > 0 else math.inf)


def _again(
    image: FloatImage, stored: npt.NDArray[np.uint8], used: Sequence[Piece],
    common: CommonResponse, finer: float, tables: Mapping[int, Any],
) -> list[Piece]:  # fmt: skip
    """The pieces as the file would hold them, were the response so many times finer; `stored` are
    the values that stand for `image`."""
    steps = steps_of(used, common, finer)
    picture, drawn = image.copy(), stored.copy()
    for piece, state in zip(used, common.states, strict=True):
        at = finer * (piece.across - state.tilt * piece.along)
        light = state.heights[0] + sum(
            height * steps.spread(at - finer * place)
            for height, place in zip(state.heights[1:], state.places, strict=True)
        )
        inside = _within(piece.across) * _within(piece.along)
        here = picture[piece.rows, piece.columns]
        there = (inside * light + (1 - inside) * here).astype(np.float32)
        picture[piece.rows, piece.columns] = there
        drawn[piece.rows, piece.columns] = eight_bit(there[None])[0]
    held = as_jpeg(drawn, tables)
    table = linear_table(8, "srgb").astype(np.float64)
    return [replace(piece, value=table[held[piece.rows, piece.columns]]) for piece in used]


def _within(places: Float) -> Float:
    """1 inside, falling to 0 at the rim of the places taken."""
    rim = float(np.abs(places).max())
    return np.asarray(np.clip((rim - np.abs(places)) / BLEND_PX, 0.0, 1.0))
