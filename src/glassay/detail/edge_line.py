"""Where an edge is, to a hundredth of a pixel, and how well it follows a line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from glassay.detail.edge_spline import NODE_PX, Float, Index, SplineFit
from glassay.errors import NotMeasurable
from glassay.fitting import scatter

MAX_STRIPS = 24
"""Strips along the edge; the scatter between them gives the line's fit and the confidence band."""

SETTLED_PX = 0.02
"""The line is settled when a round moves its ends by less than this."""

MIN_ROWS = 12
"""Fewest rows of pixels from which an arc is told."""

MIN_STRIP_SAMPLES = 8
"""Fewest pixels in a strip that still give it a position."""


@dataclass(frozen=True)
class EdgeLine:
    """Where an edge is: midpoint (x, y) in px, pixel centres at integers, and its normal.

    `normal` is the direction in radians, from +x towards +y, pointing to the brighter side. `bow`
    is the curvature (1/px, along the normal): a point at t px along the edge lies `bow * t**2` px
    off the line.
    """

    x: float
    y: float
    normal: float
    bow: float = 0.0

    def distances(self, x: Float, y: Float) -> tuple[Float, Float]:
        """Distance across (positive on the bright side) and along the edge, for pixel centres."""
        cos, sin = np.cos(self.normal), np.sin(self.normal)
        along = -(x - self.x) * sin + (y - self.y) * cos
        across = (x - self.x) * cos + (y - self.y) * sin - self.bow * along**2
        return across, along

    def ends(self, length: float) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of the edge, `length` px long."""
        dx, dy = -np.sin(self.normal) * length / 2, np.cos(self.normal) * length / 2
        return float(self.x - dx), float(self.y - dy), float(self.x + dx), float(self.y + dy)

    def moved(self, shift: float, turn: float, bow: float) -> EdgeLine:
        """The line displaced along its normal by `shift + turn * t + bow * t**2` px at t."""
        cos, sin = np.cos(self.normal), np.sin(self.normal)
        return EdgeLine(
            self.x + shift * cos, self.y + shift * sin, self.normal - np.arctan(turn),
            self.bow + bow,
        )  # fmt: skip


@dataclass(frozen=True)
class Samples:
    """Pixels near one edge: where they lie and what they hold, each of shape (n,)."""

    x: Float
    y: Float
    value: Float


@dataclass(frozen=True)
class Placement:
    """A line fitted to an edge, and how well the edge follows it.

    `wander` is the rms of the edge about the line beyond what noise explains, `end_u` how far the
    ends may be off by the line's uncertain tilt (standard uncertainty), `sagitta` the height
    of its arc over the line's length; px.
    """

    line: EdgeLine
    wander: float
    end_u: float
    sagitta: float
    sagitta_u: float


def strips_along(along: Float, target: int = MAX_STRIPS) -> Index:
    """Number each sample's strip: equal lengths along the edge, none shorter than 2 px."""
    low, high = float(along.min()), float(along.max())
    strips = int(np.clip((high - low) / 2, 2, target))
    return np.clip(((along - low) / (high - low + 1e-9) * strips).astype(np.intp), 0, strips - 1)


def place_edge(samples: Samples, line: EdgeLine, half_width: float, rounds: int = 6) -> Placement:
    """Fit the line to sub-pixel: each strip is shifted to fit the edge spread of all of them.

    This is the maximum-likelihood position for white noise, where ISO 12233 takes each row's
    centroid; it does not suffer from noise far from the edge. An arc is fitted as well where it is
    significant. Raises `NotMeasurable` when the strips hold too few pixels.
    """
    line = _centred(samples, line, half_width)
    for _ in range(rounds):
        along, shift, shift_u = _strip_shifts(samples, line, half_width)
        turn = float(_fit_line(along, shift, shift_u, 1)[0][1])
        line = line.moved(0.0, turn, 0.0)
        if abs(turn) * float(np.ptp(along)) < SETTLED_PX:
            break
    terms, terms_u, _ = _fit_line(*_strip_shifts(samples, line, half_width), 2)
    bowed = bool(abs(terms[2]) > 3 * terms_u[2])
    if bowed:
        line = line.moved(*terms)
    line = _centred(samples, line, half_width)
    along, shift, shift_u = _strip_shifts(samples, line, half_width)
    _, last_u, rest = _fit_line(along, shift, shift_u, 1)
    half_length = float(np.abs(along).max())
    wander = float(np.sqrt(max(float(np.mean(rest**2) - np.mean(shift_u**2)), 0.0)))
    return Placement(
        line,
        wander=wander,
        end_u=float(last_u[1]) * half_length,
        sagitta=line.bow * half_length**2 if bowed else 0.0,
        sagitta_u=float(terms_u[2]) * half_length**2,
    )


