"""One straight edge: its super-resolved edge spread function and the modulation transfer from it.

The processing follows the slanted-edge method of ISO 12233 (e-SFR) with the changes that
`docs/methods-edge.md` lists. All lengths are in px along the edge's normal; frequencies are in
cycles/px along that normal.

Derivative filter
-----------------
The edge spread function is known at nodes a distance h = 1/4 px apart, E_k = E(k h). Its derivative
is taken as the first difference D_k = E_(k+1) - E_k, which is exactly

    D_k = integral of the line spread function L over [k h, (k + 1) h] = h (L * box_h)((k + 1/2) h),

the line spread function convolved with a box of width h, sampled at the midpoints. In the frequency
domain the box multiplies by sinc(f h) = sin(pi f h) / (pi f h), so that

    MTF(f) = |sum_k D_k w_k exp(-2 pi i f x_k)| / (step x sinc(f h)).

The correction 1 / sinc(f h) is 1.026 at Nyquist (0.5 cycles/px) and 1.11 at 1 cycle/px. (The
central difference (E_(k+1) - E_(k-1)) / 2 of printed descriptions spans 2 h and needs
1 / sinc(2 f h): 1.11 at Nyquist.) There is no further factor for binning,
because samples are not averaged in bins: the E_k come from a least-squares cubic spline through
all samples at their true distances, whose own transfer differs from 1 by less than (f h)^4, 0.02
% at Nyquist. Derived here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import sici

from glassay.detail.edge_line import EdgeLine, Samples, strips_along
from glassay.detail.edge_spline import NODE_PX, Float, SplineFit
from glassay.errors import NotMeasurable

Complex = npt.NDArray[np.complex128]

ANALYSIS_FREQUENCY = (np.arange(0, 161) / 160.0) ** 2
"""Frequencies of the analysis, 0..1 cycles/px, finer near 0 where soft edges have their 50 %."""

SHADING_PRIOR = 0.01
"""Expected change of illumination across the half width of the window, relative, one sigma. A photo
that falls off by 30 % over 2000 px changes by 1 % over 64 px."""

TAIL_PRIOR = 0.026
"""Strength of the 1/x^2 tail of the line spread function for a step of 1, as a multiple of 1 over
the 50 % frequency: that of an aberration-free circular pupil, whose modulation starts with a slope
of -4 / (pi cutoff) and has its 50 % at 0.404 cutoff: 4 / pi x 0.404 / (2 pi^2). Other responses
(a Gaussian has none) lie between 0 and this."""

FLAT_SHARE = 0.5
"""Share of the window's half width over which it is flat. 0.25 to 0.75 give the same bias."""

WINDOW_PERIODS, WINDOW_WIDTHS = 1.5, 2.0
"""The window narrows with frequency to this many periods on either side, but not below this many
10-90 % edge widths: what is fine lies close to the edge, and the rest only adds noise. From 2 to
1.5 periods the scatter of the 50 % frequency falls by a third and the bias stays below 0.1 %; at
1 period the curve of a Gaussian is off by 0.003 rms (circular, Gaussian, sharpened, defocused)."""

SIDE_STARTS, SIDE_MISFIT = (1 / 3, 0.5, 0.65, 0.8), 0.003
"""Where the sides begin, in half widths of the window: the first that follows the law of the tails
within noise or this share of the step. The halo of a sharpened edge pushes the start outwards."""

TAIL_MODEL = 0.1
"""Relative uncertainty of the 1/x^2 law of the tails: higher orders at the window's edge."""


