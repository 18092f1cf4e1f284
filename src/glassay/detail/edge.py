"""Edge response of a photo: modulation transfer measured on the straight edges found in it.

Entry point: `measure_edges`. Finding is in `edge_finding`, the line in `edge_line`, the arithmetic
of ISO 12233 in `edge_spread`; what this file adds is the judgement: which edges are fit, what they
say together, and how sure that is.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.signal import find_peaks

from glassay.detail.edge_finding import (
    HALO_PX,
    MIN_LENGTH_PX,
    Clearing,
    Rejected,
    clear_part,
    find_candidates,
)
from glassay.detail.edge_line import EdgeLine, Placement, Samples, arc_by_rows, place_edge
from glassay.detail.edge_spline import NODE_PX, Float
from glassay.detail.edge_spread import ANALYSIS_FREQUENCY, EdgeSpread, spread_edge
from glassay.detail.edge_tone import Toned, under_other_tones
from glassay.detail.tone_doubt import SOURCE as TONE
from glassay.detail.tone_doubt import tone_u, with_tone
from glassay.errors import NotMeasurable
from glassay.field_stop import FieldStop, find_field_stop
from glassay.finding import Finding
from glassay.fitting import SIGMA_OF_MAD, scatter
from glassay.imaging.compression import quantization_step
from glassay.imaging.tone import FloatImage, Relight, linear_to_srgb
from glassay.quantity import Contribution, Quantity, combine

METHOD = "slanted edge after ISO 12233"

FREQUENCY = np.linspace(0.0, 1.0, 101)
"""Frequencies at which curves are reported, cycles/px along the edge's normal."""

MAX_EDGES, MAX_CANDIDATES = 24, 96
"""Edges that are measured, and that are looked at. More of them narrow the answer little, and each
costs several ms, or one to look at."""

CLIPPED_SHARE = 0.02
"""Share of an edge's bright pixels at full scale above which the edge is clipped: noise alone
lifts no more than that over the limit before the mean of the side shifts by a per mille."""

BLACK_SHARE = 0.2
"""The same for pixels of the dark side at zero. Zero is a common honest value of a dark background,
so the limit is looser: what is lost there is at most a fraction of the noise."""

NOISY = 0.08
"""Relative standard uncertainty of the 50 % frequency above which an edge is too noisy to count."""

RAGGED = 0.05
"""Waviness (rms) of an edge in 10-90 % widths above which its own shape widens it: by 1 %."""

CURVED_PX, CURVED = 0.4, 0.1
"""Height of an edge's arc, in px and in 10-90 % widths, above which it is curved. Smaller arcs, as
lens distortion makes them, are followed."""

ROOM_FOR_ROWS_PX = 3.0
"""Px to either side of the rise within which single rows place the edge: room for an arc to show."""

UNEVEN = 0.15
"""How far the sides may stray from their levels beyond 1.5 edge widths, as a share of the step."""

PAUSE, HUMP = 0.06, 0.2
"""How far a second hump of the line spread function stands out, as a share of the main one, for the
edge to be two: within the rise, and anywhere. Ringing of a defocused or sharpened edge lies outside
the rise and stays below the second."""

WILD = 0.4
"""Overshoot above which what looks like an edge is taken for the flank of a line."""

RIM_SHARE = 0.05
"""Part of a round field's radius that belongs to its rim: the blur of a field stop that is not quite
in focus, and the vignetting beside it, are those of the stop and not of the picture. Rims of the
simulated phones reach 0.02 of the radius; 0.04 to 0.08 leave the same edges out."""

USEFUL = 0.3
"""Expanded uncertainty, as a share of the value, beyond which a number is withheld: its 95 %
interval spans nearly a factor of two."""

METHOD_U = 0.003
"""Relative standard uncertainty of the method itself: the largest bias left in the accuracy study
for clean, long edges with a full window."""

LOST = "detail lost in compression"

COMPRESSION = 0.6
"""Relative standard uncertainty of a frequency for what JPEG took away there, per quantisation step at
that frequency times the frequency over the edge's step. An edge's coefficients fall as 1 / f; where
they come below half a step they are lost, of all blocks along the edge alike. Squares through whole
cameras at quality 60 to 92 were low by up to 1.2 of that product at 50 % modulation and 1.3 at 10 %,
without any loss where it is below 0.02; sharpened ones by less."""

LEAN_LIMIT = 0.15
"""Mean lean of the rise towards the bright side above which the tone curve is in doubt. Linear
light through a circular pupil leans by less than 0.01; gamma-encoded light read as linear by 0.2
to 0.4; a full wave of coma by up to 0.3 but then oppositely on opposite edges."""


