"""One scale for each axis of a bar target, from the periods of all elements that can be made out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from glassay.detail.bars_layout import Frame
from glassay.errors import NotMeasurable
from glassay.quantity import Contribution, Quantity, combine

Float = npt.NDArray[np.float64]

ASSUMED_TOLERANCE = 0.005
"""Relative tolerance of the bar widths of a target without a certificate: plus or minus 0.5 %,
rectangular (JCGM 100:2008, 4.3.7). Assumed; makers state 0.1 to 1 % (common practice, no source)."""

BLUR_SOURCE = "shape of the blur"
"""Contribution to a period that is common to all elements: it does not average out."""

MAX_SCATTER = 0.04
"""Largest standard deviation between elements' scales; more than this is no target, or one seen so
obliquely that no single scale describes it."""

MIN_ELEMENTS = 3
"""Fewest elements that give an axis its scale."""


@dataclass(frozen=True)
class AxisScale:
    """Length on the object per px along one axis of the target (um/px), and how the elements differ.

    `scatter` is the relative standard deviation between elements beyond their own uncertainties:
    distortion, perspective, uneven bars. `elements` counts them.
    """

    um_per_px: Quantity
    scatter: float
    elements: int


def axis_scale(
    periods_um: Sequence[float], periods_px: Sequence[Quantity], tolerance: float
) -> AxisScale:
    """The common scale of one axis (random-effects mean, Mandel and Paule 1970).

    Raises `NotMeasurable` when fewer than `MIN_ELEMENTS` are given or they contradict each other.
    """
    if len(periods_px) < MIN_ELEMENTS:
        raise NotMeasurable(
            f"only {len(periods_px)} elements of the target can be made out along one axis,"
            f" {MIN_ELEMENTS} are needed"
        )
    scale = np.array([um / p.value for um, p in zip(periods_um, periods_px, strict=True)])
    relative = np.array([p.relative for p in periods_px])
    # Logarithms: uncertainties are relative, and x and 1/x are treated alike.
    value = np.log(scale)
    scatter = _between(value, relative)
    if scatter > MAX_SCATTER:
        raise NotMeasurable(
            f"the elements contradict each other: their scales scatter by {scatter:.0%}"
        )
    weight = 1 / (relative**2 + scatter**2)
    mean = float((weight * value).sum() / weight.sum())
    size = math.exp(mean)
    blur = np.array([_blur_part(p) for p in periods_px])
    noise2 = np.maximum(relative**2 - blur**2, 0)
    own = size * math.sqrt(float((weight**2 * noise2).sum())) / float(weight.sum())
    common = size * float((weight * blur).sum() / weight.sum())
    between = size * scatter * math.sqrt(float((weight**2).sum())) / float(weight.sum())
    parts = [
        Contribution("fit of the bars", own),
        Contribution(BLUR_SOURCE, common, identity=BLUR_SOURCE, scope="bench"),
        Contribution("scatter between elements", between, len(scale) - 1, scope="capture"),
        Contribution(
            "bar target, tolerance",
            size * tolerance / math.sqrt(3),
            identity="bar target",
            scope="reference",
        ),
    ]
    quantity = Quantity(size, "um/px", tuple(p for p in parts if p.u))
    return AxisScale(quantity, scatter, len(scale))


def _blur_part(period: Quantity) -> float:
    parts = [p.u for p in period.contributions if p.source == BLUR_SOURCE]
    return math.hypot(*parts) / period.value


def _between(value: Float, u: Float) -> float:
    """Standard deviation between groups that makes the weighted scatter equal its expectation."""

    def excess(tau: float) -> float:
        weight = 1 / (u**2 + tau**2)
        mean = (weight * value).sum() / weight.sum()
        return float((weight * (value - mean) ** 2).sum()) - (len(value) - 1)

    if excess(0.0) <= 0:
        return 0.0
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return high


def pixel_sizes(frame: Frame, across: AxisScale, down: AxisScale) -> tuple[Quantity, Quantity]:
    """Pixel size along the picture's x and y (um/px) from the scales along the target's axes.

    With unit vectors r and d of the target's axes in the picture, one px along x is m_r r + m_d d,
    where (m_r, m_d) is the first column of the inverse of the matrix (r d); on the object it is
    (m_r s_r, m_d s_d), whose length is the pixel size.
    """
    inverse = np.linalg.inv(np.array([frame.right, frame.down]).T)
    sizes = []
    for column in (0, 1):
        m_r, m_d = float(inverse[0, column]), float(inverse[1, column])
        sizes.append(
            combine(
                lambda r, d, m_r=m_r, m_d=m_d: ((m_r * r) ** 2 + (m_d * d) ** 2) ** 0.5,
                (across.um_per_px, down.um_per_px),
                "um/px",
            )
        )
    return sizes[0], sizes[1]
