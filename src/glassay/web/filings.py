"""Filing in the background: how far it is, and stopping it with nothing filed."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from glassay.bench.document.model import Bench
from glassay.bench.keeping.filing import Filing, file_captures
from glassay.errors import GlassayError, Unusable
from glassay.web.incoming import Incoming

KEPT = 20
"""Filings remembered, so that a page may ask how one ended."""


@dataclass(frozen=True)
class FilingState:
    """How a filing stands. `done` and `total` count looks at files and copies of them together."""

    word: Literal["running", "finished", "stopped", "failed"] = "running"
    done: int = 0
    total: int = 0
    said: str = ""
    batch: str = ""


class _Stopped(Exception):
    """The person stopped it."""


class FilingJob:
    """One filing of one batch, in a thread."""

    def __init__(
        self, bench: Bench, filings: Sequence[Filing], also: bool, incoming: Incoming, batch: str,
        settled: Sequence[int],
    ) -> None:  # fmt: skip
        self._state = FilingState(total=2 * len(filings), batch=batch)
        self._settled = settled
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, args=(bench, filings, also, incoming))
        self._thread.start()

    @property
    def state(self) -> FilingState:
        """Where it stands."""
        return self._state

    def wait(self, seconds: float) -> None:
        """Until it ends, at most so long."""
        self._thread.join(seconds)

    def stop(self) -> None:
        """Ask it to stop; what is half done is taken back."""
        self._stop.set()

    def _follow(self, done: int) -> None:
        if self._stop.is_set():
            raise _Stopped()
        self._state = replace(self._state, done=max(done, self._state.done))

    def _work(
        self, bench: Bench, filings: Sequence[Filing], also: bool, incoming: Incoming
    ) -> None:
        try:
            filed = file_captures(bench, filings, also=also, progress=self._follow)
        except _Stopped:
            said = "Stopped; nothing was filed. The files still wait."
            self._state = replace(self._state, word="stopped", said=said)
            return
        except GlassayError as error:
            self._state = replace(self._state, word="failed", said=str(error))
            return
        except OSError as error:
            why = str(Unusable(f"a file cannot be read or written ({error.strerror})"))
            self._state = replace(self._state, word="failed", said=why)
            return
        new = sum(not one.already for one in filed)
        said = f"{new} {'file is' if new == 1 else 'files are'} filed."
        if new < len(filed):
            said += f" {len(filed) - new} had been filed already."
        try:
            incoming.forget(self._state.batch, self._settled)
        except (OSError, GlassayError) as error:  # they are filed all the same
            why = str(error.strerror if isinstance(error, OSError) else error)
            said += f" They are still shown as waiting: they cannot be removed ({why})."
        self._state = replace(self._state, word="finished", done=self._state.total, said=said)


class Filings:
    """The filings of one workbench."""

    def __init__(self) -> None:
        self._jobs: OrderedDict[str, FilingJob] = OrderedDict()

    def start(
        self, bench: Bench, filings: Sequence[Filing], also: bool, incoming: Incoming, batch: str,
        settled: Sequence[int],
    ) -> str:  # fmt: skip
        """Begin one and give its name; once it is done, the files numbered `settled` wait no more.

        Raises `Unusable` while its batch is being filed.
        """
        for job in self._jobs.values():
            if job.state.batch == batch and job.state.word == "running":
                raise Unusable("these files are being filed already")
        name = secrets.token_hex(8)
        self._jobs[name] = FilingJob(bench, filings, also, incoming, batch, settled)
        while len(self._jobs) > KEPT:
            self._jobs.popitem(last=False)
        return name

    def job(self, name: str) -> FilingJob:
        """One of them. Raises `Unusable`."""
        if name not in self._jobs:
            raise Unusable("there is no such filing (any more)")
        return self._jobs[name]

    def stop(self) -> None:
        """Stop all, as the workbench ends."""
        for job in list(self._jobs.values()):
            job.stop()
