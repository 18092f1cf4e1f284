"""Temporal noise against mean light: the photon transfer of EMVA 1288.

For a linear camera without processing

    var_y = K^2 var_d + var_q + K (mean_y - mean_dark)

(EMVA 1288, linear model): the variance of a pixel rises with its mean as a straight line whose slope
is the gain K and whose floor is readout and rounding. Here light is in shares of full scale, so 1 / K
is the number of electrons behind full scale, and mean_dark is 0: files hold light above black.

Variances come from the difference of two exposures, var = var(a - b) / 2, which leaves out everything
that stays: the scene, fixed pattern, uneven light. Pixels are sorted by their mean, so that one pair
of any still scene gives a range of means; a stepped series of flat fields gives more.

Cameras process. A tone curve bends the line; it is undone before. Demosaicing, denoising and
compression smooth the noise: neighbours then err together, the variance of single px is too small,
and electrons counted from it would be too many. That is seen in the correlation of neighbouring
differences. Smoothing that keeps mean light also keeps the noise of large areas (see `smoothing`):
where that is one multiple of the noise of px, dark or bright, the line is laid through it instead;
where it is not, slope and floor are withheld.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging.tone import FloatImage
from glassay.noise.exposure_pair import Pair, correlation_of, fixed_pattern, look_at
from glassay.noise.one_scene import refuse_followed_detail, refuse_other_scenes, share_detail
from glassay.noise.smoothing import Smoothing, smoothing_of
from glassay.quantity import Quantity, combine
from glassay.tone_doubt import with_tone

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

METHOD = "difference of two exposures, by mean"
LINE_METHOD = "mean-variance line (EMVA 1288)"
AREA_METHOD = "mean-variance line of large areas (EMVA 1288)"
WHITE_CORRELATION = 0.05
"""Correlation of neighbouring differences up to which they count as independent. Simulated raw
pictures stay below 0.01, the mildest demosaicing gives 0.2 and more; 0.05 changes a variance by at
most as much."""
SMOOTHED_SLOPE = 0.1
"""Relative standard uncertainty of a slope from smoothed noise, beyond that of the ratio: filters that
depend on the picture (median, bilateral) change the noise of large areas too."""
LEVELS = 24
"""Means into which pixels are sorted, evenly over the light that there is."""
LEAST_IN_LEVEL = 400
LEAST_LEVELS = 3
LEAST_RANGE = 1.5
"""Brightest level over darkest below which a line's slope is guesswork."""
SMOOTHED_SHARE = 10.0
"""Px to one independent value where demosaicing or compression smoothed the noise, at worst."""
USUAL_GREY = 0.5
"""Grey at which signal to noise is stated: half of full scale in linear light."""


