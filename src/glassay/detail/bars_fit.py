"""One triplet of bars, fitted: its period to a hundredth of a pixel, from raw pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.special import erf

from glassay.imaging.tone import FloatImage

Float = npt.NDArray[np.float64]

REACH_WIDTHS = 3.5
"""How far to either side of the middle bar pixels are used, in bar widths: the outer bars end at 2.5,
and the neighbouring triplet begins at 3.3 or later, 4.2 on usual targets (common practice, no
source)."""

LENGTH_SHARE = 0.7
"""Share of the bars' length over which they are read; their ends are rounded by blur."""

FINE_WIDTH_PX = 6.0
"""Wider bars are read from a reduced picture in which they are at least this wide."""

PERIOD_FLOOR_PX = 0.006
"""Least standard uncertainty of a period: what the model of evenly lit, equal bars leaves out. The
mean error of simulated wide bars is 0.002 to 0.008 px."""

BLUR_MODEL = 0.1
"""Relative standard uncertainty of a period for blur of another shape than the model's, per square
of blur over period: behind circular pupils, defocused ones and Gaussians (simulated), periods of 4
to 8 blurs are off by 0.1 to 0.4 %."""

TABLE = 449
"""Points across a triplet at which the model is evaluated: 64 for each of the 7 widths."""

HALO_BLURS, MAX_HALO = 3.0, 0.35
"""The blur is a Gaussian and, around it, a halo so many times as wide with at most this share: what
diffraction, defocus and flare add to a Gaussian's tails."""

_SQRT2 = math.sqrt(2)

BAR_NUMBERS = np.array([-1.0, 0.0, 1.0])[:, None]


@dataclass(frozen=True)
class Site:
    """Where a triplet is: middle (x, y), unit vectors across and along the bars, period and bar
    length as expected; px."""

    x: float
    y: float
    across: tuple[float, float]
    along: tuple[float, float]
    period: float
    length: float


@dataclass(frozen=True)
class BarFit:
    """A triplet as fitted: period and offset of its middle along `across` in px, blur (standard
    deviation of its core) in px, amplitude of the bars over their ground and its u.

    `period_u` is the standard uncertainty of the period from noise, `model_u` that from the shape of
    the blur, which is much the same for all triplets of a photo.
    """

    period: float
    period_u: float
    model_u: float
    offset: float
    blur: float
    amplitude: float
    amplitude_u: float


@dataclass(frozen=True)
class Pixels:
    """Pixels near a triplet: places across and along, px of the photo, light, and the reduction."""

    u: Float
    v: Float
    value: Float
    scale: int


def pixels_around(image: FloatImage, site: Site) -> Pixels | None:
    """Pixels around a triplet with their coordinates across and along, in px of the photo."""
    width = site.period / 2
    reach_u, reach_v = REACH_WIDTHS * width, max(LENGTH_SHARE * site.length / 2, 0.6)
    factor = max(1, int(width / FINE_WIDTH_PX))
    (ax, ay), (bx, by) = site.across, site.along
    half_x = reach_u * abs(ax) + reach_v * abs(bx) + factor
    half_y = reach_u * abs(ay) + reach_v * abs(by) + factor
    x0, y0 = math.floor(site.x - half_x), math.floor(site.y - half_y)
    x1, y1 = math.ceil(site.x + half_x) + 1, math.ceil(site.y + half_y) + 1
    if x0 < 0 or y0 < 0 or x1 > image.shape[1] or y1 > image.shape[0]:
        return None
    columns, rows = (x1 - x0) // factor, (y1 - y0) // factor
    part = image[y0 : y0 + rows * factor, x0 : x0 + columns * factor]
    if factor > 1:
        small = cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA)
        part = np.asarray(small, dtype=np.float32)
    middle = (factor - 1) / 2
    x = x0 + middle + factor * np.arange(columns) - site.x
    y = (y0 + middle + factor * np.arange(rows) - site.y)[:, None]
    # Oblique coordinates: along the bars nothing changes, also where the axes are not square.
    det = ax * by - ay * bx
    u, v = (x * by - y * bx) / det, (y * ax - x * ay) / det
    inside = (np.abs(u) <= reach_u) & (np.abs(v) <= reach_v)
    if inside.sum() < 12:  # never for periods of 1.8 px and more
        return None
    return Pixels(u[inside], v[inside], part[inside].astype(np.float64), factor)


