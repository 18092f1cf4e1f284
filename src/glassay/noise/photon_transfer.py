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
differences. Smoothing that keeps mean light also keeps the noise of the means of large blocks: where
blocks of 8 and of 16 px agree on it, the line is laid through that instead; where they do not, slope
and floor are withheld.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity, combine
from glassay.registration import find_shift

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

METHOD = "difference of two exposures, by mean"
LINE_METHOD = "mean-variance line (EMVA 1288)"
BLOCK_METHOD = "mean-variance line of 8 px blocks (EMVA 1288)"
METHOD_VERSION = "1"
"""Part of the key under which results are kept; raised whenever a number may change."""

SMALLEST_SIDE_PX = 96
WHITE_CORRELATION = 0.05
"""Correlation of neighbouring differences up to which they count as independent. Simulated raw
pictures stay below 0.01, the mildest demosaicing gives 0.2 and more; 0.05 changes a variance by at
most as much."""
BLOCKS_PX = (8, 16)
BLOCKS_AGREE = 0.2
"""Relative difference of the noise power of 8 and 16 px blocks up to which both are the noise of
large areas. Linear smoothing and demosaicing give 0 to 0.1, median filters and heavy JPEG more."""
SMOOTHED_SLOPE = 0.15
"""Relative standard uncertainty of a slope from blocks: simulated mosaics with Gaussian, median and
bilateral filters, sharpening and JPEG gave 0.8 to 1.25 times what the sensor's green px make."""
LEVELS = 24
"""Means into which pixels are sorted, evenly over the light that there is."""
LEAST_IN_LEVEL = 400
LEAST_BLOCKS = 40
LEAST_LEVELS = 3
LEAST_RANGE = 1.5
"""Brightest level over darkest below which a line's slope is guesswork."""
STEEPEST = 0.6
"""Share of px, those with the least gradient, that count: on edges a movement of 0.01 px would look
like noise."""
MOVED_PX = 0.3
SOBEL_NOISE = 8 / (math.sqrt(8 * math.pi) * 4) / math.sqrt(2)
"""Gradient (Sobel, unscaled) that is left of white noise of one in each of two exposures, averaged
and smoothed by 2 px."""
NEARLY_FULL = 0.97
"""Light above which clipping narrows the noise, shares of full scale (with three deviations)."""
SMOOTHED_SHARE = 10.0
"""Px to one independent value where demosaicing or compression smoothed the noise, at worst."""
USUAL_GREY = 0.5
"""Grey at which signal to noise is stated: half of full scale in linear light."""
STILL_SAME = 0.5
"""Share of px that may be equal in both exposures: beyond, rounding or a filter hides the noise."""
PATTERN_SMOOTHING_PX = 8.0


@dataclass(frozen=True)
class NoiseResult:
    """Noise against light, in shares of full scale.

    `mean` and `variance` (levels,) are the points, `variance_u` their standard uncertainties, of
    single px; `line_mean`, `line_variance` those that the line was laid through (of blocks, times
    their px, where neighbours are correlated). `slope` K (full scale per electron), `floor`
    (standard deviation at no light) and `electrons` 1 / K are None where withheld. `snr` is the mean
    over the deviation of single px at `grey`; None where no level comes near. `fixed_pattern` is the
    relative spread from px to px that stays, None unless a flat field was given. `correlation` is
    that of neighbouring differences.
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
    from_blocks: bool
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
        line = BLOCK_METHOD if self.from_blocks else LINE_METHOD
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
            "from_blocks": self.from_blocks,
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
    lossy: compression rounds whole blocks, so that blocks cannot stand in for smoothed px.

    Raises NotMeasurable for one exposure, exposures of different size, identical or moved ones, and
    where rounding or a filter left no noise.
    """
    if not pairs:
        raise NotMeasurable(
            "one exposure shows no temporal noise: give two of the same still scene"
        )
    for pair in pairs:
        _refuse(*pair)
    gathered = [
        _look_at(a, b, full[number] if number < len(full) else None)
        for number, (a, b) in enumerate(pairs)
    ]
    correlation = _correlation(gathered)
    is_white = abs(correlation.value) <= WHITE_CORRELATION
    points = _points(gathered, 1, 1.0 if is_white else SMOOTHED_SHARE)
    if len(points.mean) == 0:
        raise NotMeasurable("no part of the photos is even enough to tell noise from detail")
    rounding = _rounding(points.mean, levels)
    line, from_blocks, more = _line_points(gathered, points, is_white, compressed)
    slope, floor, why = (None, None, "") if line is None else _fit_line(line, levels)
    if from_blocks and slope is not None:
        slope = slope.with_contribution("smoothed noise", SMOOTHED_SLOPE * slope.value)
    variance = points.variance
    snr = _snr_at(grey, points, slope if not from_blocks else None)
    shown = points if line is None else line
    extra = [*more, why, *_correlation_notes(correlation.value, from_blocks, slope is not None)]
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
        fixed_pattern=_fixed_pattern(pairs, gathered), correlation=correlation, pairs=len(pairs),
        from_blocks=from_blocks, notes=notes + tuple(note for note in extra if note),
    )  # fmt: skip