@dataclass(frozen=True)
class NoiseResult:
    """Noise against light, in shares of full scale.

    `mean` and `variance` (levels,) are the points, `variance_u` their standard uncertainties, of
    single px; `line_mean`, `line_variance` those that the line was laid through (of large areas,
    times their px, where neighbours are correlated: `is_smoothed`). `slope` K (full scale per
    electron), `floor` (standard deviation at no light) and `electrons` 1 / K are None where withheld.
    `snr` is the mean over the deviation of single px at `grey`, rounding included; None where no
    level comes near. `fixed_pattern` is the relative spread from px to px that stays, None unless a
    flat field was given. `correlation` is that of neighbouring differences.
    """

    mean: Array
    variance: Array
    variance_u: Array
    line_mean: Array
    line_variance: Array
    line_u: Array
    slope: Quantity | None
    floor: Quantity | None
    grey: float
    snr: Quantity | None
    fixed_pattern: Quantity | None
    correlation: Quantity
    pairs: int
    is_smoothed: bool
    notes: tuple[str, ...]

    @property
    def electrons(self) -> Quantity | None:
        """Electrons behind full scale of one stored px."""
        if self.slope is None:
            return None
        return combine(lambda k: 1 / k, (self.slope,), "1")

    def findings(self) -> dict[str, Finding]:
        """snr_grey, noise_slope, noise_floor, full_scale_electrons, fixed_pattern,
        noise_correlation; those that could not be told are absent."""
        line = AREA_METHOD if self.is_smoothed else LINE_METHOD
        out = {"noise_correlation": Finding(self.correlation, METHOD)}
        if self.snr is not None:
            out["snr_grey"] = Finding(self.snr, METHOD)
            out["snr_at"] = Finding(Quantity(self.grey, "1"), "stated")
        for key, value in (
            ("noise_slope", self.slope),
            ("noise_floor", self.floor),
            ("full_scale_electrons", self.electrons),
        ):
            if value is not None:
                out[key] = Finding(value, line)
        if self.fixed_pattern is not None:
            out["fixed_pattern"] = Finding(self.fixed_pattern, "mean of the exposures")
        return out

    def doubted(self, others: Sequence[NoiseResult], black: float) -> NoiseResult:
        """With what `others`, found under tone curves that the camera may have as well, make of it in
        the uncertainties, and a level of black that is unknown to `black` (half-width) in the floor."""

        def of(name: str) -> Quantity | None:
            value: Quantity | None = getattr(self, name)
            if value is None:
                return None
            found = [getattr(other, name) for other in others]
            return with_tone(value, [one.value for one in found if one is not None])

        floor = of("floor")
        if floor is not None and self.slope is not None:
            own = self.slope.value * black / math.sqrt(3)  # of its square
            u = own / (2 * max(floor.value, math.sqrt(own)))
            floor = floor.with_contribution("level of black", u, scope="setting")
        return replace(
            self, slope=of("slope"), floor=floor, snr=of("snr"), fixed_pattern=of("fixed_pattern")
        )

    def evidence(self) -> dict[str, Any]:
        """The points and the line for drawing."""
        return {
            "mean": self.mean,
            "variance": self.variance,
            "variance_u": self.variance_u,
            "line_mean": self.line_mean,
            "line_variance": self.line_variance,
            "line_u": self.line_u,
            "slope": None if self.slope is None else self.slope.value,
            "floor": None if self.floor is None else self.floor.value,
            "is_smoothed": self.is_smoothed,
        }


def measure_noise(
    pairs: Sequence[tuple[FloatImage, FloatImage]],
    *,
    levels: npt.NDArray[np.floating] | None = None,
    full: Sequence[Mask] = (),
    grey: float = USUAL_GREY,
    compressed: bool = False,
    notes: tuple[str, ...] = (),
) -> NoiseResult:
    """Noise from pairs of exposures of still scenes, each (height, width) in linear light.

    One pair is enough; further ones, of the same or other light (a stepped series), add points.
    `levels` is the linear light of every storable value in order, from which the noise of rounding is
    known; None for values stored finely. `full` marks clipped px, one mask for each pair. `grey` is
    where signal to noise is stated, in shares of full scale. `compressed` says that the files are
    lossy: compression rounds whole blocks, so that areas cannot stand in for smoothed px.

    Raises NotMeasurable for one exposure, exposures of different size, identical, moved or refocused
    ones, and where rounding or a filter left no noise.
    """
    if not pairs:
        raise NotMeasurable(
            "one exposure shows no temporal noise: give two of the same still scene"
        )
    for pair in pairs:
        refuse_other_scenes(*pair)
    gathered = [
        look_at(a, b, full[number] if number < len(full) else None, levels)
        for number, (a, b) in enumerate(pairs)
    ]
    for one in gathered:
        refuse_followed_detail(one.mean, one.difference, one.used)
    correlation = correlation_of(gathered)
    is_white = abs(correlation.value) <= WHITE_CORRELATION
    points = _points(gathered, 1.0 if is_white else SMOOTHED_SHARE)
    if len(points.mean) == 0:
        raise NotMeasurable("no part of the photos is even enough to tell noise from detail")
    rounding = _rounding(points.mean, levels)
    line, smoothing, reason = _line_points(gathered, points, rounding, is_white, compressed)
    slope, floor, why = (None, None, "") if line is None else _fit_line(line, levels)
    if smoothing is not None and slope is not None:
        own = math.hypot(SMOOTHED_SLOPE, smoothing.u / smoothing.ratio)
        slope = slope.with_contribution("smoothed noise", own * slope.value, scope="setting")
    variance = points.variance
    snr = _snr_at(grey, points)
    shown = points if line is None else line
    extra = [reason, why, *_correlation_notes(correlation.value, is_white, slope is not None)]
    if not all(share_detail(*pair) for pair in pairs):
        extra.append(
            "the exposures have no detail in common beyond their noise: right for an even field, but"
            " nothing in them shows that they are of one scene"
        )
    if snr is None:
        extra.append(
            f"no part of the photos is near {grey:.0%} of full scale: signal to noise there is not"
            " stated"
        )
    if np.median(rounding / np.maximum(variance, 1e-300)) > 0.5:
        extra.append("rounding to stored values makes up more than half of the noise")
    return NoiseResult(
        mean=points.mean, variance=variance, variance_u=points.u,
        line_mean=shown.mean, line_variance=shown.variance, line_u=shown.u,
        slope=slope, floor=floor, grey=grey, snr=snr,
        fixed_pattern=fixed_pattern(pairs, gathered), correlation=correlation, pairs=len(pairs),
        is_smoothed=not is_white, notes=notes + tuple(note for note in extra if note),
    )  # fmt: skip