@dataclass(frozen=True)
class Edge:
    """One measured edge.

    `line` with x, y in px of the whole photo; `length` and `half_width` (of the window) in px.
    `direction` is that of the detail it speaks of: "x" (edge upright), "y" (edge level) or
    "diagonal"; `zone` its place in the field: "centre", "middle" or "corner" (thirds of the half
    diagonal).
    """

    line: EdgeLine
    length: float
    direction: str
    zone: str
    spread: EdgeSpread
    placement: Placement
    frequency_50: Quantity
    frequency_10: Quantity | None
    width: Quantity
    overshoot: Quantity
    toned: tuple[Toned, ...] = ()
    """The same edge under each other tone curve that the light may have."""
    loss: Callable[[float], float] = lambda frequency: 0.0
    """Relative standard uncertainty of a frequency for what compression took away there."""

    @property
    def half_width(self) -> float:
        """Half width of the window across the edge, px."""
        return self.spread.half_width

    @property
    def modulation(self) -> Float:
        """The curve at `FREQUENCY`."""
        return np.interp(FREQUENCY, ANALYSIS_FREQUENCY, self.spread.modulation)

    @property
    def modulation_u(self) -> Float:
        """Standard uncertainty of the curve at `FREQUENCY`."""
        return np.interp(FREQUENCY, ANALYSIS_FREQUENCY, self.spread.modulation_u)

    def pixel_aperture(self) -> Float:
        """Transfer of a square pixel of full fill factor along this normal, at `FREQUENCY`."""
        cos, sin = math.cos(self.line.normal), math.sin(self.line.normal)
        return np.asarray(np.sinc(FREQUENCY * cos) * np.sinc(FREQUENCY * sin))


@dataclass(frozen=True)
class RejectedEdge:
    """An edge that was found and not used, and why. The line's x, y in px of the whole photo."""

    line: EdgeLine
    length: float
    reason: str


@dataclass(frozen=True)
class EdgeResponse:
    """Edge response of a photo.

    `modulation` and its 95 % band (`modulation_low`, `modulation_high`) at `FREQUENCY`, pixel
    aperture included. `groups` holds the 50 % frequency by direction and by zone, where edges of
    more than one kind were measured.
    """

    edges: tuple[Edge, ...]
    rejected: tuple[RejectedEdge, ...]
    frequency_50: Quantity
    frequency_10: Quantity | None
    width: Quantity
    overshoot: Quantity
    modulation: Float
    modulation_low: Float
    modulation_high: Float
    groups: dict[str, Quantity] = field(default_factory=dict)
    pixel_size: Quantity | None = None
    notes: tuple[str, ...] = ()

    @property
    def frequency(self) -> Float:
        """Frequencies of the curves, cycles/px."""
        return FREQUENCY

    def evidence(self) -> dict[str, Any]:
        """What is needed to draw the result, as plain data; px of the whole photo."""
        return {
            "edges": [
                {
                    "ends": edge.line.ends(edge.length), "direction": edge.direction,
                    "zone": edge.zone,
                    "frequency_50": edge.frequency_50.value, "frequency_50_u": edge.frequency_50.u,
                    "modulation": [round(float(m), 5) for m in edge.modulation],
                    "position": [round(float(x), 3) for x in edge.spread.position],
                    "spread": [round(float(e), 5) for e in edge.spread.spread],
                }
                for edge in self.edges
            ],
            "rejected": [
                {"ends": one.line.ends(one.length), "reason": one.reason} for one in self.rejected
            ],
            "frequency": self.frequency.tolist(),
            "modulation": self.modulation.tolist(),
            "low": self.modulation_low.tolist(),
            "high": self.modulation_high.tolist(),
        }  # fmt: skip

    def findings(self) -> dict[str, Finding]:
        """The fixed keys of `edge`, groups as `frequency_50_...`, and object units when calibrated."""
        out = {"frequency_50": Finding(self.frequency_50, METHOD)}
        if self.frequency_10 is not None:
            out["frequency_10"] = Finding(self.frequency_10, METHOD)
        out["edge_width_10_90"] = Finding(self.width, METHOD)
        out["overshoot"] = Finding(self.overshoot, METHOD)
        out["edges"] = Finding(len(self.edges), METHOD)
        out |= {
            f"frequency_50_{name}": Finding(value, METHOD) for name, value in self.groups.items()
        }
        if self.pixel_size is not None:
            for key, value in (
                ("frequency_50", self.frequency_50),
                ("frequency_10", self.frequency_10),
            ):
                if value is not None:
                    out[f"{key}_object"] = Finding(_per_um(value, self.pixel_size), METHOD)
            width = combine(lambda w, p: w * p, (self.width, self.pixel_size), "um")
            out["edge_width_10_90_object"] = Finding(width, METHOD)
        return out


