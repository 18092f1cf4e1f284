"""Laying the photos of a focus run over each other.

Focusing changes magnification, walks the picture and may turn it: a similarity for each photo. It is
found between neighbours, whose sharpness is alike, by least squares on what both show (Lucas and
Kanade 1981; gain as in Evangelidis and Psarakis 2008, IEEE PAMI 30:1858), coarse to fine; every photo
is held against the next and the one after, and all similarities are solved for together, so that the
errors of single pairs do not add up along the run.

A similarity takes the complex number z = column + i row, counted from the picture's middle, to
a z + b; log |a| is the change of magnification.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.fitting import SIGMA_OF_MAD
from glassay.imaging.tone import FloatImage
from glassay.registration import FARTHEST_SHARE

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

WORKING_SIDE_PX = 800
"""Longest side on which photos are compared: with 100,000 px and more in it a similarity is fixed to
0.02 of its px."""
SMALLEST_SIDE_PX = 40
"""Side of the coarsest picture of the pyramid."""
SMOOTHED_PX, BACKGROUND_PX = 1.2, 8.0
"""Gaussians between which detail is compared: the first keeps interpolation from favouring whole px
(noise is aligned with noise there), the second takes out uneven light, which stays with the lens."""
STEPS = 12
"""Steps of Gauss and Newton on each level; most need four."""
SETTLED_PX = 0.003
GAPS = (1, 2)
"""Photos that are held against each other: the next, and the one after."""
LEAST_AGREEMENT = 0.5
"""Correlation of neighbours below which they do not show the same thing. Neighbours of a
simulated run, half a depth of field apart, agree by 0.95 and more; 128 pairs of other scenes by 0.18 at
most."""
GOOD_AGREEMENT = 0.7
"""Correlation that a pair two photos apart needs to have a say."""
LARGEST_CHANGE = 0.06
"""Magnification from one photo to the next beyond which it is no breathing but another zoom."""
BLANK_CONTRAST = 2e-4
"""Standard deviation of detail, relative to full scale, below which a photo is blank: half a step of
8 bits in the shadows."""
SHARP_REACH, SHARP_END = 0.7, 1.6
"""Photos from where a px is sharpest over which it has a say (standard deviation, and end) when photos
are aligned by what is sharp."""
FEWEST_SHARP = 0.01
"""Share of the picture that must be sharp in two photos for them to be held against each other so."""
UNEVENNESS = 3e-4
"""Change of the relative change of magnification from one photo to the next that is expected (standard
deviation): a run in steps even to a third, breathing 0.1 % a step. It fills in where all is soft."""
CORRELATED_PX = 4 * math.pi * SMOOTHED_PX**2
"""Px over which residuals are alike after the smoothing."""


@dataclass(frozen=True)
class Alignment:
    """Where each photo lies. `matrices` (n, 2, 3) take (column, row) of the reference photo to those of
    each photo; `magnification` (n,) and `shift_px` (n, 2; of the picture's middle) are relative to it.
    `agreement` (n - 1,) is the correlation of neighbours, `u_log_magnification` the standard
    uncertainty of log(last / first magnification), `rms_px` the disagreement of pairs at the corners
    after all were solved together.
    """

    reference: int
    matrices: Array
    magnification: Array
    shift_px: Array
    agreement: Array
    u_log_magnification: float
    rms_px: float

    def similarity(self, number: int) -> tuple[complex, complex]:
        """a and b of one photo."""
        (c, s) = self.matrices[number][:, 0]
        x, y = self.shift_px[number]
        return complex(c, s), complex(x, y)


@dataclass(frozen=True)
class _Pair:
    """z_second = a z_first + b, in full px from the middle."""

    first: int
    second: int
    a: complex
    b: complex
    u_a: float
    u_b: float
    agreement: float


@dataclass(frozen=True)
class Sharp:
    """Where in the run each px of the reference photo is sharpest (NaN: unknown), found with a first
    alignment. What is out of focus spreads as focus goes on, which looks like magnification; what is
    sharp in both photos does not."""

    places: FloatImage
    before: Alignment

    def weight(self, first: int, second: int) -> FloatImage:
        """The say of each px of the first photo in a pair."""
        height, width = self.places.shape
        away = (self.places - np.float32((first + second) / 2)) / np.float32(SHARP_REACH)
        near = np.abs(away) <= SHARP_END / SHARP_REACH  # False for NaN
        weight = np.where(near, np.exp(-0.5 * away**2), 0).astype(np.float32)
        matrix = self.before.matrices[first]
        return np.asarray(cv2.warpAffine(weight, matrix, (width, height), flags=cv2.INTER_LINEAR))

    def pair(self, first: int, second: int) -> _Pair:
        """What the first alignment says about a pair, to be believed to a px or so and 0.3 %."""
        a, b = self.before.similarity(second)
        a_first, b_first = self.before.similarity(first)
        a, b = a / a_first, b - a / a_first * b_first
        return _Pair(first, second, a, b, 3e-3, 1.0, 1.0)


def align(
    frames: Iterable[FloatImage], reference: int | None = None, sharp: Sharp | None = None
) -> Alignment:
    """Similarities of the photos, (height, width) each in linear light and of one size.

    Photos are taken one after the other; three reduced ones are held. `reference` defaults to the
    middle of the run; `sharp` lets only what is sharp in both photos of a pair decide. Raises
    NotMeasurable for blank photos, and for neighbours that do not show the same thing or lie too
    far apart.
    """
    held: dict[int, tuple[list[FloatImage], float]] = {}
    pairs: list[_Pair] = []
    shape = (0, 0)
    count = 0
    for number, frame in enumerate(frames):
        shape = (frame.shape[0], frame.shape[1])
        held[number] = _pyramid(frame)
        if float(held[number][0][0].std()) < BLANK_CONTRAST:
            raise NotMeasurable(f"photo {number + 1} is blank: it shows nothing to align")
        for gap in GAPS:
            if number - gap in held:
                pairs.append(_compared(held, pairs, number - gap, number, sharp))
        if sharp is None:
            _check(pairs, number, shape)
        held.pop(number - max(GAPS), None)
        count = number + 1
    chosen = count // 2 if reference is None else reference
    return _together(pairs, count, chosen, shape)


def _compared(
    held: dict[int, tuple[list[FloatImage], float]], pairs: list[_Pair], first: int, second: int,
    sharp: Sharp | None,
) -> _Pair:  # fmt: skip
    if sharp is None:
        return _similarity(held, first, second, _chained(pairs, first, second), None)
    weight, before = sharp.weight(first, second), sharp.pair(first, second)
    if float(weight.mean()) < FEWEST_SHARP:
        return before
    found = _similarity(held, first, second, (before.a, before.b), weight)
    return found if found.agreement >= LEAST_AGREEMENT else before


def _check(pairs: list[_Pair], number: int, shape: tuple[int, int]) -> None:
    for pair in pairs[-len(GAPS) :]:
        if pair.second != number or pair.second - pair.first != 1:
            continue
        names = f"photos {pair.first + 1} and {pair.second + 1}"
        if pair.agreement < LEAST_AGREEMENT:
            raise NotMeasurable(
                f"{names} do not show the same detail (correlation {pair.agreement:.2f}): another"
                " scene, a moved object, or too long a step of focus"
            )
        if abs(math.log(abs(pair.a))) > LARGEST_CHANGE:
            raise NotMeasurable(
                f"{names} differ by {abs(pair.a) - 1:+z.1%} in magnification: that is another zoom, not"
                " focusing"
            )
        if abs(pair.b) > FARTHEST_SHARE * min(shape):
            raise NotMeasurable(f"{names} lie {abs(pair.b):.0f} px apart: the object was moved")


def _pyramid(frame: FloatImage) -> tuple[list[FloatImage], float]:
    """Detail at falling sizes, finest first, and the full px in one px of the finest."""
    factor = max(1.0, max(frame.shape) / WORKING_SIDE_PX)
    if factor > 1:
        size = (round(frame.shape[1] / factor), round(frame.shape[0] / factor))
        frame = np.asarray(cv2.resize(frame, size, interpolation=cv2.INTER_AREA))
    plain = [frame]
    while min(plain[-1].shape) >= 2 * SMALLEST_SIDE_PX:
        half = (plain[-1].shape[1] // 2, plain[-1].shape[0] // 2)
        plain.append(np.asarray(cv2.resize(plain[-1], half, interpolation=cv2.INTER_AREA)))
    return [_detail(picture) for picture in plain], factor


def _detail(picture: FloatImage) -> FloatImage:
    picture = np.ascontiguousarray(picture, dtype=np.float32)
    fine = cv2.GaussianBlur(picture, (0, 0), SMOOTHED_PX, borderType=cv2.BORDER_REFLECT)
    return np.asarray(
        fine - cv2.GaussianBlur(picture, (0, 0), BACKGROUND_PX, borderType=cv2.BORDER_REFLECT)
    )


def _chained(pairs: list[_Pair], first: int, second: int) -> tuple[complex, complex]:
    """What the pairs of neighbours say about two photos that are not, to begin with."""
    steps = {p.first: p for p in pairs if p.second - p.first == 1}
    a, b = 1 + 0j, 0j
    for number in range(first, second):
        if number not in steps:
            return 1 + 0j, 0j
        step = steps[number]
        a, b = step.a * a, step.a * b + step.b
    return a, b


def _similarity(
    held: dict[int, tuple[list[FloatImage], float]],
    first: int,
    second: int,
    start: tuple[complex, complex],
    weight: FloatImage | None,
) -> _Pair:
    """Gauss-Newton for log a and b, and the gain of light, from coarse to fine."""
    ones, factor = held[first]
    others, _ = held[second]
    a, b = start
    step = _Step(np.eye(4), 0.0)
    for one, other in zip(reversed(ones), reversed(others), strict=True):
        scale = factor * ones[0].shape[1] / one.shape[1]  # full px in a px of this level
        middle = b / scale
        say = np.ones_like(one) if weight is None else _resized(weight, one.shape)
        for _ in range(STEPS):
            step, da, db = _step(one, other, say, a, middle)
            a, middle = a * (1 + da), middle + db
            if abs(da) * max(one.shape) / 2 + abs(db) < SETTLED_PX:
                break
        b = middle * scale
    u = np.sqrt(np.maximum(np.diag(step.covariance), 1e-16))
    return _Pair(first, second, a, b, float(u[0]), float(u[2]) * factor, step.agreement)


@dataclass(frozen=True)
class _Step:
    covariance: Array
    agreement: float


def _resized(picture: FloatImage, shape: tuple[int, ...]) -> FloatImage:
    size = (shape[1], shape[0])
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _matrix(a: complex, b: complex, shape: tuple[int, ...]) -> Array:
    """2 x 3 of z -> a z + b about the picture's middle, in px."""
    x, y = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    linear = np.array([[a.real, -a.imag], [a.imag, a.real]])
    offset = np.array([x + b.real, y + b.imag]) - linear @ (x, y)
    return np.column_stack([linear, offset])


def _step(
    one: FloatImage, other: FloatImage, say: FloatImage, a: complex, b: complex
) -> tuple[_Step, complex, complex]:
    """One step: the relative change of a, and the change of b, px of this level."""
    height, width = one.shape
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    matrix = _matrix(a, b, one.shape)
    moved = cv2.warpAffine(other, matrix, (width, height), flags=flags)
    inside = cv2.warpAffine(np.ones_like(other), matrix, (width, height), flags=flags) > 0.999
    inside[[0, -1]] = inside[:, [0, -1]] = False
    inside &= say > 1e-3
    if inside.sum() < 200:
        return _Step(np.eye(4), 0.0), 0j, 0j
    across = cv2.Sobel(moved, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    down = cv2.Sobel(moved, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    x = (np.arange(width, dtype=np.float32) - (width - 1) / 2)[None, :]
    y = (np.arange(height, dtype=np.float32) - (height - 1) / 2)[:, None]
    curved = cv2.Laplacian(moved, cv2.CV_32F, ksize=1)
    curved_twice = cv2.Laplacian(curved, cv2.CV_32F, ksize=1)
    where = np.flatnonzero(inside)
    planes = (
        across * x + down * y,
        down * x - across * y,
        across,
        down,
        moved,
        curved,
        curved_twice,
    )
    slopes = np.stack([np.take(plane, where) for plane in planes])
    target, say = np.take(one, where), np.take(say, where)
    agreement = _correlation(target, slopes[4], say)
    known = slopes[4:]  # gain of light, and what more or less blur does to second order
    said = known * say
    shares = np.linalg.lstsq((said @ known.T).astype(np.float64),
                             (said @ target).astype(np.float64), rcond=1e-9)[0]  # fmt: skip
    gain = float(shares[0]) or 1e-6
    rest = target - shares.astype(np.float32) @ known
    away = np.abs(rest)
    spread = SIGMA_OF_MAD * float(np.median(away)) + 1e-9
    weight = say * np.minimum(1.0, 2 * spread / np.maximum(away, 1e-12))  # Huber
    slopes = slopes[:4]
    weighted = slopes * weight
    normal = (weighted @ slopes.T).astype(np.float64)
    right = (weighted @ rest).astype(np.float64)
    lengths = np.sqrt(np.maximum(np.diag(normal), 1e-20))
    inverse = np.linalg.pinv(normal / np.outer(lengths, lengths)) / np.outer(lengths, lengths)
    solved = inverse @ right / max(abs(gain), 0.05) * math.copysign(1.0, gain)
    variance = float((rest**2 * weight).sum() / weight.sum()) * CORRELATED_PX / max(gain**2, 1e-4)
    covariance = inverse * variance
    # a blur that grows by so many px^2 looks like magnification, less so the farther detail spreads
    spreads = abs(float(shares[1]) / gain) * lengths[2] * lengths[3] / lengths[0] ** 2
    covariance[0, 0] += spreads**2
    # moving along the picture's gradients turned by a: the linear part acts before the shift
    return (
        _Step(covariance, agreement),
        complex(solved[0], solved[1]) if abs(complex(solved[0], solved[1])) < 0.1 else 0j,
        a * complex(solved[2], solved[3]),
    )


def _correlation(one: FloatImage, other: FloatImage, say: FloatImage) -> float:
    total = float(say.sum())
    one, other = one - float(one @ say) / total, other - float(other @ say) / total
    below = math.sqrt(float((one * say) @ one) * float((other * say) @ other))
    return float((one * say) @ other) / below if below > 0 else 0.0


def _together(pairs: list[_Pair], count: int, reference: int, shape: tuple[int, int]) -> Alignment:
    """All similarities from all pairs: log a first, which is linear, then b with a known."""
    used = [p for p in pairs if p.second - p.first == 1 or p.agreement >= GOOD_AGREEMENT]
    logs = np.array([np.log(p.a) for p in used], dtype=np.complex128)
    weights = 1 / np.array([p.u_a for p in used])
    design = np.zeros((len(used), count), dtype=np.complex128)
    for row, pair in enumerate(used):
        design[row, pair.second], design[row, pair.first] = 1, -1
    even = np.zeros((max(count - 2, 0), count), dtype=np.complex128)
    for row in range(count - 2):
        even[row, row : row + 3] = 1, -2, 1
    solved, covariance, rest = _solve(
        np.vstack([design, even]), np.append(logs, np.zeros(len(even))),
        np.append(weights, np.full(len(even), 1 / UNEVENNESS)), reference,
    )  # fmt: skip
    rest = rest[: len(used)]
    a = np.exp(solved)
    for row, pair in enumerate(used):
        design[row, pair.first] = -a[pair.second] / a[pair.first]
    shifts = np.array([p.b for p in used], dtype=np.complex128)
    b, _, rest_b = _solve(design, shifts, 1 / np.array([p.u_b for p in used]), reference)
    ends = np.zeros(count)
    ends[-1], ends[0] = 1, -1
    half_diagonal = math.hypot(*shape) / 2
    far = np.abs(rest) ** 2 * half_diagonal**2 / 2 + np.abs(rest_b) ** 2
    return Alignment(
        reference=reference,
        matrices=np.stack([_matrix(complex(a[n]), complex(b[n]), shape) for n in range(count)]),
        magnification=np.abs(a),
        shift_px=np.stack([b.real, b.imag], axis=1),
        agreement=np.array([p.agreement for p in pairs if p.second - p.first == 1]),
        u_log_magnification=math.sqrt(max(float(ends @ covariance @ ends), 0.0)),
        rms_px=math.sqrt(float(np.mean(far))) if len(used) > count - 1 else math.nan,
    )


def _solve(
    design: Complex, observed: Complex, weights: Array, reference: int
) -> tuple[Complex, Array, Complex]:
    """Weighted least squares with the reference at 0; the covariance is scaled up, never down, to
    the scatter that is there, and far pairs lose weight (three passes, Huber at two)."""
    count = design.shape[1]
    free = [n for n in range(count) if n != reference]
    weights = weights.copy()
    start = weights.copy()
    solved = np.zeros(count, dtype=np.complex128)
    rest = observed
    scale = 1.0
    for _ in range(3):
        weighted = design[:, free] * weights[:, None]
        solved[free] = np.linalg.lstsq(weighted, observed * weights, rcond=None)[0]
        rest = observed - design @ solved
        size = np.abs(rest) * start
        scale = max(1.0, float(np.median(size)) / 0.83) if len(size) > len(free) else 1.0
        weights = start * np.sqrt(np.minimum(1.0, 2 * scale / np.maximum(size, 1e-12)))
    weighted = design[:, free] * weights[:, None]
    covariance = np.zeros((count, count))
    inverse = np.linalg.pinv((weighted.conj().T @ weighted).real) * scale**2
    covariance[np.ix_(free, free)] = inverse
    return solved, covariance, rest
