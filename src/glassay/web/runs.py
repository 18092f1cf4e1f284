"""Measuring, or drawing a mosaic, in the background: in a process of its own, to be stopped at once.

The process saves each result the moment it is there, so stopping loses at most what was being
measured. Where a run stands is kept here, not in any page, and survives reloading one.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Literal

from glassay.bench.chip.mosaic_picture import mosaic_picture_of
from glassay.bench.document.model import Bench
from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import read_results, run_bench
from glassay.bench.measuring.run import Progress
from glassay.errors import GlassayError
from glassay.heap import keep_freed_memory

ENDS_WITHIN_S = 5.0
"""How long a process that is stopped may take to end by itself."""

Word = Literal["none", "running", "finished", "stopped", "failed"]


@dataclass(frozen=True)
class RunState:
    """How a run stands. `number` counts the runs since the workbench was opened; `mosaic` is the
    capture whose whole picture is drawn, where that is what is done."""

    number: int = 0
    word: Word = "none"
    done: int = 0
    total: int = 0
    capture: str = ""
    status: str = ""
    reason: str = ""
    seconds: float = 0.0
    mosaic: str = ""


class OneCount:
    """One count over the parts of a run, of which each counts for itself: captures, then the matches
    between them. It never goes back; what is to be done is known for sure only as parts begin."""

    def __init__(self) -> None:
        self._before = Progress(0, 0)
        self._now = Progress(0, 0)

    def add(self, news: Progress) -> None:
        """Take in what one part says."""
        if news.done < self._now.done or (news.done == 0 and self._now.total):
            ended = self._before.done + self._now.done
            self._before = Progress(ended, ended)
        self._now = news

    @property
    def done(self) -> int:
        """Finished in all parts so far."""
        return self._before.done + self._now.done

    @property
    def total(self) -> int:
        """Of so many that are known of."""
        return self._before.total + self._now.total


class Runs:
    """At most one run at a time over one bench."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._state = RunState()
        self._process: multiprocessing.process.BaseProcess | None = None
        self._started = 0.0

    @property
    def state(self) -> RunState:
        """Where the last run stands."""
        with self._lock:
            state = self._state
            if state.word == "running":
                return replace(state, seconds=time.monotonic() - self._started)
            return state

    @property
    def is_running(self) -> bool:
        """Whether a run is under way."""
        return self.state.word == "running"

    def start(self, mosaic: str = "") -> RunState:
        """Start a run, or leave the one under way alone: measure what is new, or draw the whole picture
        of the capture `mosaic`."""
        with self._lock:
            if self._state.word == "running":
                return self._state
            self._state = RunState(self._state.number + 1, "running", mosaic=mosaic)
            self._started = time.monotonic()
            context = multiprocessing.get_context("spawn")
            theirs, ours = context.Pipe()
            work = (_draw, mosaic) if mosaic else (_measure,)
            self._process = context.Process(target=_work, args=(str(self._folder), ours, *work))
            self._process.start()
            ours.close()
            number = self._state.number
        threading.Thread(target=self._follow, args=(number, theirs), daemon=True).start()
        return self.state

    def stop(self) -> None:
        """Stop the run under way; what is finished is kept."""
        with self._lock:
            process, running = self._process, self._state.word == "running"
            if running:
                self._end("stopped")
        if process is not None and running:
            process.terminate()
            process.join(ENDS_WITHIN_S)
            if process.is_alive():
                process.kill()

    def _end(self, word: Word, reason: str = "") -> None:
        seconds = time.monotonic() - self._started
        self._state = replace(self._state, word=word, reason=reason, seconds=seconds)

    def _follow(self, number: int, messages: Connection) -> None:
        count = OneCount()
        reason = "the measuring process ended by itself"
        word: Word = "failed"
        while True:
            try:
                message = messages.recv()
            except (EOFError, OSError):
                break
            if isinstance(message, Progress):
                count.add(message)
                with self._lock:
                    if (self._state.number, self._state.word) == (number, "running"):
                        self._state = replace(
                            self._state, done=count.done, total=count.total,
                            capture=message.capture, status=message.status,
                        )  # fmt: skip
            else:
                word, reason = message
        with self._lock:
            if (self._state.number, self._state.word) == (number, "running"):
                self._end(word, reason if word == "failed" else "")


def _end(*_: object) -> None:
    """End with all workers, and give back what was shared with them: were this process killed outright,
    Python would warn of it in the end."""
    for worker in multiprocessing.active_children():
        worker.terminate()
    sys.exit(1)


def _work(folder: str, messages: Connection, do: Callable[..., None], *of: str) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the workbench's, which stops this
    signal.signal(signal.SIGTERM, _end)
    keep_freed_memory()
    try:
        do(load_bench(Path(folder), without_missing=True), messages.send, *of)
        messages.send(("finished", ""))
    except GlassayError as error:
        messages.send(("failed", str(error)))


def _measure(bench: Bench, tell: Callable[[Progress], None]) -> None:
    run_bench(bench, progress=tell)


def _draw(bench: Bench, tell: Callable[[Progress], None], capture: str) -> None:
    # it has no workers to end; ended in order, what its threads were writing would be mourned for
    signal.signal(signal.SIGTERM, lambda *_: os._exit(1))
    picture = mosaic_picture_of(read_results(bench), capture)
    picture.make(lambda what, done, total: tell(Progress(done, total, capture, what)))