def measure_edges(
    image: FloatImage,
    *,
    box: tuple[int, int, int, int] | None = None,
    pixel_size: Quantity | None = None,
    full: npt.NDArray[np.bool_] | None = None,
    limit: int = MAX_EDGES,
    notes: Sequence[str] = (),
    other_tones: Sequence[Relight] = (),
    quantization: Mapping[int, Any] | None = None,
) -> EdgeResponse:
    """Measure the edge response of `image` on the straight edges found in it.

    `image` is linear light, (height, width), 0 where the camera records nothing; `full` marks the
    pixels at full scale (by default those of 1 and above). With `box` = (x, y, width, height) in px
    only edges within it are used. `pixel_size` (um/px) adds findings in object units. `notes` are
    put before the measurement's own. Where the tone curve behind `image` was only assumed,
    `other_tones` are what the light may be instead (`Photo.other_tones`); what that makes of the
    result is in its uncertainty, and so is what JPEG with the tables `quantization` took away. The
    result includes the pixel aperture: it is the response of
    optics and pixels together, as ISO 12233 has it. In a round field, as an eyepiece shows it, the
    edge of the field stop is left out: it is not in the object's plane.

    Raises `NotMeasurable` with the reasons when no edge is fit to be measured, or when those that
    are differ too much to say one number, and by direction and place do so too.
    """
    x0, y0, w, h = box or (0, 0, image.shape[1], image.shape[0])
    view = slice(y0, y0 + h), slice(x0, x0 + w)
    part = np.ascontiguousarray(image[view], dtype=np.float32)
    full_part = None if full is None else full[view]
    stop = find_field_stop(np.ascontiguousarray(image, dtype=np.float32))
    candidates = find_candidates(
        part, MAX_CANDIDATES, lambda line, length: _is_on_view(_shifted(line, x0, y0), length, stop)
    )
    edges: list[Edge] = []
    rejected: list[RejectedEdge] = []
    for candidate in candidates:
        if len(edges) >= limit:
            break
        try:
            clearing = clear_part(part, candidate)
            edge = _measure_one(part, full_part, clearing, (x0, y0), image.shape,
                                other_tones, quantization or {})  # fmt: skip
        except (Rejected, NotMeasurable) as reason:
            line = _shifted(candidate.line, x0, y0)
            rejected.append(RejectedEdge(line, candidate.length, str(reason)))
        else:
            if not any(_covers(other, edge) for other in edges):
                edges.append(edge)
    if not edges:
        raise NotMeasurable(_refusal(rejected, in_round_field=stop is not None))
    found = _together(edges, rejected, pixel_size, (*notes, *([ROUND] if stop else [])))
    if _is_vague(found.frequency_50) and not found.groups:
        main = found.frequency_50.contributions[0].source
        if main in OPEN:
            raise NotMeasurable(f"{OPEN[main]}: {_if_usual(found.frequency_50)}")
        raise NotMeasurable(
            f"{len(edges)} edges were measured and differ too much to say one number: 50 %"
            f" modulation at {min(e.frequency_50.value for e in edges):.2g} to"
            f" {max(e.frequency_50.value for e in edges):.2g} cycles/px"
        )
    return found


OPEN = {
    TONE: "the tone curve is not known, and edges of so much contrast depend on it; state it (--tone)"
    " or use edges of less contrast",
    LOST: "compression may have taken too much of the detail; save at a better quality",
}
"""Why a result is left open, by what makes up most of its uncertainty, and what helps."""


def _if_usual(frequency: Quantity) -> str:
    share = frequency.expanded / frequency.value
    return f"50 % modulation would lie at {frequency.value:.2g} cycles/px, within {share:.0%}"


ROUND = "the field is round: the edge of its stop is left out"


def _is_on_view(line: EdgeLine, length: float, stop: FieldStop | None) -> bool:
    """Whether an edge lies clear of the rim of the round field, where there is one."""
    if stop is None:
        return True
    reach = stop.diameter / 2 * (1 - RIM_SHARE)
    x0, y0, x1, y1 = line.ends(length)
    return all(math.hypot(x - stop.x, y - stop.y) < reach for x, y in ((x0, y0), (x1, y1)))


