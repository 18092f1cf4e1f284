"""Faults on purpose. The acts run in children of one warm process whose system calls pass a small
library (`shim.c`, compiled here with the system's C compiler): it kills the child at the n-th call
that touches the bench, lets the call fail as on a full or erring disk, or makes the clock jump.

After each fault: every capture bit-identical, results and documents whole or absent, and the same act
done again ends as if nothing had been.
"""

from __future__ import annotations

import errno
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from studies.faults.acts import ACTS, CONFLICT, prepare
from studies.faults.whole import broken, end_of

SOURCE = Path(__file__).with_name("shim.c")
NETWORK = (errno.EIO, errno.ESTALE, errno.ETIMEDOUT)
"""What network drives answer that have lost their other end (NFS, SMB; from memory)."""
JUMPS_S = (-10 * 365 * 86400, -3600, 3600, 30 * 86400)


@dataclass
class Tally:
    """What was done and found."""

    done: Counter[tuple[str, str]] = field(default_factory=Counter)
    struck: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


class Warm:
    """The warm process."""

    def __init__(self, shim: Path) -> None:
        environment = {**os.environ, "LD_PRELOAD": str(shim), "OMP_NUM_THREADS": "1",
                       "OPENBLAS_NUM_THREADS": "1"}  # fmt: skip
        words = [sys.executable, "-m", "studies.faults.warm", str(shim)]
        self._process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                         text=True, env=environment)  # fmt: skip

    def do(self, act: str, place: Path, **fault: Any) -> dict[str, Any]:
        """One act with a fault; how it ended."""
        self.begin(act, place, **fault)
        return self.end()

    def begin(self, act: str, place: Path, **fault: Any) -> None:
        """Begin an act."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps({"act": act, "place": str(place), **fault}) + "\n")
        self._process.stdin.flush()

    def end(self) -> dict[str, Any]:
        """Wait for the act that was begun."""
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError("the warm process has ended")
        found: dict[str, Any] = json.loads(line)
        return found

    def close(self) -> None:
        """End it."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(60)


class Study:
    """The acts of one room, broken off one after the other."""

    def __init__(self, room: Path, warm: Warm, acts: Sequence[str]) -> None:
        self.tally = Tally()
        self._room, self._warm = room, warm
        self._work = room / "work"
        self._calls: dict[str, dict[str, int]] = {}
        self._ends: dict[str, dict[str, str]] = {}
        self._took: dict[str, float] = {}
        for act in acts:
            self._calls[act] = {}
            for kind in ("change", "grow", "all"):
                began = time.monotonic()
                got = warm.do(act, self._fresh(act), mode="count", kind=kind)
                if got["code"] != 0:
                    raise RuntimeError(f"{act} fails without a fault: {got}")
                self._took[act] = time.monotonic() - began
                self._calls[act][kind] = got["calls"]
            self._ends[act] = end_of(self._work)

    def _fresh(self, act: str) -> Path:
        shutil.rmtree(self._work, ignore_errors=True)
        shutil.copytree(self._room / ACTS[act][0], self._work)
        return self._work

    def calls(self, act: str, kind: str) -> int:
        """How many system calls of a kind an act makes in the bench."""
        return self._calls[act][kind]

    def took(self, act: str) -> float:
        """Seconds that an act takes."""
        return self._took[act]

    def strike(self, act: str, what: str, **fault: Any) -> None:
        """One act with one fault, looked at afterwards, done again, looked at again."""
        place = self._fresh(act)
        got = self._warm.do(act, place, **fault)
        self._look(act, what, got, fault)
        again = self._warm.do(act, place)
        name = f"{act}, {what} {fault}"
        if again["code"] != 0:
            self.tally.wrong.append(f"{name}: done again it failed: {_last(again)}")
        elif (now := end_of(place)) != self._ends[act]:
            other = sorted({*now.items()} ^ {*self._ends[act].items()})
            self.tally.wrong.append(f"{name}: done again it ended otherwise: {other[:3]}")

    def _look(self, act: str, what: str, got: dict[str, Any], fault: dict[str, Any]) -> None:
        self.tally.done[act, what] += 1
        self.tally.struck[what] += got["code"] != 0
        name = f"{act}, {what} {fault}"
        start, photos = self._room / ACTS[act][0], self._room / "photos"
        self.tally.wrong += [f"{name}: {one}" for one in broken(self._work, start, photos)]
        if got["hung"]:
            self.tally.wrong.append(f"{name}: it never ended")
        if "Traceback" in got["said"] or got["code"] in (1, 99):
            told = got["said"].strip().splitlines()[-1:] or ["nothing said"]
            if got["code"] == 1 and "Traceback" not in got["said"]:
                return  # the workbench said so on a page
            self.tally.wrong.append(f"{name}: not told in one line: {told[0]}")

    def two_at_once(self, warm: Warm, first: str, second: str) -> None:
        """Two acts that begin from the same place, at the same time in two programs."""
        place = self._fresh(first)
        what = "two at once"
        self._warm.begin(first, place)
        warm.begin(second, place)
        for act, got in ((first, self._warm.end()), (second, warm.end())):
            self._look(act, what, got, {"with": second if act == first else first})
            if got["code"] not in (0, CONFLICT):
                self.tally.wrong.append(f"{first} with {second}: {act}: {_last(got)}")