def arc_by_rows(samples: Samples, line: EdgeLine, reach: float) -> tuple[float, float]:
    """Height of the edge's arc over its length, and its standard uncertainty, px.

    Each row (column, for a level edge) of pixels places the edge by itself, by the area under its
    rise within `reach` px, much as ISO 12233 takes each row's centroid. That is noisier than
    `place_edge`, which a short edge along the pixel rows can deceive: there each node of the spline
    sees only a few strips, and it bends into a zigzag instead of showing an arc. (0, infinity)
    where too few rows cross the edge.
    """
    straight = EdgeLine(line.x, line.y, line.normal)
    across, along = straight.distances(samples.x, samples.y)
    cos, sin = abs(np.cos(line.normal)), abs(np.sin(line.normal))
    spacing = float(max(cos, sin))
    inside = np.abs(across) <= reach
    beyond = np.abs(across) > 0.7 * reach
    low, high = (float(np.median(samples.value[beyond & (s * across > 0)])) for s in (-1, 1))
    if not (np.isfinite([low, high]).all() and high > low):
        return 0.0, np.inf
    rows = np.round(samples.y if cos >= sin else samples.x)[inside].astype(np.intp)
    rows -= rows.min()
    share = (samples.value[inside] - low) / (high - low)
    count = np.bincount(rows)
    area = np.bincount(rows, share) * spacing
    first, last = np.full(count.size, np.inf), np.full(count.size, -np.inf)
    np.minimum.at(first, rows, across[inside])
    np.maximum.at(last, rows, across[inside])
    whole = (first < -reach + 1.5 * spacing) & (last > reach - 1.5 * spacing)
    if np.count_nonzero(whole) < MIN_ROWS:
        return 0.0, np.inf
    place = last[whole] + spacing / 2 - area[whole]
    t = (np.bincount(rows, along[inside]) / np.maximum(count, 1))[whole]
    terms, covariance = np.polyfit(t, place, 2, cov=True)
    lever = float(np.abs(t).max()) ** 2
    return float(terms[0]) * lever, float(np.sqrt(covariance[0, 0])) * lever


def _near(samples: Samples, line: EdgeLine, half_width: float) -> tuple[Float, Float, Float]:
    across, along = line.distances(samples.x, samples.y)
    near = np.abs(across) < half_width
    return across[near], along[near], samples.value[near]


def _centred(samples: Samples, line: EdgeLine, half_width: float) -> EdgeLine:
    """The line moved to where the spread crosses the middle between its two ends.

    The strips only say where they lie relative to each other; this sets their common origin.
    """
    across, _, value = _near(samples, line, half_width)
    fit = SplineFit(across, value, np.zeros(len(value), np.intp), half_width)
    nodes, quarter = fit.at_nodes(fit.coefficients), len(fit.position) // 8
    level = (float(np.median(nodes[:quarter])) + float(np.median(nodes[-quarter:]))) / 2
    rising = np.flatnonzero((nodes[:-1] < level) & (nodes[1:] >= level))
    if not rising.size:
        raise NotMeasurable("the edge does not rise from its dark to its bright side")
    j = int(rising[np.argmin(np.abs(fit.position[rising]))])
    share = (level - nodes[j]) / (nodes[j + 1] - nodes[j])
    return line.moved(float(fit.position[j] + share * NODE_PX), 0.0, 0.0)


def _strip_shifts(
    samples: Samples, line: EdgeLine, half_width: float
) -> tuple[Float, Float, Float]:
    across, along, value = _near(samples, line, half_width)
    strip = strips_along(along)
    fit = SplineFit(across, value, strip, half_width)
    slope = fit.slope()
    weight, count = np.bincount(strip, slope**2), np.bincount(strip)
    if (weight <= 0).any() or (count < MIN_STRIP_SAMPLES).any():
        raise NotMeasurable("parts of the edge hold too few pixels")
    # Values fall when the edge moves towards the bright side, hence the sign.
    shift = -np.bincount(strip, slope * fit.residual) / weight
    noise = float(np.sqrt(np.mean(fit.residual**2)))
    middle = np.asarray(np.bincount(strip, along) / count)
    return middle, np.asarray(shift), np.asarray(noise / np.sqrt(weight))


def _fit_line(t: Float, s: Float, u: Float, order: int) -> tuple[Float, Float, Float]:
    basis = np.vander(t, order + 1, increasing=True)
    weight, huber = 1 / np.maximum(u, 1e-6), np.ones_like(s)
    for _ in range(4):
        w = weight * np.sqrt(huber)
        terms = np.linalg.lstsq(basis * w[:, None], s * w, rcond=None)[0]
        rest = s - basis @ terms
        sigma = max(scatter(rest), 1e-4)
        huber = 1 / np.maximum(np.abs(rest) / (2.5 * sigma), 1.0)
    normal = np.linalg.inv((basis * w[:, None]).T @ (basis * w[:, None]))
    spread = max(float(np.mean((rest * w) ** 2)), 1.0)
    terms_u = np.sqrt(np.diag(normal) * spread)
    return np.asarray(terms), np.asarray(terms_u), np.asarray(rest)
