"""Real photographs with a truth from outside (tests/data/real/README.md): answer, U, verdict."""

from __future__ import annotations

import os
import re
from pathlib import Path

import studies
from studies.attack.case import Answer, Outcome, ask, number, say

FOLDER = Path(studies.__file__).parents[1] / "tests" / "data" / "real"
SCALES = (
    ("scale-a.png", "10um", 1.293, 0.004),  # the author's count: 688.33 px are 89 divisions
    ("scale-b.png", "10um", 0.3218, 0.003),  # by hand and by straight fits: 0.3214 to 0.3222
    ("scale-c.png", "10um", 1.742, 0.002),
    ("chamber-a.jpg", "50um", 3.002, 0.005),
    ("chamber-b.jpg", "50um", 0.82, 0.0125),
)
"""File, division, pixel size at the middle (um/px) and how far that is known (relative)."""
FIRST_GROUP = 4
"""Outer group of the target in bars-a.tif (its makers' README, quoted beside the file)."""


def _row(name: str, truth: str, told: str, u: str, outcome: Outcome) -> str:
    return f"{name:16s}{truth:>16s}{told:>16s}{u:>12s}   {outcome.sort}"


def scale_told(answer: Answer, truth: float, known: float) -> Outcome:
    """The pixel size against its truth, which is itself known to `known`, relative."""
    return number(answer, "pixel_size", truth, good=True, bound=known)


def first_group(answer: Answer) -> int:
    """The coarsest group in the table that `bars` prints."""
    return min(int(found[1]) for found in re.finditer(r"^ *(-?\d+)-[1-6] ", answer.out, re.M))


def bars_told(answer: Answer) -> Outcome:
    """The target's frequencies: told is right only with the groups that are on it."""
    if not answer.measured:
        return Outcome("refused, honestly", answer.reason)
    first = first_group(answer)
    right = first == FIRST_GROUP
    return Outcome("right" if right else "CONFIDENT WRONG", f"group {first}, truth {FIRST_GROUP}")


def report() -> str:
    """The table; a refusal's reason stands below its row."""
    lines = [f"{'photo':16s}{'truth':>16s}{'told':>16s}{'U (95 %)':>12s}   verdict"]
    for name, division, truth, known in SCALES:
        answer = ask("scale", FOLDER / name, "--division", division)
        outcome = scale_told(answer, truth, known)
        told, u = "-", "-"
        if answer.measured:
            told = f"{answer.value('pixel_size'):.5g} um/px"
            u = f"{answer.expanded('pixel_size'):.2g}"
        lines.append(_row(name, f"{truth:g} um/px", told, u, outcome))
        if not answer.measured:
            lines.append(f"  {answer.reason}")
    plain = say("bars", FOLDER / "bars-a.tif")
    told = str(first_group(plain)) if plain.measured else "-"
    lines.append(_row("bars-a.tif", f"group {FIRST_GROUP}", f"group {told}", "-", bars_told(plain)))
    if not plain.measured:
        reason = plain.reason.replace(f"{FOLDER}{os.sep}", "")  # no path of whoever ran it
        lines.append(f"  {reason}")
    return "\n".join(lines)
