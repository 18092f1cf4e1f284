"""Edges around a die that lie one within the other, and which is the outermost.

A photo shows the seal ring most strongly and the saw cut, beyond the street, often faintly. The median
over the length of a side tells far fainter edges than the px do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

STEP_PX = 0.5
"""Profiles across a side are sampled this finely."""

FINE_STEP_PX = STEP_PX / 2
"""The same where the shape of a single rise is told."""

LEAST_STEP = 0.04
"""Least change of light at the outline, relative to the surround."""

STEP_REACH_PX = 6.0
"""Distance from a step at which the light on either side of it is taken, px: beyond its rise."""


@dataclass(frozen=True)
class Start:
    """Where a side is looked for: a point, direction along it, outward direction, bend (1/px, outward)
    and length."""

    foot: Array
    way: Array
    outward: Array
    bend: float
    length: float

    def moved(self, by: float) -> Start:
        """The same, so many px outward."""
        return replace(self, foot=self.foot + by * self.outward, length=self.length + 2 * by)

    def places(self, t: Array, across: Array) -> Array:
        """Places (along, across, 2), px: `t` px from the foot along the side, `across` px outward."""
        base = self.foot + t[:, None] * self.way + (self.bend * t**2)[:, None] * self.outward
        return np.asarray(base[:, None, :] + across[None, :, None] * self.outward)


def steps_beyond(grey: FloatImage, starts: list[Start], reach: float) -> list[float] | None:
    """How far beyond each side another edge runs along it, px; None where there is none around the die.

    The street is often fainter than the seal ring that was found first: here it is told by the noise of
    the median over a side's length. A side at which nothing lies beyond stays, if its own edge is like
    those of the others: then it is at the outermost one already. A shadow beside the die is unlike.
    """
    profiles = [_profile_beyond(grey, start, reach) for start in starts]
    if any(profile is None for profile in profiles):
        return None
    steps = [_steps_of(*profile) for profile in profiles if profile is not None]
    own = [_ratio(*profile, 0.0) for profile in profiles if profile is not None]
    for place in sorted({p for side in steps for p, _ in side}, reverse=True):
        near = [
            min(side, key=lambda one: abs(one[0] - place), default=(math.inf, 0.0))
            for side in steps
        ]
        moves = [at if abs(at - place) < max(3.0, 0.12 * place) else 0.0 for at, _ in near]
        edges = np.array([
            ratio if move else mine for move, (_, ratio), mine in zip(moves, near, own, strict=True)
        ])  # fmt: skip
        if float(np.ptp(edges)) < 0.5 * float(np.abs(edges).max()):
            return moves
    return None


def _profile_beyond(grey: FloatImage, start: Start, reach: float) -> tuple[Array, Array] | None:
    """Median light along a side against the distance outward (from some px within), px."""
    t = np.linspace(-0.46, 0.46, 160) * start.length
    across = np.arange(-8.0, reach, STEP_PX)
    at = start.places(t, across)
    inside = ((at >= 0) & (at <= np.array(grey.shape[::-1]) - 1.0)).all(axis=(0, 2))
    if inside.sum() < 40:
        return None
    x, y = np.moveaxis(at[:, inside].astype(np.float32), -1, 0)
    values = cv2.remap(grey, x, y, cv2.INTER_LINEAR)
    light = np.median(values, axis=0).astype(np.float64)
    soft = cv2.GaussianBlur(light[None], (0, 0), 2.0, borderType=cv2.BORDER_REPLICATE)[0]
    return np.asarray(soft, np.float64), np.asarray(across[inside])


def _ratio(soft: Array, across: Array, place: float) -> float:
    """Logarithm of the light within over that beyond a step."""
    n = int(np.argmin(np.abs(across - place)))
    away = round(STEP_REACH_PX / STEP_PX)
    inner, outer = soft[max(0, n - away)], soft[min(soft.size - 1, n + away)]
    return math.log(max(float(inner), 1e-6) / max(float(outer), 1e-6))


def _steps_of(soft: Array, across: Array) -> list[tuple[float, float]]:
    """Places of clear steps beyond the edge that was found, px, and their ratios of light."""
    change = np.abs(np.gradient(soft, across))
    quiet = float(np.quantile(change[across > 0], 0.25))
    found = []
    for n in range(1, change.size - 4):
        top = change[n] >= change[n - 1] and change[n] > change[n + 1] and change[n] > 4 * quiet
        if top and across[n] > STEP_REACH_PX:
            ratio = _ratio(soft, across, float(across[n]))
            if abs(ratio) > 2 * LEAST_STEP:
                found.append((float(across[n]), ratio))
    return found
