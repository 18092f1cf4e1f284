"""`python -m studies.attack [CLASS ...] [--quick] [--keep FILE]`: the attack, class by class."""

from __future__ import annotations

import argparse
import importlib
import os
import subprocess
import sys
import tempfile
import time
import zlib
from collections import defaultdict
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from glassay.heap import keep_freed_memory
from studies.attack.case import CRASH, LOST, SORTS, WRONG, Outcome

CLASSES = ("scale", "chambers", "screens", "scenes", "patterns", "units", "bars", "array", "native",
           "clips", "noise", "edge", "focus", "match", "die", "stack", "mosaic", "filing", "claims",
           "files")  # fmt: skip
Task = tuple[str, str, int]
HEAD = """# Attack

Printed by `make attack`: inputs made to mislead, and what became of each. Right: within 3 u or what
the truth is known to. Refused: honestly. Warned: answered with a warning. WRONG: confident and wrong.
Lost: refused although good.

"""
SHORT = dict(zip(SORTS, ("right", "refused", "warned", "WRONG", "lost", "crash"), strict=True))
GOOD = {
    "scale": ("good scale", "good scale, level, period of n + 1/2 px", "plain ruling, said so",
              "thick sharp lines, about half the period", "plain grid of lines, said so",
              "grid of lines, double boundaries", "grid of lines, triple boundaries, cells",
              "light lines, uneven light"),
    "chambers": ("fives, double", "fives, triple", "fours, triple", "tens, double",
                 "improved ruling", "ruling in part of the field",
                 "improved, in part of the field", "soft", "JPEG 40 to 60", "many specks", "faint",
                 "vignetted", "round field", "eyepiece, 2 to 6 %",
                 "eyepiece, 6 to 25 %, whole ruling", "askew"),
    "units": ("good length",),
    "bars": ("whole target",),
    "array": ("grey pixels", "hexagonal lattice", "lattice in a lattice",
              "pixels under a colour mosaic", "array amid other circuits"),
    "clips": ("known repeats, slow", "known repeats, strong motion"),
    "noise": ("good pair", "good pair of what repeats"),
    "edge": ("sRGB, stated",),
    "focus": ("even run", "light changes", "walks"),
    "match": ("wide overlap",),
    "die": ("die on an even ground",),
    "stack": ("tilted plane", "two heights"),
    "mosaic": ("plain set",),
    "filing": ("filed rightly", "field number as engraved"),
    "claims": tuple(f"{kind}, {digits} digits, {how}"
                    for kind in ("field width", "field height", "pixel size")
                    for digits in (1, 2) for how in ("rounds to it", "beyond")),
}  # fmt: skip
"""Kinds whose every input has to be answered, so that the share of good ones refused is watched."""


def one(task: Task) -> tuple[Task, Outcome, float]:
    """Draw, ask and sort one input; its seed is its class, its kind and its number."""
    cv2.setNumThreads(1)
    keep_freed_memory()
    name, kind, index = task
    draw = importlib.import_module(f"studies.attack.{name}").KINDS[kind][1]
    rng = np.random.default_rng([zlib.crc32(f"{name}/{kind}".encode()), index])
    start = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        outcome = draw(rng, Path(folder))
    return task, outcome, time.process_time() - start


def tasks(names: list[str], quick: bool, first: int = 0) -> list[Task]:
    """The inputs of these classes, numbered from `first`."""
    return [
        (name, kind, index)
        for name in names
        for kind, (count, _) in importlib.import_module(f"studies.attack.{name}").KINDS.items()
        for index in range(first, first + (min(2, count) if quick else count))
    ]


