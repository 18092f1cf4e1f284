"""Asking the command line in this process, and sorting its answer by the truth."""

from __future__ import annotations

import contextlib
import io
import json
import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from glassay import cli

RIGHT = "right"
REFUSED = "refused, honestly"
HEDGED = "answered with a warning"
WRONG = "CONFIDENT WRONG"
LOST = "refused although good"
CRASH = "crash"
SORTS = (RIGHT, REFUSED, HEDGED, WRONG, LOST, CRASH)


@dataclass(frozen=True)
class Outcome:
    """What became of one input; `says` is the answer beside the truth, for the list of errors."""

    sort: str
    says: str = ""


@dataclass(frozen=True)
class Answer:
    """What a command ended with. `data` is empty unless it printed JSON."""

    status: int
    out: str
    err: str
    data: dict[str, Any] = field(default_factory=dict)

    @property
    def measured(self) -> bool:
        return self.status == 0 and bool(self.data.get("measured", True))

    @property
    def reason(self) -> str:
        return str(self.data.get("reason") or self.err.strip() or self.out.strip())

    @property
    def notes(self) -> list[str]:
        return [str(note) for note in self.data.get("notes", [])]

    def value(self, key: str) -> Any:
        """The value of a finding, or None where it was not told."""
        found = self.data.get("findings", {}).get(key)
        return None if found is None else found["value"]

    def u(self, key: str) -> float:
        return float(self.data["findings"][key]["u"])

    def expanded(self, key: str) -> float:
        """U for 95 % coverage."""
        return self.u(key) * float(self.data["findings"][key].get("k", 1.96))


Kind = tuple[int, Callable[[np.random.Generator, Path], Outcome]]


def ask(*words: object) -> Answer:
    """Run `glassay WORDS --json` here. Status 1 stands for an exception that nobody caught."""
    return say(*words, "--json")


def say(*words: object, typed: str = "") -> Answer:
    """Run `glassay WORDS` here, with `typed` as what a person types."""
    out, err, was, status = io.StringIO(), io.StringIO(), (sys.argv, sys.stdin), 0
    sys.argv, sys.stdin = ["glassay", *map(str, words)], io.StringIO(typed)
    try:
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            warnings.catch_warnings(),
        ):
            warnings.simplefilter("ignore")
            cli.main()
    except SystemExit as end:
        status = int(end.code or 0)
    except Exception as error:  # a traceback, were it a terminal
        status = 1
        err.write(f"{type(error).__name__}: {error}")
    finally:
        sys.argv, sys.stdin = was
    try:
        data = json.loads(out.getvalue())
    except ValueError:
        data = {}
    return Answer(status, out.getvalue(), err.getvalue(), data if isinstance(data, dict) else {})


def offers(command: str, option: str) -> bool:
    """Whether a command has an option, so that the study outlives the day on which it is added."""
    found = cli.program.get_command(None, command)  # type: ignore[arg-type]
    return found is not None and any(option in one.opts for one in found.params)


def nothing_there(answer: Answer, what: str, key: str, warning: str = "\0") -> Outcome:
    """Sort the answer about an input that holds nothing which the command could measure.

    `warning` is part of a note with which an answer is not confident.
    """
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    if not answer.measured or answer.value(key) is None:
        return Outcome(REFUSED, answer.reason[:120])
    says = f"{what}: told {key} {_short(answer.value(key))} (u {answer.u(key):.3g})"
    if any(warning in note for note in answer.notes):
        return Outcome(HEDGED, says)
    return Outcome(WRONG, says)


def number(
    answer: Answer, key: str, truth: float, *, good: bool, bound: float = 0.0, warning: str = "\0"
) -> Outcome:
    """Sort a number: right within 3 u (or `bound`, relative), else wrong; a refusal by `good`.

    Three standard uncertainties are about 1.5 U; `bound` is what the truth itself is known to.
    """
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    if not answer.measured or answer.value(key) is None:
        return Outcome(LOST if good else REFUSED, answer.reason[:160])
    value, u = float(answer.value(key)), answer.u(key)
    says = f"{key} {_short(value)} (u {u:.3g}), truth {_short(truth)}"
    if abs(value - truth) <= max(3 * u, bound * abs(truth)):
        return Outcome(RIGHT, says)
    hedged = any(warning in note for note in answer.notes)
    return Outcome(HEDGED if hedged else WRONG, says)


def worst(*outcomes: Outcome) -> Outcome:
    """The worst of several sorts of one input."""
    order = (RIGHT, REFUSED, HEDGED, LOST, WRONG, CRASH)
    return max(outcomes, key=lambda one: order.index(one.sort))


def _short(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, int | float) else str(value)