def _refuse(a: FloatImage, b: FloatImage) -> None:
    if a.shape != b.shape:
        sizes = " and ".join(f"{p.shape[1]} x {p.shape[0]}" for p in (a, b))
        raise NotMeasurable(f"the exposures differ in size: {sizes} px")
    if min(a.shape) < SMALLEST_SIDE_PX:
        raise NotMeasurable(
            f"{a.shape[1]} x {a.shape[0]} px is too small; {SMALLEST_SIDE_PX} px both ways are needed"
        )
    if np.array_equal(a, b):
        raise NotMeasurable(
            "the exposures are identical pixel for pixel: a copied file, or a camera that gives no"
            " second picture"
        )
    if float(np.mean(a == b)) > STILL_SAME:
        raise NotMeasurable(
            f"{float(np.mean(a == b)):.0%} of the px are equal in both exposures: rounding,"
            " denoising or compression leaves no noise to measure"
        )
    shift = find_shift(a, b)
    if shift.is_certain and shift.distance > MOVED_PX:
        raise NotMeasurable(
            f"the scene moved by {shift.distance:.2f} px between the exposures, which looks like"
            " noise: take them without touching anything"
        )
    level = float(a.mean()), float(b.mean())
    if max(level) > 1.1 * max(min(level), 1e-9):
        raise NotMeasurable(
            f"the exposures differ in light by {max(level) / max(min(level), 1e-9) - 1:.0%}: switch"
            " automatic exposure off, or put the exposures in pairs"
        )


@dataclass(frozen=True)
class _Pair:
    """Mean, its smoothed copy, scaled difference (of one exposure's variance), and which px count.

    Pixels are sorted by their own mean: given the sum of two Poisson counts, their difference has
    exactly the variance that belongs to that sum, so that noise in the sorting does no harm.
    """

    mean: FloatImage
    soft: FloatImage
    difference: FloatImage
    used: Mask


