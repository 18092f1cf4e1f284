"""What a line of a ruled scale may be across: a plain bar, or one whose inside differs from its rims.

Chrome on glass is a bar. A groove is seen by its walls: two rims, or a bright one and a dark one, with
more or less of its floor. A profile even about its middle is taken as two bars, one within the other,

    S(f) = (sinc(w f) + beta sinc(v f)) / (1 + beta),    beta = b v / w,

w the width of the whole, v < w of its inside, b by how much darker the inside is than the rims, as a
share of these (0: a bar; -1: two rims and nothing between them; above 0: sloped sides). b is most
likely near 0 and may be anything: b = s sinh(k t) of a normal t. Where the groove goes round the end of
the line, its inside ends earlier by a share of the rim, (w - v) / 2. Derived here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

Float = npt.NDArray[np.float64]

PROFILE_PARAMETERS = 4
"""ln of width over division, t of the inside, logit of v / w, share of the rim round the end."""
PROFILE_MIDDLE = np.array([math.log(0.2), 0.0, 0.4, 0.5])
PROFILE_WIDTH = np.array([0.5, 1.0, 0.8, 0.5])
"""Middle and standard deviation before anything is measured. Slides of 10 um have lines of 1 to 3 um
(common practice, no source); v / w is between a quarter and nine tenths; of the rim at the end nothing
is known."""
INSIDE_SCALE, INSIDE_TAIL = 0.03, 2.0
"""b = s sinh(k t): one slide in three is off a bar by more than 0.11 of its darkness, one in twenty by
more than 0.8 (a guess: most slides are chrome, some are grooves)."""
Profiles = Literal["any", "bars", "rims"]
_RIMS = math.asinh(-0.95 / INSIDE_SCALE) / INSIDE_TAIL
PRIORS: dict[Profiles, tuple[Float, Float]] = {
    "any": (PROFILE_MIDDLE, PROFILE_WIDTH),
    "bars": (PROFILE_MIDDLE, PROFILE_WIDTH * np.array([1.0, 1e-3, 1.0, 1.0])),
    "rims": (PROFILE_MIDDLE + np.array([0.0, _RIMS, 0.0, 0.0]),
             PROFILE_WIDTH * np.array([1.0, 0.02, 1.0, 1.0])),
}  # fmt: skip
"""Middle and width where lines may be anything, are held to be bars, or rims with next to nothing
between them."""
RIMS_FROM_BAR = np.array([-0.3, _RIMS, 0.0, 0.0, 0.0])
"""From a bar's parameters, with the stretch after them, to those of rims that spread alike: with
v / w = 0.6 their light has the second moment of a bar 1.36 times as wide."""
LEAST_DARK = 0.05
"""Light that the whole line takes, as a share of that of a bar, below which there is no line."""
NO_LINE_U = 0.01
"""How steeply what is no line is ruled out: smoothly, for a search along slopes."""


class Bar(NamedTuple):
    """A bar `width` px wide, `dark` times as dark as the line, by `earlier` px shorter at each end."""

    width: float
    dark: float
    earlier: float


@dataclass(frozen=True)
class Profile:
    """m profiles: `width` and `inner` in px, `beta`, and by how much the inside ends earlier, px."""

    width: Float
    inner: Float
    beta: Float
    earlier: Float

    @classmethod
    def of(cls, parameters: Float, division: float) -> Profile:
        """From rows (m, `PROFILE_PARAMETERS`) and the division in px."""
        width = np.exp(parameters[:, 0]) * division
        share = 1 / (1 + np.exp(-parameters[:, 2]))
        inside = INSIDE_SCALE * np.sinh(np.clip(INSIDE_TAIL * parameters[:, 1], -20, 20))
        earlier = parameters[:, 3] * width * (1 - share) / 2
        return cls(width, width * share, inside * share, earlier)

    def impossible(self) -> Float:
        """Square residuals of those (m) that take next to no light away on the whole, 0 for others."""
        short = np.maximum(LEAST_DARK - 1 - self.beta, 0)
        return np.asarray((short / NO_LINE_U) ** 2)

    def bars(self) -> list[Bar]:
        """The first profile as bars that add up."""
        width, inner = float(self.width[0]), float(self.inner[0])
        inside = float(self._beta[0]) * width / inner
        return [Bar(width, 1.0, 0.0), Bar(inner, inside, float(self.earlier[0]))]

    def spectrum(self, frequency: Float) -> Float:
        """Across the line, (m, n), 1 at frequency 0."""
        outer, inner = (np.sinc(np.outer(w, frequency)) for w in (self.width, self.inner))
        beta = self._beta[:, None]
        return np.asarray((outer + beta * inner) / (1 + beta))

    def end_spectrum(self, frequency: Float) -> tuple[Float, Float]:
        """Along the line, summed across it: what multiplies a step, and its odd part over pi f."""
        beta, turn = self._beta[:, None], 2 * np.outer(self.earlier, frequency)
        level = (1 + beta * np.cos(np.pi * turn)) / (1 + beta)
        return level, beta / (1 + beta) * 2 * self.earlier[:, None] * np.sinc(turn)

    @property
    def _beta(self) -> Float:
        return np.maximum(self.beta, LEAST_DARK - 1)