@dataclass(frozen=True)
class EdgeSpread:
    """Edge spread and modulation transfer of one edge.

    `position` (n,) in px and `spread` (n,), 0 on the dark and 1 on the bright side. `modulation`
    and its standard uncertainty `modulation_u` at `ANALYSIS_FREQUENCY`. `influence` (strips, f) is
    how each strip pulls the modulation; the rows add to the uncertainty in quadrature.
    `tail` is the share of the step that lies beyond the window, `tail_u` its uncertainty.
    """

    position: Float
    spread: Float
    spread_influence: Float
    modulation: Float
    influence: Float
    half_width: float
    dark: float
    bright: float
    noise: float
    tail: float
    tail_u: float
    overshoot: float
    overshoot_u: float

    @property
    def modulation_u(self) -> Float:
        """Standard uncertainty of the modulation: scatter between strips, and the tail."""
        scatter = (self.influence**2).sum(0)
        return np.asarray(np.sqrt(scatter + (self.tail_u * self.modulation) ** 2))

    def frequency_at(self, level: float) -> tuple[float, float, float]:
        """Where the modulation first falls to `level`: cycles/px, u from scatter, u from tails.

        Raises `NotMeasurable` when the curve stays above `level` up to 1 cycle/px.
        """
        below = np.flatnonzero(self.modulation < level)
        if not below.size or below[0] == 0:
            raise NotMeasurable(f"the modulation stays above {level:.0%} up to 1 cycle/px")
        j = int(below[0])
        f, m = ANALYSIS_FREQUENCY[j - 1 : j + 1], self.modulation[j - 1 : j + 1]
        share = (m[0] - level) / (m[0] - m[1])
        # The slope over a wider stretch: that between two neighbours is at the mercy of noise.
        a, b = max(j - 4, 0), min(j + 4, len(ANALYSIS_FREQUENCY) - 1)
        slope = abs(np.polyfit(ANALYSIS_FREQUENCY[a : b + 1], self.modulation[a : b + 1], 1)[0])
        pull = (1 - share) * self.influence[:, j - 1] + share * self.influence[:, j]
        u = float(np.sqrt((pull**2).sum())) / slope
        return float(f[0] + share * (f[1] - f[0])), u, self.tail_u * level / slope

    def crossing(self, level: float) -> tuple[float, float]:
        """Position (px) where the spread crosses `level` nearest to the edge, and its u."""
        x, e = self.position, self.spread
        rising = np.flatnonzero((e[:-1] < level) & (e[1:] >= level))
        if not rising.size:
            raise NotMeasurable("the edge does not rise from its dark to its bright side")
        j = int(rising[np.argmin(np.abs(x[rising]))])
        share = (level - e[j]) / (e[j + 1] - e[j])
        a, b = max(j - 2, 0), min(j + 3, len(x) - 1)
        slope = max(abs(e[b] - e[a]) / (x[b] - x[a]), 1e-9)
        pull = (1 - share) * self.spread_influence[:, j] + share * self.spread_influence[:, j + 1]
        return float(x[j] + share * NODE_PX), float(np.sqrt((pull**2).sum())) / slope

    def width_10_90(self) -> tuple[float, float]:
        """Distance between the 10 % and 90 % crossings in px, and its standard uncertainty."""
        (low, low_u), (high, high_u) = self.crossing(0.1), self.crossing(0.9)
        return high - low, float(np.hypot(low_u, high_u))

    def lean(self) -> float:
        """How unequal the two halves of the rise are: 0 for a symmetric edge, within -1..1.

        Positive when the bright side is approached more slowly than the dark side is left.
        """
        low, middle, high = (self.crossing(level)[0] for level in (0.1, 0.5, 0.9))
        return ((high - middle) - (middle - low)) / (high - low)


@dataclass(frozen=True)
class _Sides:
    """Levels of the two sides, the tail strength t (px), relative shading over the half width.

    `pull` (strips, 4) is each strip's effect on these; `prior_u` the covariance left from priors.
    """

    dark: float
    bright: float
    tail: float
    shading: float
    pull: Float
    prior_covariance: Float


