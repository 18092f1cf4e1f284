"""The response of a microscope from a chip alone: thousands of short, crowded edges of its wiring.

Entry point: `response_of_wiring`. `wiring_pieces` finds pieces between crossings, `wiring_fit` what
they have in common; here that is fitted with the family of `response_model`, and what compression
and the tone curve make of it enters the uncertainty. Frequencies in cycles/px, lengths in px; the
pixel's aperture is included in the response.

Nothing on a chip is known to be a clean edge. Walls that slope, layers out of focus and doubled
wires show wider edges than the instrument makes, so that a line is rather said to be wider than
it need be.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.across_field import KEY as CORNER
from glassay.detail.across_field import MOST_VAGUE, in_words, ratio_in_corners, zone_at
from glassay.detail.edge_loss import LOST
from glassay.detail.edge_result import per_um
from glassay.detail.grey_levels import check_levels
from glassay.detail.lighting import check_light
from glassay.detail.response_model import FREQUENCY, Posterior, Told, draw, interpolation, summits
from glassay.detail.wiring_compressed import NOTHING, Taken, taken_by_jpeg
from glassay.detail.wiring_fit import (
    FEWEST_PIECES,
    CommonResponse,
    fit_again,
    fit_common,
    usual_width,
)
from glassay.detail.wiring_pieces import Piece, find_pieces
from glassay.errors import NotMeasurable
from glassay.field_stop import FieldStop, find_field_stop
from glassay.finding import Finding
from glassay.fitting import spread
from glassay.imaging.tone import FloatImage, Relight
from glassay.quantity import Contribution, Quantity
from glassay.tone_doubt import with_tone

Float = npt.NDArray[np.float64]

METHOD = "short edges of wiring"

CLEAR_ROOM = 1.6
"""Room beside an edge, in its widths, from which neighbours hardly enter what it shows. Edges
with less count only where too few have more: what is nearer than the blur can be taken for
another shape of it."""

ENOUGH_CLEAR = 16

NARROWER = 0.8
"""Widths of crowded edges over those with room, below which the latter are taken for sloped or
doubled ones. On drawn chips of one kind of edge it is 0.87 and more; 0.65 where all that had room
were borders of pads, whose two steps read as one wide edge."""

METHOD_50, METHOD_10 = 0.02, 0.015
"""Relative standard uncertainty of the frequencies of 50 and 10 % modulation for the method
itself: what neighbours beyond the window leave, and a family of responses for the true one
(study)."""

AS_STEEP = 0.75
"""Least product of twice the 50 % frequency and the edges' 10-90 % width. A Gaussian response has 0.96,
one that ends sharply 1.2 and more; of 110 drawn chips that were told rightly it is 0.84 or more, where
edges are no steps it fell to 0.1."""
TOO_STEEP = (
    "the edges of wiring rise faster than the response that fits them could let any edge rise: they"
    " are no steps between even surfaces"
)


@dataclass(frozen=True)
class WiringResponse:
    """Response from wiring. `modulation`, `low`, `high` belong to `frequency` (95 % band);
    `ends` (n, 4) are x0, y0, x1, y1 of the pieces that counted, px of the photo; `found` those
    that were looked at."""

    frequency_50: Quantity
    frequency_10: Quantity | None
    frequency: Float
    modulation: Float
    low: Float
    high: Float
    ends: Float
    found: int
    corner_ratio: Quantity | None = None
    """Width of the finest line in the corners over that in the centre; None where it is not told."""
    pixel_size: Quantity | None = None
    notes: tuple[str, ...] = ()

    def findings(self) -> dict[str, Finding]:
        """Keys frequency_50, frequency_10 (cycles/px, where told), edges (pieces that counted),
        and the frequencies in object units when calibrated."""
        out = {"edges": Finding(len(self.ends), METHOD)}
        if self.corner_ratio is not None:
            out[CORNER] = Finding(self.corner_ratio, METHOD)
        told = {"frequency_50": self.frequency_50, "frequency_10": self.frequency_10}
        for key, value in told.items():
            if value is not None:
                out[key] = Finding(value, METHOD)
                if self.pixel_size is not None:
                    out[f"{key}_object"] = Finding(per_um(value, self.pixel_size), METHOD)
        return out

    def evidence(self) -> dict[str, Any]:
        """Plain data for drawing: the curve with its band, the pieces."""
        return {
            "frequency": self.frequency, "modulation": self.modulation, "low": self.low,
            "high": self.high, "pieces": self.ends,
        }  # fmt: skip


def response_of_wiring(
    image: FloatImage,
    *,
    full: npt.NDArray[np.bool_] | None = None,
    pixel_size: Quantity | None = None,
    notes: Sequence[str] = (),
    other_tones: Sequence[Relight] = (),
    quantization: Mapping[int, Any] | None = None,
) -> WiringResponse:
    """Measure the response of `image` (height, width), linear light, on the wiring that it shows.

    `full`, `pixel_size`, `notes`, `other_tones` and `quantization` as of `measure_edges`. Raises
    `NotMeasurable` with the reason where too few pieces are even and agree, or leave too much
    open.
    """
    check_levels(image)
    stop = find_field_stop(np.ascontiguousarray(image, dtype=np.float32))
    pieces = find_pieces(image, full, lambda line, length: _is_on_view(line, stop))
    if len(pieces) >= FEWEST_PIECES:
        check_light(image, usual_width(pieces), np.array([piece.room for piece in pieces]))
    used, common, crowded = _that_count(pieces)
    posterior = draw(_told_by(common))
    others = [
        _moved(posterior, common, [replace(p, value=relight(p.value)) for p in used])
        for relight in other_tones
    ]
    taken = taken_by_jpeg(
        image,
        used,
        common,
        lambda some: _frequencies(fit_again(some, common), posterior),
        quantization,
    )
    beside = _by_neighbours(common, used) if crowded else 0.0
    told = [
        _told(
            posterior,
            level,
            (share, beside),
            taken[k] if taken else NOTHING,
            [o[k] for o in others],
        )
        for k, (level, share) in enumerate(zip(LEVELS, (METHOD_50, METHOD_10), strict=True))
    ]
    half, tenth = told
    if half is None or (
        half.relative > MOST_VAGUE and (tenth is None or tenth.relative > MOST_VAGUE)
    ):
        raise NotMeasurable(
            f"{len(used)} pieces of wiring leave too much open to say how fine a line is told"
        )
    if 2 * half.value * usual_width(used) < AS_STEEP:
        raise NotMeasurable(TOO_STEEP)
    said = (*notes, ALL_CROWDED) if crowded else notes
    found = _result(posterior, half, tenth, used, len(pieces), said)
    corner = _in_corners(pieces, image.shape, stop)
    said = () if corner is None else (in_words(corner),)
    return replace(found, pixel_size=pixel_size, corner_ratio=corner, notes=(*found.notes, *said))


def _that_count(pieces: list[Piece]) -> tuple[list[Piece], CommonResponse, bool]:
    """The pieces that count, what they have in common, and whether crowded ones had to count.

    Raises `NotMeasurable` where those with room are of a wider kind: on the one chip of the study
    that is so, crowded wires near the pixels' limit read from 22 % too low to 3 % too high.
    """
    clear = [piece for piece in pieces if piece.room >= CLEAR_ROOM]
    if len(clear) >= ENOUGH_CLEAR:
        try:
            common = fit_common(clear)
        except NotMeasurable:
            pass
        else:
            used = [clear[k] for k in common.used]
            beside = [piece for piece in pieces if piece.room < CLEAR_ROOM]
            if not _are_narrower(beside, used):
                return used, common, False
            raise NotMeasurable(OF_TWO_KINDS)
    common = fit_common(pieces, narrowest=False)
    used = [pieces[k] for k in common.used]
    if len(used) < MAJORITY * len(pieces) or np.median([p.room for p in used]) < LEAST_ROOM:
        raise NotMeasurable(TOO_CROWDED)
    return used, common, True


MAJORITY = 0.5
"""Share of crowded pieces that must agree: of a smaller group none says that it is not the odd one
(once 46 % of them, 28 % too low)."""

LEAST_ROOM = 1.05
"""Usual room beside crowded edges, in their widths, that they need: two edges at no distance at all
show their slopes 0.8 widths apart, and nearly so near a grating tells of one frequency alone (once
20 % too high)."""


def _are_narrower(beside: Sequence[Piece], clear: Sequence[Piece]) -> bool:
    """Whether crowded edges are of another kind than those with room, and that the narrower one."""
    if len(beside) < ENOUGH_CLEAR:
        return False
    widths = [float(np.median([piece.width for piece in some])) for some in (beside, clear)]
    return widths[0] < NARROWER * widths[1]


def _is_on_view(line: Any, stop: FieldStop | None) -> bool:
    return stop is None or math.hypot(line.x - stop.x, line.y - stop.y) < 0.45 * stop.diameter


def _told_by(common: CommonResponse) -> Told:
    at_nodes = interpolation(common.frequency)

    def misfit(curves: Float, _: Float) -> Float:
        d = curves @ at_nodes - common.nodes
        return np.asarray(np.einsum("ni,ij,nj->n", d, common.matrix, d) - 2 * d @ common.pull)

    return Told(misfit, len(common.frequency))


Shift = tuple[float, float]
"""Change of the frequencies of 50 and of 10 % modulation, cycles/px."""


def _moved(posterior: Posterior, common: CommonResponse, light: Sequence[Piece]) -> Shift:
    """By how much the frequencies move where the pieces hold another light."""
    usual, other = (_frequencies(one, posterior) for one in (common, fit_again(light, common)))
    return other[0] - usual[0], other[1] - usual[1]


LEVELS = 0.5, 0.1
"""Modulations at which the response is told: those of `METHOD_50` and `METHOD_10`."""


def _frequencies(common: CommonResponse, posterior: Posterior) -> tuple[float, ...]:
    """At the `LEVELS` of modulation, cycles/px, by the likeliest response."""
    likeliest = summits(_told_by(common), posterior.middle)
    return tuple(likeliest.frequency_at(level) for level in LEVELS)


def _in_corners(
    pieces: Sequence[Piece], shape: tuple[int, ...], stop: FieldStop | None
) -> Quantity | None:
    def tenth_of(mine: list[Piece]) -> tuple[float, float]:
        draws = draw(_told_by(fit_common(mine, narrowest=False))).frequency_at(0.1)
        known = draws[np.isfinite(draws)]
        if len(known) < len(draws) / 2:
            raise NotMeasurable("the 10 % frequency is not told")
        return float(np.median(known)), float(known.std())

    zones = [zone_at(p.line.x, p.line.y, shape, stop) for p in pieces]
    return ratio_in_corners(pieces, zones, tenth_of)


ALL_CROWDED = "nearly all edges are crowded: what lies beside them makes them differ"
TOO_CROWDED = (
    "the edges of wiring are too crowded: what lies beside them cannot be told from the response"
)
OF_TWO_KINDS = (
    "the edges of wiring that have room are wider than the crowded ones (sloped or doubled, as borders"
    " of pads are), and which of them show the instrument cannot be told"
)

NEIGHBOURS = "what lies beside the edges"


def _by_neighbours(common: CommonResponse, used: Sequence[Piece]) -> float:
    """Relative u of the frequencies where edges are crowded: how much the pieces differ in width.

    What lies beside them makes them differ, wider or narrower, and need not do so evenly to either
    side: it does not average out. A blur's width changes by half of what its variance does.
    """
    width = float(np.median([p.width for p in used])) / 2.563
    return 0.5 * spread(common.widening) / width**2


def _told(
    posterior: Posterior, level: float, shares: tuple[float, float], taken: Taken,
    others: Sequence[float],
) -> Quantity | None:  # fmt: skip
    f = posterior.frequency_at(level)
    known = f[np.isfinite(f)]
    if len(known) < len(f) / 2 or not math.isfinite(taken.u):
        return None
    low, value, high = (taken.factor * v for v in np.percentile(known, [15.87, 50, 84.13]).tolist())
    method, beside = shares
    found = Quantity(value, "cycles/px", (Contribution(METHOD, (high - low) / 2, scope="capture"),))
    found = found.with_contribution("method of short edges", method * value, scope="setting")
    if beside:
        found = found.with_contribution(NEIGHBOURS, beside * value, scope="capture")
    if taken.u:
        found = found.with_contribution(LOST, value / taken.factor * taken.u, scope="setting")
    return with_tone(found, [value + other for other in others])


def _result(
    posterior: Posterior, half: Quantity, tenth: Quantity | None, used: Sequence[Piece], found: int,
    notes: Sequence[str],
) -> WiringResponse:  # fmt: skip
    low, middle, high = np.percentile(posterior.curves, [2.5, 50, 97.5], axis=0)
    # The band widens as the frequency axis does: by what noise is not behind.
    best = tenth if tenth is not None else half
    slope = np.abs(np.gradient(middle, FREQUENCY)) * FREQUENCY
    wide = 1.96 * best.relative * slope
    stretch = best.value / float(np.nanmedian(posterior.frequency_at(0.1 if tenth else 0.5)))
    middle, low, high = (np.interp(FREQUENCY, FREQUENCY * stretch, c) for c in (middle, low, high))
    said = [
        "the response includes the pixel aperture",
        f"{len(used)} of {found} short pieces of wiring agree; sloped walls and layers out of focus"
        " would show wider edges than the instrument makes",
    ]
    if tenth is None or tenth.relative > MOST_VAGUE:
        tenth = None
        said.append("the 10 % frequency is left open")
    return WiringResponse(
        half, tenth, FREQUENCY, middle, np.maximum(np.minimum(low, middle - wide), 0),
        np.maximum(high, middle + wide), np.array([p.line.ends(p.length) for p in used]), found,
        notes=(*notes, *said),
    )  # fmt: skip