@dataclass(frozen=True)
class _Points:
    mean: Array
    variance: Array
    u: Array


def _points(pairs: Sequence[Pair], fewer: float) -> _Points:
    """Variance by mean light; `fewer` px count as one independent value."""
    mean = np.concatenate([pair.mean[pair.used] for pair in pairs]).astype(np.float64)
    square = np.concatenate([pair.difference[pair.used] for pair in pairs]).astype(np.float64) ** 2
    if mean.size < LEAST_IN_LEVEL:
        return _Points(np.zeros(0), np.zeros(0), np.zeros(0))
    edges = np.linspace(float(mean.min()), float(mean.max()) + 1e-9, LEVELS + 1)
    which = np.clip(np.digitize(mean, edges) - 1, 0, LEVELS - 1)
    count = np.bincount(which, minlength=LEVELS).astype(np.float64)
    kept = count >= LEAST_IN_LEVEL
    safe = np.maximum(count, 1)
    level = np.bincount(which, weights=mean, minlength=LEVELS) / safe
    variance = np.bincount(which, weights=square, minlength=LEVELS) / safe
    # var(s^2) = 2 s^4 / n for Gaussian noise.
    u = variance * np.sqrt(2 * fewer / safe)
    return _Points(level[kept], variance[kept], u[kept])


def _line_points(
    pairs: Sequence[Pair], points: _Points, rounding: Array, is_white: bool, compressed: bool
) -> tuple[_Points | None, Smoothing | None, str]:
    """What the line is laid through: single px while their noise is white, else what large areas
    hold; None, with the reason, where that cannot be told."""
    if compressed:
        return None, None, (
            "compression changed the noise, so that no electrons can be counted from it; save the"
            " pictures without loss if the camera can"
        )  # fmt: skip
    if is_white:
        return points, None, ""
    own = points.variance - rounding
    fine = own > rounding
    if not fine.any():
        return None, None, "rounding hides the noise, so that no electrons can be counted from it"
    smoothing = smoothing_of(*_in_deviations(pairs, points.mean[fine], own[fine], rounding[fine]))
    if smoothing is None:
        return None, None, "the photos are too small or too busy to measure noise over areas"
    if smoothing.depends_on:
        return None, None, (
            "smoothing depends on the picture, and no line is stated: the noise of large areas over"
            f" that of px is not one ratio ({smoothing.depends_on})"
        )  # fmt: skip
    line = _Points(
        points.mean[fine], own[fine] * smoothing.ratio + rounding[fine],
        points.u[fine] * smoothing.ratio,
    )  # fmt: skip
    return line, smoothing, ""


def _in_deviations(
    pairs: Sequence[Pair], mean: Array, variance: Array, rounding: Array
) -> tuple[list[tuple[FloatImage, Mask, Mask]], float]:
    """Differences over the deviation that px of their light have, which count, which are bright;
    and the mean share of rounding in their squares."""
    gap = float(np.median(np.diff(mean))) if mean.size > 1 else 0.05
    middle = float(np.median(np.concatenate([pair.mean[pair.used][::7] for pair in pairs])))
    planes, shares = [], []
    for pair in pairs:
        deviation = np.sqrt(np.interp(pair.mean, mean, variance))
        used = pair.used & (pair.mean > mean[0] - gap) & (pair.mean < mean[-1] + gap)
        values = np.asarray(pair.difference / deviation, dtype=np.float32)
        planes.append((values, used, pair.soft > middle))
        shares.append(np.interp(pair.mean[used][::7], mean, rounding / variance))
    return planes, float(np.mean(np.concatenate(shares)))


