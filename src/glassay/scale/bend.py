"""Lines that are not straight: bent by a lens, fanned out by perspective, or arcs of rings.

A lens with radial distortion k shows the point (s, t) of a line at s (1 + k (s^2 + t^2)): lines on
either side of its axis bend in opposite senses, in proportion to s; perspective fans them out, also in
proportion to s. Rings bend in one sense. All three are fitted to where the parts of the lines stand,
so that long lines are followed along their whole length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import fdtrc

from glassay.fitting import scatter

Array = npt.NDArray[Any]

CHANCE = 1e-6
"""Chance at which a bend is taken for real when it is not: neighbouring parts of a line err together,
which the F test does not know."""
LEFT = 0.7
"""A bend must leave no more than this share of the squares: what is left of soft, noisy lines strays as
far as before, though an F test that takes their parts for independent may find a bend in it."""
LEAST_PX = 0.05
"""Bends below this do no harm."""
PASSES = 4
"""Fits, each with the parts weighted down that stray from the one before."""


@dataclass(frozen=True)
class Bend:
    """Departure (px, along the axis) of a line at s, in its part at t, from the straight line through
    its part at `middle`: even (t - middle)^2 + s (fan (t - middle) + odd (t - middle)^2)."""

    middle: float
    even: float = 0.0
    fan: float = 0.0
    odd: float = 0.0

    def at(self, s: Array, t: Array) -> Array:
        """The departure at `s` and `t` (px, of shapes that fit each other)."""
        away = t - self.middle
        return np.asarray(self.even * away**2 + s * (self.fan * away + self.odd * away**2))

    def common(self, s: Array, half: float) -> float:
        """Least sagitta (px) of lines at `s` that reach `half` px to either side, where all bend in one
        sense; else 0."""
        curves = self.even + self.odd * s
        one_sense = bool((curves > 0).all() or (curves < 0).all())
        return float(np.abs(curves).min()) * half**2 if one_sense else 0.0

    @property
    def seen(self) -> bool:
        """Whether there is any."""
        return bool(self.even or self.fan or self.odd)

    def __add__(self, more: Bend) -> Bend:
        return Bend(self.middle, self.even + more.even, self.fan + more.fan, self.odd + more.odd)


def fit_bend(shift: Array, weight: Array, t: Array, s: Array, middle: float, known: bool) -> Bend:
    """The bend of lines at `s` (lines,), from the `shift` (parts, lines) of their parts at `t` (parts,)
    and its `weight`; none where chance may have made it, unless one is `known` already."""
    value = np.where(weight > 0, shift, 0.0)
    weight = weight.copy()
    away = (t - middle)[:, None] * np.ones_like(value)
    terms = [away, away**2, s * away, s * away**2]
    solution = np.zeros(4)
    straight = bent = 0.0
    for _ in range(PASSES):
        total = np.maximum(weight.sum(axis=0), 1e-30)
        free = [one - (weight * one).sum(axis=0) / total for one in (*terms, value)]
        root = np.sqrt(weight)
        design = np.stack([(root * one).ravel() for one in free[:4]], axis=1)
        size = np.sqrt((design**2).sum(axis=0))
        if not (size > 0).all():
            return Bend(middle)  # too short or too few
        target = (root * free[4]).ravel()
        solution = np.linalg.lstsq(design / size, target, rcond=1e-8)[0] / size
        slope = float(design[:, 0] @ target / size[0] ** 2)
        straight = float(((target - slope * design[:, 0]) ** 2).sum())
        bent = float(((target - design @ solution) ** 2).sum())
        residual = free[4] - sum(c * one for c, one in zip(solution, free[:4], strict=True))
        used = weight > 0
        limit = 4 * scatter(residual[used]) + 0.01
        weight = np.where(np.abs(residual) > limit, weight * 0.05, weight)
    found = Bend(middle, float(solution[1]), float(solution[2]), float(solution[3]))
    used = weight > 0
    freedom = int(used.sum()) - int((used.any(axis=0)).sum()) - 4
    if known:
        return found
    if freedom < 8 or bent <= 0 or bent > LEFT * straight:
        return Bend(middle)
    gain = (straight - bent) / 3 / (bent / freedom)
    moved = float(np.abs(found.at(s, away + middle))[used].max(initial=0.0))
    return (
        found if moved > LEAST_PX and fdtrc(3, freedom, max(gain, 0.0)) < CHANCE else Bend(middle)
    )