def table(found: list[tuple[Task, Outcome, float]]) -> str:
    """The sorts of every kind of input, and each error with what is needed to draw it again."""
    tally: dict[tuple[str, str], list[str]] = defaultdict(list)
    for (name, kind, _), outcome, _ in found:
        tally[name, kind.split(": ")[0]].append(outcome.sort)
    lines = [_row("class: kind (+ is good, and must be answered)", "inputs", SHORT.values())]
    good: list[str] = []
    for (name, kind), sorts in tally.items():
        mark = "+ " if kind in GOOD.get(name, ()) else "  "
        good += sorts if mark == "+ " else []
        lines.append(_row(f"{mark}{name}: {kind}", len(sorts), _counts(sorts)))
    every = [outcome.sort for _, outcome, _ in found]
    lines.append(_row("  all", len(every), _counts(every)))
    lines.append(_row("+ all good", len(good), _counts(good)))
    if good:
        lines.append(f"good inputs refused: {100 * good.count(LOST) / len(good):.1f} %")
    for sort in (WRONG, CRASH, LOST):
        listed = [(task, outcome) for task, outcome, _ in found if outcome.sort == sort]
        lines += ["", f"{sort}: {len(listed)}"]
        lines += [f"  {'/'.join(task[:2])} #{task[2]}: {outcome.says}" for task, outcome in listed]
    return "\n".join(lines)


def _row(name: str, count: object, cells: Iterable[object]) -> str:
    return f"{name:58s}{count:>7}" + "".join(f"{cell:>9}" for cell in cells)


def _counts(sorts: list[str]) -> list[object]:
    return [sorts.count(sort) or "-" for sort in SORTS]


def _tell(done: tuple[Task, Outcome, float], number: int, of: int) -> None:
    """Say at once what is found, so that a run that is ended early has said something."""
    (name, kind, index), outcome, _ = done
    if outcome.sort in (WRONG, CRASH, LOST):
        print(
            f"{outcome.sort}: {name}/{kind} #{index}: {outcome.says}", file=sys.stderr, flush=True
        )
    if number % 100 == 0:
        print(f"{number} of {of}", file=sys.stderr, flush=True)


def commit() -> str:
    """On which code the study runs, with a mark where files were changed since."""
    done = subprocess.run(
        ["git", "describe", "--always", "--dirty", "--abbrev=10"],
        capture_output=True, text=True, check=False, cwd=Path(__file__).parent,
    )  # fmt: skip
    return done.stdout.strip() or "unknown"


def main() -> None:
    """Attack the named classes, or all."""
    parser = argparse.ArgumentParser(prog="python -m studies.attack", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="CLASS", help=", ".join(CLASSES))
    parser.add_argument("--quick", action="store_true", help="two inputs of each kind")
    parser.add_argument(
        "--times", action="store_true", help="also the processor time that each kind took"
    )
    parser.add_argument(
        "--first", type=int, default=0, metavar="N", help="draw inputs from number N on: others"
    )
    parser.add_argument("--keep", type=Path, metavar="FILE", help="also write the tables to FILE")
    options = parser.parse_args()
    if unknown := set(options.names) - set(CLASSES):
        parser.error(f"no class is called {', '.join(sorted(unknown))}")
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    start, code = time.perf_counter(), commit()
    every = tasks(options.names or list(CLASSES), options.quick, options.first)
    found = []
    with ProcessPoolExecutor(2) as pool:
        for done in pool.map(one, every):
            found.append(done)
            _tell(done, len(found), len(every))
    page = table(found)
    print(f"{page}\n  ({time.perf_counter() - start:.0f} s)", flush=True)
    if options.times:
        print(f"  {sum(seconds for *_, seconds in found):7.1f} s of processor time in all")
        spent: dict[str, float] = defaultdict(float)
        for (name, kind, _), _, seconds in found:
            spent[f"{name}: {kind}"] += seconds
        for kind, seconds in sorted(spent.items(), key=lambda item: -item[1])[:20]:
            print(f"  {seconds:7.1f} s  {kind}")
    if not options.names:
        from studies.attack.real import report

        real = report()
        print(f"\n{real}")
        page = f"{real}\n\n{page}"
    if options.keep is not None and not options.names and not options.quick:
        which = f"Code: commit {code}; inputs numbered from {options.first}."
        options.keep.write_text(f"{HEAD}{which}\n\n```text\n{page}\n```\n")


if __name__ == "__main__":
    main()