class _Bars:
    """Three blurred bars over pixels, as a function of offset, period, duty, blur and halo.

    They vary across only: where pixels are many, a table of 64 points for each width is exact to 1e-4
    of a bar, straight between its points.
    """

    def __init__(self, u: Float) -> None:
        self._places, self._below = u, None
        if len(u) > TABLE:
            low, high = float(u.min()), float(u.max())
            self._places = np.linspace(low, high, TABLE)
            place = (u - low) * ((TABLE - 1) / (high - low))
            self._below = np.minimum(place.astype(np.intp), TABLE - 2)
            self._share = place - self._below

    def _at_pixels(self, across: Float) -> Float:
        if self._below is None:
            return across
        low = across[..., self._below]
        return np.asarray(low + self._share * (across[..., self._below + 1] - low))

    def _ends(self, p: Float, spread: float) -> tuple[Float, Float]:
        """Places (3 bars, places) from the bars' ends, in blurs: their left ends, and their right."""
        offset, period, duty = p[:3]
        d = self._places - offset - BAR_NUMBERS * period
        return (d + duty * period / 2) / spread, (d - duty * period / 2) / spread

    def of(self, p: Float) -> Float:
        """Light of bars of amplitude 1 (pixels)."""
        across = np.zeros_like(self._places)
        for share, spread in _blurs(p):
            left, right = self._ends(p, spread)
            across += 0.5 * share * (erf(left) - erf(right)).sum(axis=0)
        return self._at_pixels(across)

    def slopes(self, p: Float) -> Float:
        """How that light changes with each parameter (5, pixels)."""
        period, duty, blur = p[1:4]
        out = np.zeros((5, len(self._places)))
        for (share, spread), sign in zip(_blurs(p), (-1, 1), strict=True):
            left, right = self._ends(p, spread)
            out[4] += 0.5 * sign * (erf(left) - erf(right)).sum(axis=0)
            rising, falling = np.exp(-(left**2)), np.exp(-(right**2))
            scale = share / math.sqrt(math.pi) / spread
            apart, both = (rising - falling).sum(axis=0), (rising + falling).sum(axis=0)
            out[0] -= scale * apart
            out[1] += scale * (duty / 2 * both - falling[0] + rising[0] + falling[2] - rising[2])
            out[2] += scale * period / 2 * both
            out[3] -= scale * spread / blur * (left * rising - right * falling).sum(axis=0)
        return self._at_pixels(out)


def _blurs(p: Float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Share and width of core and halo."""
    blur, halo = _SQRT2 * float(p[3]), float(p[4])
    return (1 - halo, blur), (halo, HALO_BLURS * blur)


def fit_bars(image: FloatImage, site: Site) -> BarFit | None:
    """Fit three blurred bars on a sloping ground to the pixels around `site`.

    None when part of the triplet lies outside the picture or the fit finds no bars there. The
    uncertainty follows from the scatter of the residuals, with at least `PERIOD_FLOOR_PX`.
    """
    pixels = pixels_around(image, site)
    if pixels is None:
        return None
    u, value = pixels.u, pixels.value
    basis = np.stack([np.ones_like(u), u / site.period, pixels.v / site.period, u], axis=1)
    bars, terms, solved_at = _Bars(u), np.empty(0), np.empty(0)

    # Ground and amplitude are linear and solved for at every step (variable projection; Kaufman 1975).
    def rest(p: Float) -> Float:
        nonlocal terms, solved_at
        basis[:, 3] = bars.of(p)
        terms, solved_at = _solve(basis, value), p.copy()
        return np.asarray(value - basis @ terms)

    def slopes(p: Float) -> Float:
        if not np.array_equal(p, solved_at):
            rest(p)
        moved = terms[3] * bars.slopes(p).T
        return np.asarray(basis @ _solve(basis, moved) - moved)

    period, width = site.period, site.period / 2
    low = [-0.35 * period, 0.88 * period, 0.35, 0.25, 0.0]
    high = [0.35 * period, 1.12 * period, 0.65, max(1.2 * width, 1.0), MAX_HALO]
    start = [0.0, period, 0.5, min(max(0.35 * width, 0.5), 0.9 * high[3]), 0.1]
    solved = least_squares(
        rest, start, slopes, bounds=(low, high), x_scale=[width, width, 0.1, width, 0.1],
        max_nfev=30,
    )  # fmt: skip
    basis[:, 3] = bars.of(solved.x)
    terms = _solve(basis, value)
    freedom = max(len(value) - 9, 1)
    noise2 = float((solved.fun**2).sum()) / freedom
    covariance = np.linalg.pinv(solved.jac.T @ solved.jac) * noise2
    linear = np.linalg.pinv(basis.T @ basis) * noise2
    return BarFit(
        period=float(solved.x[1]),
        period_u=math.sqrt(max(float(covariance[1, 1]), 0)),
        model_u=math.hypot(
            PERIOD_FLOOR_PX, BLUR_MODEL * float(solved.x[3]) ** 2 / float(solved.x[1])
        ),
        offset=float(solved.x[0]),
        blur=float(solved.x[3]),
        amplitude=float(terms[3]),
        amplitude_u=math.sqrt(max(float(linear[3, 3]), 0)),
    )


def _solve(basis: Float, value: Float) -> Float:
    # Normal equations: four well-scaled columns, and this runs some tens of times for each triplet.
    normal = basis.T @ basis
    normal[np.diag_indices(4)] *= 1 + 1e-12
    return np.asarray(np.linalg.solve(normal, basis.T @ value))