def _is_vague(value: Quantity) -> bool:
    return value.expanded > USEFUL * abs(value.value)


def _measure_one(
    image: FloatImage, full: npt.NDArray[np.bool_] | None, clearing: Clearing,
    origin: tuple[int, int], shape: tuple[int, ...], other_tones: Sequence[Relight],
    quantization: Mapping[int, Any],
) -> Edge:  # fmt: skip
    samples, lost = _gather(image, full, clearing)
    inner = min(clearing.half_width, math.ceil(1.5 * clearing.width) + 3.0)
    placement = place_edge(samples, clearing.line, inner)
    _check_shape(placement, clearing)
    _check_straight(samples, placement.line, clearing.width)
    _check_coverage(samples, placement.line, clearing.width)
    _check_clipping(samples, lost, placement.line)
    spread = spread_edge(samples, placement.line, clearing.half_width)
    _check_single(spread)
    _check_sides(spread)
    frequency_50 = _frequency(spread, 0.5, placement)
    if frequency_50.relative > NOISY:
        raise Rejected("too noisy")
    try:
        frequency_10 = _frequency(spread, 0.1, placement)
    except NotMeasurable:
        frequency_10 = None
    if frequency_10 is not None and frequency_10.relative >= 2.5 * NOISY:
        frequency_10 = None
    loss = _loss(spread, quantization)
    frequency_50 = _with_loss(frequency_50, loss)
    frequency_10 = None if frequency_10 is None else _with_loss(frequency_10, loss)
    width, width_u = spread.width_10_90()
    line = _shifted(placement.line, *origin)
    toned = under_other_tones(samples, placement.line, clearing.half_width, other_tones)
    return Edge(
        line, clearing.length, _direction(line), _zone(line, shape), spread, placement,
        with_tone(frequency_50, [t.frequency_50 for t in toned]),
        None if frequency_10 is None else with_tone(frequency_10, [t.frequency_10 for t in toned]),
        with_tone(
            Quantity.of(width, width_u, "px", "noise", _strips(spread) - 1).with_contribution(
                "method", METHOD_U * width
            ),
            [t.width for t in toned],
        ),
        with_tone(
            Quantity.of(spread.overshoot, spread.overshoot_u, "1", "noise", 1).with_contribution(
                "tails beyond the window", max(spread.tail_u, 0.25 * abs(spread.tail))
            ),
            [t.overshoot for t in toned],
        ),
        toned, loss,
    )  # fmt: skip


Loss = Callable[[float], float]
"""Relative standard uncertainty of a frequency (cycles/px) for what compression took away there."""


def _loss(spread: EdgeSpread, quantization: Mapping[int, Any]) -> Loss:
    levels = linear_to_srgb(np.array([spread.dark, spread.bright]))
    step = 255 * max(float(levels[1] - levels[0]), 1e-3)

    def loss(frequency: float) -> float:
        return COMPRESSION * float(quantization_step(quantization, frequency)) * frequency / step

    return loss


def _with_loss(frequency: Quantity, loss: Loss) -> Quantity:
    u = loss(frequency.value) * frequency.value
    return frequency.with_contribution(LOST, u) if u else frequency


def _gather(
    image: FloatImage, full: npt.NDArray[np.bool_] | None, clearing: Clearing
) -> tuple[Samples, npt.NDArray[np.bool_]]:
    """The pixels around an edge, and which of them are at full scale."""
    line, half = clearing.line, clearing.half_width + 3
    cos, sin = abs(math.cos(line.normal)), abs(math.sin(line.normal))
    reach_x = half * cos + clearing.length / 2 * sin + 1
    reach_y = half * sin + clearing.length / 2 * cos + 1
    x0, x1 = max(0, int(line.x - reach_x)), min(image.shape[1], int(line.x + reach_x) + 2)
    y0, y1 = max(0, int(line.y - reach_y)), min(image.shape[0], int(line.y + reach_y) + 2)
    x, y = np.meshgrid(np.arange(x0, x1, dtype=np.float64), np.arange(y0, y1, dtype=np.float64))
    across, along = line.distances(x, y)
    inside = (np.abs(along) <= clearing.length / 2) & (np.abs(across) <= half)
    value = image[y0:y1, x0:x1][inside]
    lost = value >= 1.0 if full is None else full[y0:y1, x0:x1][inside]
    return Samples(x[inside], y[inside], value.astype(np.float64)), lost