def _look_at(a: FloatImage, b: FloatImage, full: Mask | None) -> _Pair:
    # A lamp that flickers changes everything in proportion (EMVA 1288 subtracts the means).
    b = np.asarray(b * np.float32(float(a.mean()) / float(b.mean())), dtype=np.float32)
    mean = np.asarray((a + b) / 2, dtype=np.float32)
    difference = np.asarray((a - b) * np.float32(math.sqrt(0.5)), dtype=np.float32)
    soft = np.asarray(cv2.GaussianBlur(mean, (0, 0), 2.0), dtype=np.float32)
    steep = cv2.magnitude(
        cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3), cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3)
    )
    # In proportion to the light, so that a dark and a bright plain count alike.
    relative = steep / np.maximum(soft, 0.01)
    spread = float(np.median(np.abs(difference))) / 0.6745
    # What white noise of this size leaves of a gradient, four times: less is flat.
    flat = 4 * spread * SOBEL_NOISE / max(float(np.median(soft)), 0.01)
    used = relative <= max(flat, float(np.quantile(relative[::3, ::3], STEEPEST)))
    used &= soft < NEARLY_FULL - 3 * spread
    if full is not None:
        used &= cv2.dilate(full.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0
    return _Pair(mean, soft, difference, np.asarray(used))


def _correlation(pairs: Sequence[_Pair]) -> Quantity:
    """Mean correlation of differences of neighbours along x and along y."""
    product, square, count = 0.0, 0.0, 0
    for pair in pairs:
        d = np.where(pair.used, pair.difference, 0).astype(np.float64)
        for one, other, both in (
            (d[:, 1:], d[:, :-1], pair.used[:, 1:] & pair.used[:, :-1]),
            (d[1:], d[:-1], pair.used[1:] & pair.used[:-1]),
        ):
            product += float((one * other)[both].sum())
            square += float((one**2 + other**2)[both].sum()) / 2
            count += int(both.sum())
    if square <= 0:
        raise NotMeasurable("no part of the photos is even enough to tell noise from detail")
    return Quantity.of(product / square, 1 / math.sqrt(max(count, 1)), "1", "number of px")


@dataclass(frozen=True)
class _Points:
    mean: Array
    variance: Array
    u: Array


def _points(pairs: Sequence[_Pair], block: int, fewer: float) -> _Points:
    """Variance by mean light; of blocks, times their px, so that white noise gives the same.

    `fewer` px (or blocks) count as one independent value.
    """
    means, squares = [], []
    for pair in pairs:
        mean, difference, used = _in_blocks(pair, block)
        means.append(mean[used])
        squares.append(difference[used] ** 2 * block**2)
    mean, square = np.concatenate(means), np.concatenate(squares)
    least = LEAST_IN_LEVEL if block == 1 else LEAST_BLOCKS
    if mean.size < least:
        return _Points(np.zeros(0), np.zeros(0), np.zeros(0))
    edges = np.linspace(float(mean.min()), float(mean.max()) + 1e-9, LEVELS + 1)
    which = np.clip(np.digitize(mean, edges) - 1, 0, LEVELS - 1)
    count = np.bincount(which, minlength=LEVELS).astype(np.float64)
    kept = count >= least
    safe = np.maximum(count, 1)
    level = np.bincount(which, weights=mean, minlength=LEVELS) / safe
    variance = np.bincount(which, weights=square, minlength=LEVELS) / safe
    # var(s^2) = 2 s^4 / n for Gaussian noise.
    u = variance * np.sqrt(2 * fewer / safe)
    return _Points(level[kept], variance[kept], u[kept])


def _in_blocks(pair: _Pair, block: int) -> tuple[Array, Array, Mask]:
    if block == 1:
        return (
            pair.mean.astype(np.float64), pair.difference.astype(np.float64), pair.used
        )  # fmt: skip
    rows, columns = pair.mean.shape[0] // block, pair.mean.shape[1] // block

    def means(plane: npt.NDArray[Any]) -> Array:
        cut = plane[: rows * block, : columns * block].reshape(rows, block, columns, block)
        return np.asarray(cut.mean(axis=(1, 3), dtype=np.float64))

    # A lamp's flicker over the picture, or drift, is no noise: leave out what whole areas share.
    difference = means(pair.difference)
    wide = cv2.blur(difference, (9, 9), borderType=cv2.BORDER_REFLECT)
    return means(pair.mean), (difference - wide) * math.sqrt(81 / 80), means(pair.used) > 0.5


def _line_points(
    pairs: Sequence[_Pair], points: _Points, is_white: bool, compressed: bool
) -> tuple[_Points | None, bool, list[str]]:
    """What the line is laid through: single px while their noise is white, else blocks if they
    agree; None if they do not."""
    if is_white:
        return points, False, []
    if compressed:
        return None, True, [
            "compression changed the noise, so that no electrons can be counted from it; save the"
            " pictures without loss if the camera can"
        ]  # fmt: skip
    small, large = (_points(pairs, block, 1.5) for block in BLOCKS_PX)
    if len(small.mean) < LEAST_LEVELS or len(large.mean) == 0:
        return None, True, ["the photos are too small or too busy to measure noise over blocks"]
    power = [float(np.average(p.variance, weights=1 / p.u**2)) for p in (small, large)]
    both = np.interp(large.mean, small.mean, small.variance)
    ratio = float(np.average(large.variance / both, weights=(both / large.u) ** 2))
    chance = 1 / math.sqrt(float(((both / large.u) ** 2).sum()))
    if abs(ratio - 1) > BLOCKS_AGREE + 2 * chance or min(power) <= 0:
        return None, True, [
            f"the noise of 16 px blocks is {ratio:.2f} times that expected from 8 px blocks: the"
            " camera's processing depends on the picture, and no line is stated"
        ]  # fmt: skip
    return small, True, []


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


def _snr_at(grey: float, points: _Points, slope: Quantity | None) -> Quantity | None:
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


def _fixed_pattern(
    pairs: Sequence[tuple[FloatImage, FloatImage]], looked: Sequence[_Pair]
) -> Quantity | None:
    """Spread from px to px that stays, relative to the mean, of flat fields (PRNU of EMVA 1288 with
    the smooth part of the light taken out); None where the scene is not flat."""
    values, errors = [], []
    for (a, b), pair in zip(pairs, looked, strict=True):
        # What both have in common beyond smooth light: their covariance, free of temporal noise.
        high = [p - cv2.GaussianBlur(p, (0, 0), PATTERN_SMOOTHING_PX) for p in (a, b)]
        level = float(pair.mean.mean())
        if float(np.std(pair.soft - cv2.GaussianBlur(pair.soft, (0, 0), 12))) > 0.01 * level:
            return None
        product = high[0].astype(np.float64) * high[1]
        common = float(product.mean())
        error = float(product.std()) / math.sqrt(product.size / 10)
        values.append(math.sqrt(max(common, 0.0)) / level)
        errors.append(error / (2 * max(values[-1], math.sqrt(error) / level) * level**2))
    value = float(np.median(values))
    u = float(np.median(errors)) / math.sqrt(len(errors))
    return Quantity.of(value, u, "1", "number of px")


def _correlation_notes(correlation: float, from_blocks: bool, told: bool) -> list[str]:
    if not from_blocks:
        return []
    words = (
        f"neighbouring px err together (correlation {correlation:.2f}): demosaicing, denoising or"
        " compression smooths the noise; signal to noise is that of the stored px, not of the sensor"
    )
    if told:
        words += "; the line is that of 8 px blocks, which smoothing leaves alone"
    return [words]
