"""Lines that count what was refused, reason by reason, below a study's table."""

from __future__ import annotations

from collections.abc import Sequence


def refusals(reasons: Sequence[str]) -> list[str]:
    """A line for each reason that occurs; empty ones are no refusals."""
    told = [reason for reason in reasons if reason]
    return [f"  refused {told.count(reason)}: {reason}" for reason in sorted(set(told))]
