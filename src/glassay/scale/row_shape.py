"""What the lines of a straight ruling do not do: stand in pairs, or fan out as on a dial."""

from __future__ import annotations

import numpy as np

from glassay.errors import NotMeasurable
from glassay.scale.bent_ruling import Parts
from glassay.scale.lines import Lines
from glassay.scale.ruling import RulingFit

PAIRED, PAIRED_U = 0.01, 6.0
"""Distance of even lines from the middle between odd ones, in divisions and in its standard
uncertainty, from which lines stand in pairs: the legs of letters, the rims of slots. On photos of
scales at hand it is 0.0006 divisions or less; slides are ruled to 0.005."""

FAN = 0.25
"""Angle, radian, by which the first and the last line may point apart. The lines of a slide are
parallel; seen 10 % askew they point 0.16 apart, and through a lens of 6 % 0.12."""

FEWEST_LINES, FEWEST_PARTS = 6, 3
"""Lines of a row, and parts of a line, below which a row's shape or a line's direction is not judged:
three lines of either kind, and one part more than a direction takes."""


def check_row(lines: Lines, fit: RulingFit) -> None:
    """Raise `NotMeasurable` where lines stand in pairs or fan out."""
    if _are_paired(lines, fit):
        raise NotMeasurable(
            "the lines found stand in pairs, as the legs of letters or the rims of slots do; those of"
            " a scale are evenly spaced"
        )
    fan = _fan(lines.parts)
    if abs(fan) > FAN:
        raise NotMeasurable(
            f"the lines found fan out by {abs(np.degrees(fan)):.0f} degrees from the first to the"
            " last, as on a dial; those of a scale are parallel"
        )


def _are_paired(lines: Lines, fit: RulingFit) -> bool:
    """Whether even lines lie off the middle between odd ones."""
    rest, side = fit.residuals[fit.used], 2.0 * (lines.numbers[fit.used] % 2) - 1
    if len(rest) < FEWEST_LINES or abs(side.mean()) > 0.5:
        return False
    side = side - side.mean()
    off = float(side @ rest / (side @ side))
    scatter = float(np.std(rest - off * side)) / np.sqrt(len(rest))
    # Half the distance of the even from the odd is what each is off.
    return bool(abs(off) > max(PAIRED * fit.division, PAIRED_U * scatter))


def _fan(parts: Parts) -> float:
    """Change of the lines' direction from the first to the last, radian: the slope between lines
    far apart (median of all pairs; Theil 1950, Sen 1968)."""
    at, lean = [], []
    for number in np.unique(parts.numbers):
        of = parts.numbers == number
        if of.sum() >= FEWEST_PARTS:
            weight = 1 / parts.errors[of]
            lean.append(float(np.polyfit(parts.across[of], parts.along[of], 1, w=weight)[0]))
            at.append(float(parts.along[of].mean()))
    if len(at) < FEWEST_LINES:
        return 0.0
    x, y = np.array(at), np.array(lean)
    first, second = np.triu_indices(len(x), 1)
    slope = float(np.median((y[second] - y[first]) / (x[second] - x[first])))
    return slope * float(np.ptp(x))
