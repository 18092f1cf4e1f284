"""What the finest line and pitch on a die's top tell about its process: a range, never a fact."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from glassay.quantity import Quantity

TOP_OVER_SMALLEST = 3.0
"""How many times wider than the smallest feature of its process the finest line in sight may be: the
topmost metal is drawn more coarsely than the gates and wires below it (common practice, no source)."""


@dataclass(frozen=True)
class Process:
    """The smallest feature of the process lies between `low_um` (None: no lower end can be told) and
    `high_um`, for the `reasons` given."""

    low_um: float | None
    high_um: float
    reasons: tuple[str, ...]

    @property
    def statement(self) -> str:
        """The range as a sentence."""
        if self.low_um is None:
            return (
                f"smallest feature of the process: {self.high_um:.2g} um or less, no lower end told"
            )
        return (
            f"smallest feature of the process: probably {self.low_um:.2g} to {self.high_um:.2g} um"
        )


def process_of(
    line: Quantity | None, pitch: Quantity | None, limit_um: float | None, at_limit: bool,
    by_hand: Collection[str] = (), seen: float = 1.0,
) -> Process | None:  # fmt: skip
    """The range from the finest line and pitch (um), the width from which lines are measured, and
    whether the lines reach down to it; `by_hand` names which of "line" and "pitch" a person read,
    `seen` is the share of the die that was looked at. None where nothing was told."""
    reasons = []
    of_line, of_pitch = (
        " (read by hand)" if name in by_hand else "" for name in ("line", "pitch")
    )  # fmt: skip
    ends = []
    if line is not None:
        ends.append(line.value + line.expanded)
        reasons.append(f"lines of {line.value:.3g} um{of_line} are on the die")
    if pitch is not None:
        ends.append((pitch.value + pitch.expanded) / 2)
        reasons.append(
            f"lines are repeated every {pitch.value:.3g} um{of_pitch}, half of which is one line"
        )
    if at_limit and limit_um is not None:
        ends.append(limit_um)
        reasons.append(
            f"there are lines narrower than {limit_um:.2g} um, from which widths are measured here: no"
            " finer ones could be seen"
        )
    if not ends:
        return None
    high = min(ends)
    if seen < 1:
        reasons.append(
            f"only {seen:.0%} of the die was looked at: finer ones may be elsewhere on it"
        )
    if at_limit or seen < 1:
        return Process(None, high, tuple(reasons))
    reasons.append(
        f"what is seen on top may be up to {TOP_OVER_SMALLEST:g} times coarser than what lies below"
        " (common practice, no source)"
    )
    return Process(high / TOP_OVER_SMALLEST, high, tuple(reasons))