def _check_shape(placement: Placement, clearing: Clearing) -> None:
    sagitta = abs(placement.sagitta)
    if sagitta > max(CURVED_PX, CURVED * clearing.width):
        raise Rejected("curved")
    if placement.wander > max(RAGGED * clearing.width, 0.06):
        raise Rejected("ragged")


def _check_straight(samples: Samples, line: EdgeLine, width: float) -> None:
    """The same arc once more, row by row, for what the fit of the whole edge cannot see."""
    arc, arc_u = arc_by_rows(samples, line, width + ROOM_FOR_ROWS_PX)
    if abs(arc) > max(CURVED_PX, CURVED * width, 3 * arc_u):
        raise Rejected("curved")


def _check_coverage(samples: Samples, line: EdgeLine, width: float) -> None:
    across, _ = line.distances(samples.x, samples.y)
    reach = width / 2 + 1
    across = np.sort(across[np.abs(across) <= reach])
    if len(across) < 8 or float(np.diff(across).max()) > 1.2 * NODE_PX:
        raise Rejected("badly slanted: its pixels lie at too few distances from it")


def _check_clipping(samples: Samples, lost: npt.NDArray[np.bool_], line: EdgeLine) -> None:
    across, _ = line.distances(samples.x, samples.y)
    if float(np.mean(lost[across > 0])) > CLIPPED_SHARE:
        raise Rejected("clipped: its bright side is at full scale")
    if float(np.mean(samples.value[across < 0] <= 0)) > BLACK_SHARE:
        raise Rejected("clipped: its dark side is at zero")


def _check_single(spread: EdgeSpread) -> None:
    """A rise that pauses on its way belongs to two edges."""
    rise = np.convolve(np.diff(spread.spread), np.full(4, 0.25), "valid")
    level = np.convolve(spread.spread, np.full(5, 0.2), "valid")
    noise = float(np.sqrt((np.diff(spread.spread_influence) ** 2).sum(0)).mean()) / 2
    main = float(rise.max())
    peaks, found = find_peaks(rise, prominence=max(PAUSE * main, 5 * noise, 1e-9))
    within = (level[peaks] > 0.08) & (level[peaks] < 0.92)
    if np.count_nonzero(within) > 1 or np.count_nonzero(found["prominences"] > HUMP * main) > 1:
        raise Rejected("doubled")


def _check_sides(spread: EdgeSpread) -> None:
    width = spread.width_10_90()[0]
    smooth = np.convolve(spread.spread, np.full(5, 0.2), "same")
    x = spread.position
    away = np.abs(x) < spread.half_width - 1
    astray = np.abs(smooth - (x > 0))
    far = away & (np.abs(x) > max(1.5 * width, HALO_PX))
    if float(astray[far].max(initial=0.0)) > UNEVEN or spread.overshoot > WILD:
        raise Rejected("too close to other structure")


def _frequency(spread: EdgeSpread, level: float, placement: Placement) -> Quantity:
    value, noise, tails = spread.frequency_at(level)
    # Scatter of variance v along the normal widens the line spread function, whose variance is
    # about (width / 2.56)^2; the frequency falls by half the relative increase. A line turned by
    # end_u at its ends has the variance end_u^2 / 3, an arc of height s has 4/45 s^2.
    arc = placement.sagitta_u**2 * 4 / 45
    variance = placement.wander**2 + placement.end_u**2 / 3 + arc
    placing = 0.5 * variance / max((spread.width_10_90()[0] / 2.56) ** 2, 1e-9) * value
    return Quantity(value, "cycles/px", (
        Contribution("noise", noise, _strips(spread) - 1),
        Contribution("tails beyond the window", tails),
        Contribution("straightness of the edge", placing),
        Contribution("method", METHOD_U * value),
    ))  # fmt: skip


def _strips(spread: EdgeSpread) -> int:
    return max(len(spread.influence), 2)


def _shifted(line: EdgeLine, x0: int, y0: int) -> EdgeLine:
    return EdgeLine(line.x + x0, line.y + y0, line.normal, line.bow)


def _direction(line: EdgeLine) -> str:
    along_x = abs(math.degrees(math.atan2(abs(math.sin(line.normal)), abs(math.cos(line.normal)))))
    return "x" if along_x <= 30 else "y" if along_x >= 60 else "diagonal"


def _zone(line: EdgeLine, shape: tuple[int, ...]) -> str:
    dx, dy = line.x - (shape[1] - 1) / 2, line.y - (shape[0] - 1) / 2
    share = math.hypot(dx, dy) / (math.hypot(shape[0], shape[1]) / 2)
    return "centre" if share < 1 / 3 else "middle" if share < 2 / 3 else "corner"