def _find_sides(fit: SplineFit, noise: float) -> _Sides:
    """Both levels, with the tails that still separate them from what the window shows."""
    x, nodes = fit.position, fit.at_nodes(fit.coefficients)
    half = fit.half_width
    outer = np.abs(x) > 0.75 * half
    dark0, bright0 = float(nodes[outer & (x < 0)].mean()), float(nodes[outer & (x > 0)].mean())
    step0 = bright0 - dark0
    if not step0 > 0:
        raise NotMeasurable("the edge does not rise from its dark to its bright side")
    width = _rough_width(x, (nodes - dark0) / step0)
    tail = TAIL_PRIOR / 2 * step0 * width / 0.5  # the 50 % frequency is close to 0.5 / width
    prior = np.array([dark0, bright0, tail, 0.0])
    prior_u = np.array([step0, step0, tail, SHADING_PRIOR])
    node_u = max(noise / np.sqrt(fit.samples_per_node), 1e-4 * step0)
    for start in SIDE_STARTS:
        zone = np.abs(x) >= max(start * half, min(1.2 * width, 0.6 * half))
        xz, right = x[zone], x[zone] > 0
        levels = np.where(right, bright0, dark0)
        basis = np.stack([~right, right, -1 / xz, levels * xz / half], -1).astype(np.float64)
        found, gain, misfit = _fit_with_prior(basis, nodes[zone], node_u, prior, prior_u)
        if misfit < max(2 * node_u, SIDE_MISFIT * step0):
            break
    left = np.eye(4) - gain @ basis
    covariance = left @ np.diag(prior_u**2) @ left.T
    pull = fit.at_nodes(fit.influence)[:, zone] @ gain.T
    dark, bright, strength, shading = (float(v) for v in found)
    return _Sides(dark, bright, strength, shading, pull, covariance)


def _fit_with_prior(
    basis: Float, seen: Float, seen_u: float, prior: Float, prior_u: Float
) -> tuple[Float, Float, float]:
    """Least squares with a normal prior: parameters, gain matrix, rms of what is left over."""
    normal = basis.T @ basis / seen_u**2 + np.diag(prior_u**-2.0)
    gain = np.linalg.solve(normal, basis.T / seen_u**2)
    found = prior + gain @ (seen - basis @ prior)
    rest = seen - basis @ found
    return np.asarray(found), np.asarray(gain), float(np.sqrt(np.mean(rest**2)))


def _rough_width(x: Float, spread: Float) -> float:
    low, high = x[np.argmax(spread > 0.1)], x[len(x) - 1 - np.argmax(spread[::-1] < 0.9)]
    return float(max(high - low, 1.0))


def _modulation(
    x: Float, nodes: Float, pulls: Float, sides: _Sides
) -> tuple[Float, Float, float, float]:
    """Modulation, each strip's pull on it, the tails' share of the step and its uncertainty."""
    f, full = ANALYSIS_FREQUENCY, float(-x[0])
    width = _rough_width(x, (nodes - sides.dark) / (sides.bright - sides.dark))
    half = np.clip(WINDOW_PERIODS / np.maximum(f, 1e-9), min(WINDOW_WIDTHS * width, full), full)
    middle = (x[:-1] + x[1:]) / 2
    window = _window(np.abs(middle) / half[:, None]) / np.sinc(f * NODE_PX)[:, None]
    phase = 2 * np.pi * f[:, None] * middle
    kernels = window * np.cos(phase), -window * np.sin(phase)
    lit = nodes / (1 + sides.shading * x / full)
    lit_pulls = pulls - sides.pull[:, 3:4] * (x / full * nodes)
    beyond = _tail_transform(f, half)
    transform = _transform(np.diff(lit)[None], kernels)[0] + sides.tail * beyond
    transform_pull = _transform(np.diff(lit_pulls), kernels) + sides.pull[:, 2:3] * beyond
    total = float(transform[0].real)
    ratio = transform / total
    pull = (transform_pull - ratio * transform_pull[:, :1]) / total
    towards = np.conj(ratio) / np.maximum(np.abs(ratio), 1e-12)
    along, across = (pull * towards).real, (pull * towards).imag
    # Noise at right angles to the true transform lengthens it; take its mean effect off again.
    modulation = np.sqrt(np.maximum(np.abs(ratio) ** 2 - (across**2).sum(0), 0.0))
    tail = float(sides.tail * beyond[0]) / total
    tail_u = float(np.sqrt(sides.prior_covariance[2, 2])) * float(beyond[0]) / total
    return modulation, along, tail, float(np.hypot(tail_u, TAIL_MODEL * tail))


