"""What the edges of a photo say together, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from glassay.detail.edge_finding import MIN_LENGTH_PX
from glassay.detail.edge_groups import GROUPS
from glassay.detail.edge_loss import COMPRESSION_10, LOST
from glassay.detail.edge_result import FREQUENCY, Edge, EdgeResponse, RejectedEdge
from glassay.detail.edge_spline import Float
from glassay.detail.edge_spread import ANALYSIS_FREQUENCY
from glassay.fitting import SIGMA_OF_MAD, scatter
from glassay.quantity import Quantity
from glassay.tone_doubt import SOURCE as TONE
from glassay.tone_doubt import tone_u, with_tone

USEFUL = 0.3
"""Expanded uncertainty, as a share of the value, beyond which a number is withheld: its 95 %
interval spans nearly a factor of two."""

USEFUL_BOUND = 0.5
"""The same where the tone curve makes most of it: nearly all curves pull downwards, so that the number
still bounds the response from above."""

LEAN_LIMIT = 0.15
"""Mean lean of the rise towards the bright side above which the tone curve is in doubt. Linear
light through a circular pupil leans by less than 0.01; gamma-encoded light read as linear by 0.2
to 0.4; a full wave of coma by up to 0.3 but then oppositely on opposite edges."""

SHARPENED = 0.04
"""Overshoot from which sharpening is named. A clear circular pupil gives none (its edge response
rises monotonically), an annular or defocused one at most about 2 %."""

MEDIAN_COST = 1.2533
"""Standard error of a median over that of a mean, for normal scatter: sqrt(pi / 2)."""

COMMON = ("tails beyond the window", "method", LOST)
"""Contributions that all edges of a photo share."""


def is_vague(value: Quantity) -> bool:
    """Whether a number is too uncertain to be stated."""
    by_tone = bool(value.contributions) and value.contributions[0].source == TONE
    return value.expanded > (USEFUL_BOUND if by_tone else USEFUL) * abs(value.value)


def together(
    edges: Sequence[Edge], rejected: Sequence[RejectedEdge], pixel_size: Quantity | None,
    notes: tuple[str, ...],
) -> EdgeResponse:  # fmt: skip
    """The response of a photo from its edges; what is too uncertain to be stated is left out."""
    curves = np.stack([e.modulation for e in edges])
    own = np.stack([e.modulation_u for e in edges])
    middle = np.median(curves, axis=0)
    if len(edges) == 1:
        band = 2 * own[0]
    else:
        scatter = SIGMA_OF_MAD * np.median(np.abs(curves - middle), axis=0)
        typical = np.median(own, axis=0)
        band = 2 * MEDIAN_COST * np.maximum(scatter, typical) / math.sqrt(len(edges))
    tens = [(e.frequency_10, [t.frequency_10 for t in e.toned]) for e in edges
            if e.frequency_10 is not None]  # fmt: skip
    frequency_10 = _typical(tens) if 2 * len(tens) > len(edges) else None
    low, high = _whole_band(edges, middle, band)
    groups = _groups(edges)
    vague = {name: value for name, value in groups.items() if is_vague(value)}
    return EdgeResponse(
        tuple(edges), tuple(rejected),
        frequency_50=_typical([(e.frequency_50, [t.frequency_50 for t in e.toned]) for e in edges]),
        frequency_10=None if frequency_10 is None or is_vague(frequency_10) else frequency_10,
        width=_typical([(e.width, [t.width for t in e.toned]) for e in edges]),
        overshoot=_typical([(e.overshoot, [t.overshoot for t in e.toned]) for e in edges]),
        modulation=middle, modulation_low=low, modulation_high=high,
        groups={name: value for name, value in groups.items() if name not in vague},
        pixel_size=pixel_size,
        notes=(*notes, *_notes(edges, rejected, len(tens)), *_vague_notes(vague, frequency_10)),
    )  # fmt: skip


def _whole_band(edges: Sequence[Edge], middle: Float, band: Float) -> tuple[Float, Float]:
    """The 95 % band of the curve, with what compression and other tone curves make of it."""
    slope = np.abs(np.gradient(middle, FREQUENCY))
    lost = np.median([[e.loss(float(f)) for f in FREQUENCY] for e in edges], axis=0)
    wide = np.hypot(band, 1.96 * COMPRESSION_10 * slope * FREQUENCY * lost)
    if edges[0].toned:
        shifts = np.array([
            [np.interp(FREQUENCY, ANALYSIS_FREQUENCY, t.modulation - e.spread.modulation)
             for t in e.toned] for e in edges
        ])  # fmt: skip
        with np.errstate(all="ignore"):
            typical = np.nan_to_num(np.median(shifts, axis=0))
        tone = np.array([
            tone_u(float(m), [float(m + one) for one in column])
            for m, column in zip(middle, typical.T, strict=True)
        ])  # fmt: skip
        wide = np.hypot(wide, 1.96 * tone)
    return np.maximum(middle - wide, 0), middle + wide


Told = tuple[Quantity, Sequence[float]]
"""What one edge says, and what it would say under each other tone curve."""


def _typical(told: Sequence[Told]) -> Quantity:
    """The median of several edges; its uncertainty follows from how they differ.

    Edges of little contrast owe little to the tone curve, and weigh more where it is only assumed.
    """
    values = [value for value, _ in told]
    if len(values) == 1:
        return values[0]
    numbers, u = np.array([q.value for q in values]), np.array([q.u for q in values])
    middle, count = _weighted_median(numbers, u), len(values)
    spread = float(np.std(numbers, ddof=1))
    if count >= 5:
        spread = scatter(numbers - middle)
    within = float(np.median([_independent(q) for q in values]))
    cost = MEDIAN_COST if count > 2 else 1.0
    result = Quantity.of(middle, cost * max(spread, within) / math.sqrt(count), values[0].unit,
                         "scatter between edges", count - 1)  # fmt: skip
    for source in COMMON:
        common = [p for q in values for p in q.contributions if p.source == source]
        if common:
            typical = float(np.median([abs(part.u) for part in common]))
            result = result.with_contribution(source, typical, scope=common[0].scope)
    shifts = np.array([others for _, others in told]) - numbers[:, None]
    others = []
    for shift in shifts.T:
        known = np.isfinite(shift)
        if known.any():
            others.append(middle + _weighted_median(shift[known], u[known]))
    return with_tone(result, others)


def _weighted_median(numbers: Float, u: Float) -> float:
    # Edges differ by a few per cent by nature: none outweighs others by being less noisy still.
    scale = max(float(np.median(np.abs(numbers))), float(u.max()), 1e-12)
    weight = 1 / ((u / scale) ** 2 + 0.03**2)
    order = np.argsort(numbers)
    below = np.cumsum(weight[order]) - weight[order] / 2
    return float(np.interp(0.5, below / weight.sum(), numbers[order]))


def _independent(quantity: Quantity) -> float:
    return math.hypot(*(p.u for p in quantity.contributions if p.source not in (*COMMON, TONE)))


def _groups(edges: Sequence[Edge]) -> dict[str, Quantity]:
    out: dict[str, Quantity] = {}
    for kind in ("direction", "zone"):
        members: dict[str, list[Told]] = {}
        for edge in edges:
            told = edge.frequency_50, [t.frequency_50 for t in edge.toned]
            members.setdefault(getattr(edge, kind), []).append(told)
        if len(members) > 1:
            out |= {name: _typical(values) for name, values in sorted(members.items())}
    return out


def _notes(edges: Sequence[Edge], rejected: Sequence[RejectedEdge], tens: int) -> tuple[str, ...]:
    notes = ["the response includes the pixel aperture"]
    notes.append(
        f"{len(edges)} of {len(edges) + len(rejected)} edges found were fit to be measured"
    )
    if 2 * tens <= len(edges):
        notes.append("the 10 % frequency is lost in noise or lies beyond 1 cycle/px")
    overshoot = float(np.median([e.overshoot.value for e in edges]))
    if overshoot > SHARPENED:
        notes.append(
            f"edges overshoot by {overshoot:.0%}: the camera sharpens, so that the curve"
            " flatters the optics"
        )
    notes.extend(_tone_notes(edges))
    short = [e for e in edges if e.length < 2 * MIN_LENGTH_PX]
    if len(short) == len(edges):
        notes.append("all edges are short; a longer slanted edge would narrow the uncertainty")
    return tuple(notes)


def _vague_notes(vague: Mapping[str, Quantity], frequency_10: Quantity | None) -> list[str]:
    names = [GROUPS[f"frequency_50_{name}"] for name in vague]
    names += ["the 10 % frequency"] if frequency_10 is not None and is_vague(frequency_10) else []
    if not names:
        return []
    verb = "is" if len(names) == 1 else "are"
    return [
        f"{', '.join(names)} {verb} not stated: edges that differ or are few, the tone curve or"
        " compression leave too much open"
    ]


def _tone_notes(edges: Sequence[Edge]) -> list[str]:
    lean = float(np.median([e.spread.lean() for e in edges]))
    notes = []
    if abs(lean) > LEAN_LIMIT:
        side = "bright" if lean > 0 else "dark"
        notes.append(
            f"edges round off more slowly on their {side} side: the tone curve is doubtful,"
            " and with it the whole response; state it if it is known"
        )
    return notes