def _last(got: dict[str, Any]) -> str:
    return f"{got['code']} {' '.join(got['said'].split())[-300:]}"


PAIRS = (("run", "run"), ("add", "add"), ("report", "edit"), ("edit", "edit"), ("pack", "report"),
         ("add", "upload"), ("upload", "upload"), ("run", "run in processes"))  # fmt: skip


def compiled(room: Path) -> Path:
    """The shim. Raises RuntimeError where there is no C compiler."""
    compiler = shutil.which("cc")
    if compiler is None:
        raise RuntimeError("this study needs a C compiler (cc)")
    target = room / "shim.so"
    words = [compiler, "-shared", "-fPIC", "-O1", "-o", str(target), str(SOURCE), "-ldl"]
    subprocess.run(words, check=True)
    return target


def report(quick: bool = False, acts: Sequence[str] = tuple(ACTS), share: float = 1.0) -> str:
    """Strike, and tell. `share` is how often, of the full study; `quick` is a tenth."""
    rng = random.Random(17)
    share = 0.1 if quick else share
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        shim = compiled(Path(name))
        room = Path(name) / "room"
        prepare(room)
        warm, other = Warm(shim), Warm(shim)
        try:
            study = Study(room, warm, acts)
            for act in acts:
                _of_one_act(study, act, rng, share)
                print(f"{act}: {sum(study.tally.done.values())} faults so far,"
                      f" {len(study.tally.wrong)} wrong", *study.tally.wrong, sep="\n  ",
                      file=sys.stderr, flush=True)  # fmt: skip
            for _ in range(max(1, round(8 * share))):
                for first, second in PAIRS if len(acts) == len(ACTS) else ():
                    study.two_at_once(other, first, second)
        finally:
            warm.close()
            other.close()
    return _table(study, time.monotonic() - began)


def _of_one_act(study: Study, act: str, rng: random.Random, share: float) -> None:
    apart = act == "run in processes"  # its measuring goes on outside the shim, and takes seconds

    def some(kind: str, most: int) -> list[int]:
        there = study.calls(act, kind)
        wanted = max(2, round(min(most, 8 if apart else most) * share))
        return sorted(rng.sample(range(1, there + 1), min(there, wanted)))

    for nth in some("change", 90):
        study.strike(act, "killed at a change", mode="kill", kind="change", nth=nth)
    for _ in range(max(2, round((20 if apart else 40) * share))):
        study.strike(act, "killed at a random moment", after=rng.uniform(0, study.took(act)))
    for nth in some("grow", 60):
        study.strike(act, "disk full from here on", mode="full", kind="grow", nth=nth,
                     error=errno.ENOSPC)  # fmt: skip
    for nth in some("all", 40):
        study.strike(act, "one call errs", mode="once", kind="all", nth=nth,
                     error=rng.choice(NETWORK))  # fmt: skip
    for jump in JUMPS_S:
        study.strike(act, "the clock jumps", jump_s=jump, jump_at=rng.randint(1, 30))


def _table(study: Study, seconds: float) -> str:
    tally = study.tally
    kinds = list(dict.fromkeys(what for _, what in tally.done))
    lines = [
        f"{sum(tally.done.values())} faults, {len(tally.wrong)} wrong ({seconds / 60:.0f} min)"
    ]
    lines.append(f"{'':28}" + "".join(f"{act[:10]:>11}" for act in ACTS) + f"{'struck':>9}")
    for what in kinds:
        counts = "".join(f"{tally.done[act, what]:11}" for act in ACTS)
        lines.append(f"{what:28}{counts}{tally.struck[what]:9}")
    return "\n".join([*lines, *(f"  {one}" for one in tally.wrong[:60])])