def _transform(rows: Float, kernels: tuple[Float, Float]) -> Complex:
    # einsum: these products are too small to be worth the threads that @ would wake for them.
    real, imaginary = (np.einsum("sx,fx->sf", rows, kernel) for kernel in kernels)
    return np.asarray(real + 1j * imaginary)


def _window(place: Float) -> Float:
    ramp = np.clip((place - FLAT_SHARE) / (1 - FLAT_SHARE), 0, 1)
    return np.asarray(0.5 * (1 + np.cos(np.pi * ramp)))


def _tail_transform(f: Float, half: Float) -> Float:
    """Transform of what the window removes from the two tails 1/x^2, for f in cycles/px."""
    place = FLAT_SHARE + (1 - FLAT_SHARE) * (np.arange(64) + 0.5) / 64
    lost = (1 - _window(place)) / place**2 * ((1 - FLAT_SHARE) / 64)
    k = 2 * np.pi * f * half
    beyond = np.cos(k) - k * (np.pi / 2 - sici(k)[0])
    return np.asarray(2 * (np.cos(k[:, None] * place) @ lost + beyond) / half)


def _overshoot(x: Float, halves: list[Float], node_u: float) -> tuple[float, float]:
    """The larger excursion beyond either side and its u, in units of the step.

    The maximum of a noisy curve is too large. Each half of the strips therefore says where the
    excursion is, and the other half how large. Noisy curves are averaged over up to 1 px first.
    """
    reach_nodes = 1 if node_u < 0.01 else 3 if node_u < 0.03 else 5
    smooth = [np.convolve(h, np.full(reach_nodes, 1 / reach_nodes), "same") for h in halves]
    reach = (np.abs(x) > 0.5) & (np.abs(x) < x[-1] - 1)
    readings = []
    for beyond, side in (([h - 1 for h in smooth], x > 0), ([-h for h in smooth], x < 0)):
        one, two = (excursion[reach & side] for excursion in beyond)
        readings.append((float(two[np.argmax(one)]), float(one[np.argmax(two)])))
    larger = max(readings, key=sum)
    return max(sum(larger) / 2, 0.0), abs(larger[0] - larger[1]) / 2


def spread_edge(samples: Samples, line: EdgeLine, half_width: float) -> EdgeSpread:
    """Edge spread and modulation transfer of the edge at `line`, from pixels near it.

    Pixels farther than `half_width` px from the line are not used; the window is flat over half of
    that and falls off as a cosine. What a window cannot show, the far tails of the line spread
    function, is extrapolated from their 1/x^2 law (diffraction) with its uncertainty. Raises
    `NotMeasurable` when the samples show no rise from a dark to a bright side.
    """
    across, along = line.distances(samples.x, samples.y)
    near = np.abs(across) < half_width
    across, along, value = across[near], along[near], samples.value[near]
    strip = strips_along(along)
    fit = SplineFit(across, value, strip, half_width)
    noise = float(np.sqrt(np.mean(fit.residual**2)))
    sides = _find_sides(fit, noise)
    step = sides.bright - sides.dark
    if not step > 0:
        raise NotMeasurable("the edge does not rise from its dark to its bright side")
    nodes = fit.at_nodes(fit.coefficients)
    pulls = fit.at_nodes(fit.influence)
    x = fit.position
    modulation, influence, tail, tail_u = _modulation(x, nodes, pulls, sides)
    spread = (nodes / (1 + sides.shading * x / half_width) - sides.dark) / step
    halves = [
        SplineFit(across[strip % 2 == k], value[strip % 2 == k], strip[strip % 2 == k], half_width)
        for k in (0, 1)
    ]
    node_u = float(np.sqrt((pulls**2).sum(0)).mean()) / step
    half_spreads = [(h.at_nodes(h.coefficients) - sides.dark) / step for h in halves]
    overshoot = _overshoot(x, half_spreads, node_u)
    return EdgeSpread(
        x, spread, pulls / step, modulation, influence, half_width, sides.dark, sides.bright,
        noise, tail, tail_u, *overshoot,
    )  # fmt: skip