def _covers(one: Edge, other: Edge) -> bool:
    across, along = one.line.distances(np.array([other.line.x]), np.array([other.line.y]))
    parallel = math.cos(one.line.normal - other.line.normal) > 0.98
    return bool(parallel and abs(across[0]) < 3 and abs(along[0]) < one.length / 2)


def _refusal(rejected: Sequence[RejectedEdge], *, in_round_field: bool) -> str:
    if not rejected:
        where = " within the round field" if in_round_field else ""
        return f"no straight edge of {MIN_LENGTH_PX:.0f} px or more was found{where}"
    counts = Counter(edge.reason.split(":")[0] for edge in rejected)
    reasons = ", ".join(f"{count} {reason}" for reason, count in counts.most_common())
    found = f"{len(rejected)} edges were" if len(rejected) > 1 else "1 edge was"
    return f"{found} found and none is fit to be measured ({reasons})"


def _together(
    edges: Sequence[Edge], rejected: Sequence[RejectedEdge], pixel_size: Quantity | None,
    notes: tuple[str, ...],
) -> EdgeResponse:  # fmt: skip
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
    vague = {name: value for name, value in groups.items() if _is_vague(value)}
    return EdgeResponse(
        tuple(edges), tuple(rejected),
        frequency_50=_typical([(e.frequency_50, [t.frequency_50 for t in e.toned]) for e in edges]),
        frequency_10=None if frequency_10 is None or _is_vague(frequency_10) else frequency_10,
        width=_typical([(e.width, [t.width for t in e.toned]) for e in edges]),
        overshoot=_typical([(e.overshoot, [t.overshoot for t in e.toned]) for e in edges]),
        modulation=middle, modulation_low=low, modulation_high=high,
        groups={name: value for name, value in groups.items() if name not in vague},
        pixel_size=pixel_size,
        notes=(*notes, *_notes(edges, rejected, len(tens)), *_vague_notes(vague, frequency_10)),
    )  # fmt: skip


MEDIAN_COST = 1.2533
"""Standard error of a median over that of a mean, for normal scatter: sqrt(pi / 2)."""


def _whole_band(edges: Sequence[Edge], middle: Float, band: Float) -> tuple[Float, Float]:
    """The 95 % band of the curve, with what compression and other tone curves make of it."""
    slope = np.abs(np.gradient(middle, FREQUENCY))
    lost = np.median([[e.loss(float(f)) for f in FREQUENCY] for e in edges], axis=0)
    wide = np.hypot(band, 1.96 * slope * FREQUENCY * lost)
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
        common = [abs(p.u) for q in values for p in q.contributions if p.source == source]
        if common:
            result = result.with_contribution(source, float(np.median(common)))
    shifts = np.array([others for _, others in told]) - numbers[:, None]
    others = []
    for shift in shifts.T:
        known = np.isfinite(shift)
        if known.any():
            others.append(middle + _weighted_median(shift[known], u[known]))
    return with_tone(result, others)


COMMON = ("tails beyond the window", "method", LOST)
"""Contributions that all edges of a photo share."""


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


def _per_um(frequency: Quantity, pixel_size: Quantity) -> Quantity:
    return combine(lambda f, p: f / p, (frequency, pixel_size), "cycles/um")


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


GROUPS = {
    "frequency_50_x": "detail along x", "frequency_50_y": "detail along y",
    "frequency_50_diagonal": "diagonal detail",
    "frequency_50_centre": "detail in the centre", "frequency_50_middle": "detail half way out",
    "frequency_50_corner": "detail in the corners",
}  # fmt: skip
"""Keys of groups of edges, and what each speaks of."""


def _vague_notes(vague: Mapping[str, Quantity], frequency_10: Quantity | None) -> list[str]:
    names = [GROUPS[f"frequency_50_{name}"] for name in vague]
    names += ["the 10 % frequency"] if frequency_10 is not None and _is_vague(frequency_10) else []
    if not names:
        return []
    verb = "is" if len(names) == 1 else "are"
    return [
        f"{', '.join(names)} {verb} not stated: edges that differ or are few, the tone curve or"
        f" compression leave it open beyond {USEFUL:.0%}"
    ]


SHARPENED = 0.04
"""Overshoot from which sharpening is named. A clear circular pupil gives none (its edge response
rises monotonically), an annular or defocused one at most about 2 %."""


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
