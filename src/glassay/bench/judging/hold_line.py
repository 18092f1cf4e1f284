"""A line held against what a setting shows: told, not told, or not shown."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from glassay.bench.judging.decide import guarded
from glassay.bench.keeping.results import CaptureResult, SettingResult
from glassay.bench.measuring.resolved import Resolved, bound_by_evidence, bounds_of, finest_in
from glassay.bench.saying.words import say_length
from glassay.quantity import Quantity

Word = Literal["yes", "no", "not shown"]

SAME_AGAIN = "another capture of the same: the number is within its uncertainty of the need"


@dataclass(frozen=True)
class LineHeld:
    """The answer, and the line (um) that decides it; `evidence` is None where pixels or the
    aperture do, both are None where nothing does. `shoot` says what a "not shown" takes.

    `is_unseen`: evidence forbids no such line, and none shows one.
    """

    word: Word
    said: str
    line: Quantity | None = None
    evidence: Resolved | None = None
    shoot: str = ""
    is_unseen: bool = False


def keeps(value: Quantity, limit: float, sense: Literal["at least", "at most"]) -> Word:
    """Whether a value keeps a limit by its expanded uncertainty, misses it by more, or neither."""
    low, high = (limit, math.inf) if sense == "at least" else (-math.inf, limit)
    return _ANSWERS[guarded(value, low, high)]


_ANSWERS: Mapping[str, Word] = {"met": "yes", "not met": "no", "undecided": "not shown"}


def hold_line(
    one: SettingResult, captures: Sequence[CaptureResult], wanted_um: float,
    contrast: float | None = None,
) -> LineHeld:  # fmt: skip
    """Whether a line of `wanted_um` is told in a setting, at `contrast` (10 % where None).

    Bars and edges can say yes and no. Pixels, the aperture and the end of ring correlation can only
    say no.
    """
    for bound in bounds_of(one, captures):
        if keeps(bound.line, wanted_um, "at most") == "no":
            return LineHeld("no", f"{bound.why}, {say_length(bound.line)}", bound.line)
    at = f" at {contrast:.0%} contrast" if contrast is not None else ""
    told = finest_in(one, captures, contrast)
    if told is None or told.is_bound:
        return _by_bound(bound_by_evidence(one, captures, contrast), wanted_um, contrast)
    word = keeps(told.line, wanted_um, "at most")
    said = f"the finest lines{at} are {say_length(told.line)} wide ({told.how})"
    if word == "yes" or (word == "no" and not told.is_least):
        return LineHeld(word, said, told.line, told)
    shoot = "a finer bar target or a sharp edge" if told.is_least else SAME_AGAIN
    return LineHeld("not shown", said, told.line, told, shoot)


def _by_bound(bound: Resolved | None, wanted_um: float, contrast: float | None) -> LineHeld:
    shoot = "a photo of a sharp edge" + (" or a bar target" if contrast is None else "")
    if bound is None:
        return LineHeld("not shown", "no capture shows what is resolved", shoot=shoot)
    said = f"no lines finer than {say_length(bound.line)} are resolved ({bound.how})"
    if keeps(bound.line, wanted_um, "at most") == "no":
        return LineHeld("no", said, bound.line, bound)
    return LineHeld("not shown", f"{said}, which does not show that wider ones are", bound.line,
                    bound, shoot, is_unseen=True)  # fmt: skip
