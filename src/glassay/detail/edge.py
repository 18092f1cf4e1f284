"""Edge response of a photo: modulation transfer measured on the straight edges found in it.

Entry point: `measure_edges`. Finding is in `edge_finding`, their room in `edge_clearing`, the line in
`edge_line`, the arithmetic of ISO 12233 in `edge_spread`, what they say together in `edge_together`;
what this file adds is the judgement which edges are fit.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.across_field import zone_at
from glassay.detail.edge_clearing import HALO_PX, Clearing, Rejected, clear_part
from glassay.detail.edge_finding import MIN_LENGTH_PX, find_candidates
from glassay.detail.edge_line import EdgeLine, Placement, Samples, arc_by_rows, place_edge
from glassay.detail.edge_loss import (
    COMPRESSION_10,
    COMPRESSION_50,
    LOST,
    loss_of,
    with_loss,
)
from glassay.detail.edge_result import Edge, EdgeResponse, RejectedEdge
from glassay.detail.edge_spline import NODE_PX
from glassay.detail.edge_spread import EdgeSpread, spread_edge
from glassay.detail.edge_together import is_vague, together
from glassay.detail.edge_tone import under_other_tones
from glassay.detail.grey_levels import check_levels
from glassay.detail.lighting import check_light
from glassay.errors import NotMeasurable
from glassay.field_stop import FieldStop, find_field_stop
from glassay.imaging.tone import FloatImage, Relight
from glassay.quantity import Contribution, Quantity
from glassay.tone_doubt import SOURCE as TONE
from glassay.tone_doubt import with_tone

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

METHOD_U = 0.003
"""Relative standard uncertainty of the method itself: the largest bias left in the accuracy study
for clean, long edges with a full window."""


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
    result includes the pixel aperture: it is the response of optics and pixels together, as ISO 12233
    has it. In a round field, as an eyepiece shows it, the edge of the field stop is left out: it is
    not in the object's plane.

    Raises `NotMeasurable` with the reasons when no edge is fit to be measured, or when those that
    are differ too much to say one number, and by direction and place do so too.
    """
    x0, y0, w, h = box or (0, 0, image.shape[1], image.shape[0])
    view = slice(y0, y0 + h), slice(x0, x0 + w)
    part = np.ascontiguousarray(image[view], dtype=np.float32)
    full_part = None if full is None else full[view]
    check_levels(part)
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
    if _face_all_ways(edges):
        check_light(part, float(np.median([edge.width.value for edge in edges])))
    found = together(edges, rejected, pixel_size, (*notes, *([ROUND] if stop else [])))
    if is_vague(found.frequency_50) and not found.groups:
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
    TONE: "the tone curve is not known, and edges of so much contrast depend on it; state it as"
    " tone, or use edges of less contrast",
    LOST: "compression may have taken too much of the detail; save at a better quality",
}
"""Why a result is left open, by what makes up most of its uncertainty, and what helps."""


def _if_usual(frequency: Quantity) -> str:
    share = frequency.expanded / frequency.value
    return f"50 % modulation would lie at {frequency.value:.2g} cycles/px, within {share:.0%}"


def _face_all_ways(edges: Sequence[Edge]) -> bool:
    """Whether these are edges of a chip: many, and across each other. A blade's or a slide's face one
    way; what leans there may be the lens (coma) as well as the light."""
    turns = [np.exp(2j * edge.line.normal) for edge in edges]
    return len(edges) >= MANY_EDGES and abs(np.mean(turns)) < ACROSS


MANY_EDGES, ACROSS = 6, 0.9
"""Edges from which a photo shows a chip; and how much of one direction all of them may be, 1 being all
of it: below, at least a twentieth lie across the others."""

ROUND = "the field is round: the edge of its stop is left out"


def _is_on_view(line: EdgeLine, length: float, stop: FieldStop | None) -> bool:
    """Whether an edge lies clear of the rim of the round field, where there is one."""
    if stop is None:
        return True
    reach = stop.diameter / 2 * (1 - RIM_SHARE)
    x0, y0, x1, y1 = line.ends(length)
    return all(math.hypot(x - stop.x, y - stop.y) < reach for x, y in ((x0, y0), (x1, y1)))


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
    loss = loss_of(spread, quantization)
    frequency_50 = with_loss(frequency_50, loss, COMPRESSION_50)
    if frequency_10 is not None:
        frequency_10 = with_loss(frequency_10, loss, COMPRESSION_10)
    width, width_u = spread.width_10_90()
    line = _shifted(placement.line, *origin)
    toned = under_other_tones(samples, placement.line, clearing.half_width, other_tones)
    return Edge(
        line, clearing.length, _direction(line), zone_at(line.x, line.y, shape), spread, placement,
        with_tone(frequency_50, [t.frequency_50 for t in toned]),
        None if frequency_10 is None else with_tone(frequency_10, [t.frequency_10 for t in toned]),
        with_tone(
            Quantity.of(width, width_u, "px", "noise", _strips(spread) - 1).with_contribution(
                "method", METHOD_U * width, scope="setting"
            ),
            [t.width for t in toned],
        ),
        with_tone(
            Quantity.of(spread.overshoot, spread.overshoot_u, "1", "noise", 1).with_contribution(
                "tails beyond the window", max(spread.tail_u, 0.25 * abs(spread.tail)), scope="capture"
            ),
            [t.overshoot for t in toned],
        ),
        toned, loss,
    )  # fmt: skip


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
    from scipy.signal import find_peaks  # scipy.stats comes with it: a second of loading

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
        Contribution("tails beyond the window", tails, scope="capture"),
        Contribution("straightness of the edge", placing, scope="capture"),
        Contribution("method", METHOD_U * value, scope="setting"),
    ))  # fmt: skip


def _strips(spread: EdgeSpread) -> int:
    return max(len(spread.influence), 2)


def _shifted(line: EdgeLine, x0: int, y0: int) -> EdgeLine:
    return EdgeLine(line.x + x0, line.y + y0, line.normal, line.bow)


def _direction(line: EdgeLine) -> str:
    along_x = abs(math.degrees(math.atan2(abs(math.sin(line.normal)), abs(math.cos(line.normal)))))
    return "x" if along_x <= 30 else "y" if along_x >= 60 else "diagonal"


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
