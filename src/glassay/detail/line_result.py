"""What the superposed lines of a ruled scale told: a response with its uncertainty and its evidence.

Frequencies in cycles/px, lengths in px; the pixel's aperture is included in the response.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.edge_loss import LOST, TAKEN_U
from glassay.detail.lines_ends import Step
from glassay.detail.lines_folded import Fold, Lines
from glassay.detail.response_model import FREQUENCY, PROCESSING_SHARE, Posterior
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.quantity import Contribution, Quantity
from glassay.tone_doubt import with_tone

Float = npt.NDArray[np.float64]

METHOD = "superposed lines"
FIRMWARE = "firmware"
NO_BARS = "the lines are no plain bars (rims, grooves or shadows): their response cannot be told"
PROFILE = "profile of the lines"

MAX_MISFIT = 6.0
"""Weighted square residual per datum beyond which the lines are no plain bars: rims, grooves and
shadows give 20 and more, plain lines 0.3 to 3."""
MOST_VAGUE = 0.3
"""Standard uncertainty, as a share of the value, beyond which no frequency is told: lines are said to
be too wide for it, and a response against a finer photo's is withheld."""
PROFILE_U = 1 / 3
"""Standard uncertainty for the lines' profile, as a share of what it makes that they need not be bars.
Where rims agree with the data as well as bars do, it says that one slide in nine has them; where bars
do not agree, that two bars follow a groove's walls and floor so far. Of 54 drawn grooves a half covers
96 %, a third 85 to 90 %, at u of 7 and 6 %."""

Places = tuple[float, float]
"""Where the modulation falls to 50 and to 10 %, cycles/px; NaN where it does not."""


@dataclass(frozen=True)
class LineResponse:
    """Response from superposed lines. `modulation`, `low`, `high` belong to `frequency` (95 % band).

    `line_width` in px. `profile` (2, n) is the folded line: place across (px) and light; `ends`
    (2, n) the edge spread along the lines, empty where no end could be used.
    """

    frequency_50: Quantity
    frequency_10: Quantity | None
    line_width: Quantity
    lines: int
    ends_used: int
    frequency: Float
    modulation: Float
    low: Float
    high: Float
    profile: Float
    ends: Float
    misfit: float
    posterior: Posterior = field(repr=False)
    notes: tuple[str, ...] = ()

    def findings(self) -> Mapping[str, Finding]:
        """Keys frequency_50, frequency_10 (cycles/px, where told) and line_width (px)."""
        out = {
            "frequency_50": Finding(self.frequency_50, METHOD),
            "line_width": Finding(self.line_width, METHOD),
        }
        if self.frequency_10 is not None:
            out["frequency_10"] = Finding(self.frequency_10, METHOD)
        return out

    def with_share(self, source: str, share: float) -> LineResponse:
        """With one more relative standard uncertainty of both frequencies."""
        if not share:
            return self
        half, tenth = (
            found and found.with_contribution(source, share * found.value, scope="reference")
            for found in (self.frequency_50, self.frequency_10)
        )
        return replace(self, frequency_50=half or self.frequency_50, frequency_10=tenth)

    def evidence(self) -> dict[str, Any]:
        """Plain data for drawing: the curve with its band, the folded line, the ends."""
        return {
            "frequency": self.frequency, "modulation": self.modulation, "low": self.low,
            "high": self.high, "profile": self.profile, "ends": self.ends,
        }  # fmt: skip


def result_of(
    posterior: Posterior,
    fold: Fold,
    steps: list[Step],
    rows: Lines,
    division: float,
    lost: Places,
    profile: Places,
    changes: Sequence[Places],
) -> LineResponse:
    """The outcome of a posterior, and of what moves both places beside it: compression (`lost`,
    cycles/px), another profile (a share), other tone curves (factors). Raises `NotMeasurable`."""
    if posterior.misfit > MAX_MISFIT:
        raise NotMeasurable(NO_BARS)
    half = _quantity(
        posterior.frequency_at(0.5), lost[0], profile[0], [half for half, _ in changes]
    )
    tenth = _quantity(
        posterior.frequency_at(0.1), lost[1], profile[1], [tenth for _, tenth in changes]
    )
    if (
        half is not None
        and half.relative > MOST_VAGUE
        and PROFILE_U * abs(profile[0]) > MOST_VAGUE / 2
    ):
        raise NotMeasurable(NO_BARS)
    if half is None or half.relative > MOST_VAGUE:
        raise NotMeasurable(
            "the lines are wider than they tell: response and width cannot be told apart"
        )
    low, middle, high = np.percentile(posterior.curves, [2.5, 50, 97.5], axis=0)
    width = np.exp(posterior.parameters[:, 5]) * division
    notes = (
        []
        if steps
        else ["no ends of lines could be used: the width of the lines is told by their shape alone"]
    )
    if tenth is None or tenth.relative > MOST_VAGUE:
        notes.append("where the modulation falls to 10 % is not told by these lines")
        tenth = None
    ends = np.stack([steps[0].place, steps[0].value]) if steps else np.empty((2, 0))
    return LineResponse(
        half, tenth, Quantity.of(float(np.median(width)), float(width.std()), "px", METHOD),
        len(rows.length), sum(step.lines for step in steps), FREQUENCY, middle, low, high,
        np.stack([fold.place, fold.light]), ends, posterior.misfit, posterior, tuple(notes),
    )  # fmt: skip


def _quantity(
    draws: Float, lost: float, profile: float, changes: Sequence[float]
) -> Quantity | None:
    """Median and half the central 68 % of draws; None where a tenth of them have no such place."""
    known = draws[np.isfinite(draws)]
    if len(known) < 0.9 * len(draws):
        return None
    low, middle, high = np.percentile(known, [15.87, 50, 84.13])
    # What response and width leave open between them is the same for all photos of a setting.
    fit = Contribution(METHOD, float((high - low) / 2), scope="setting")
    found = Quantity(float(middle), "cycles/px", (fit,))
    found = found.with_contribution(FIRMWARE, PROCESSING_SHARE * found.value, scope="setting")
    if lost and math.isfinite(lost):
        found = found.with_contribution(LOST, TAKEN_U * lost, scope="setting")
    if profile and math.isfinite(profile):
        share = PROFILE_U * profile * found.value
        found = found.with_contribution(PROFILE, share, scope="reference")
    return with_tone(found, [float(middle) * change for change in changes])