def _rounding(mean: Array, levels: npt.NDArray[np.floating] | None) -> Array:
    """Variance of rounding at each mean: step^2 / 12 of the stored values there."""
    if levels is None:
        return np.zeros_like(mean)
    steps = np.gradient(np.asarray(levels, dtype=np.float64))
    return np.asarray(np.interp(mean, levels, steps) ** 2 / 12)


def _fit_line(
    points: _Points, levels: npt.NDArray[np.floating] | None
) -> tuple[Quantity | None, Quantity | None, str]:
    if len(points.mean) < LEAST_LEVELS or points.mean.max() < LEAST_RANGE * points.mean.min():
        return None, None, (
            "the light varies too little over the photos for a line: add a darker and a brighter"
            " pair"
        )  # fmt: skip
    y = points.variance - _rounding(points.mean, levels)
    design = np.column_stack([points.mean, np.ones_like(points.mean)])
    u = points.u.copy()
    solution: Array = np.zeros(2)
    covariance: Array = np.eye(2)
    for _ in range(3):
        weighted = design / u[:, None]
        covariance = np.asarray(np.linalg.inv(weighted.T @ weighted), dtype=np.float64)
        solution = covariance @ (weighted.T @ (y / u))
        # Weights from the line, not from the points: a point that is low by chance must not
        # weigh more for it.
        model = np.maximum(design @ solution, 0.2 * np.maximum(points.variance, 1e-300))
        u = points.u * model / np.maximum(points.variance, 1e-300)
    freedom = max(1, len(y) - 2)
    misfit = float((((y - design @ solution) / u) ** 2).sum()) / freedom
    covariance = covariance * max(1.0, misfit)
    slope, intercept = float(solution[0]), float(solution[1])
    errors = np.sqrt(np.diag(covariance))
    if slope <= 2 * errors[0]:
        return None, None, (
            "noise does not rise with light as photons make it rise: the tone curve is not the one"
            " assumed, or processing hides it"
        )  # fmt: skip
    k = Quantity.of(slope, float(errors[0]), "1", "fit of the mean-variance line", freedom)
    deviation = math.sqrt(max(intercept, 0.0))
    own = float(errors[1]) / (2 * max(deviation, math.sqrt(float(errors[1]))))
    floor = Quantity.of(deviation, own, "1", "fit of the mean-variance line", freedom)
    why = ""
    if misfit > 9:
        why = (
            f"the points scatter about the line {math.sqrt(misfit):.1f} times more than they should:"
            " the tone curve is perhaps not the one assumed"
        )
    if intercept < -3 * errors[1]:
        why = (
            "the line meets no noise before it meets no light: black lies above zero, or dark tones"
            " are smoothed more"
        )
    return k, floor, why


def _snr_at(grey: float, points: _Points) -> Quantity | None:
    """Mean over deviation of single px at `grey`: along the line of the nearest levels."""
    near = np.abs(points.mean - grey) < 0.25 * grey
    if near.sum() >= 2 and points.mean[near].min() <= grey <= points.mean[near].max():
        weight = 1 / points.u[near]
        degree = 1 if near.sum() >= 3 else 0
        fitted, covariance = np.polyfit(
            points.mean[near] - grey, points.variance[near], degree, w=weight, cov="unscaled"
        )
        variance, u = float(fitted[-1]), float(np.sqrt(covariance[-1, -1]))
    elif near.any():
        nearest = int(np.argmin(np.abs(points.mean - grey)))
        # Noise power goes about with the light.
        scale = grey / float(points.mean[nearest])
        variance = float(points.variance[nearest]) * scale
        u = float(points.u[nearest]) + 0.5 * abs(1 - scale) * variance
    else:
        return None
    if variance <= 0:
        return None
    value = grey / math.sqrt(variance)
    return Quantity.of(value, value * 0.5 * u / variance, "1", "number of px")


def _correlation_notes(correlation: float, is_white: bool, told: bool) -> list[str]:
    if is_white:
        return []
    words = (
        f"neighbouring px err together (correlation {correlation:.2f}): demosaicing, denoising or"
        " compression smooths the noise; signal to noise is that of the stored px, not of the sensor"
    )
    if told:
        words += "; the line is that of large areas, whose noise smoothing leaves alone"
    return [words]
