"""Measuring everything new or changed on a bench, in several processes, without loss when stopped.

Worker processes only compute; this process saves each result the moment it arrives. A kill loses at
most the captures that were being measured.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from multiprocessing.connection import wait as wait_for
from pathlib import Path
from typing import Any

from glassay.bench.document.model import Bench, Capture
from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import CaptureResult, MethodResult
from glassay.bench.keeping.store import Dependencies, Store
from glassay.bench.measuring.methods import METHODS, Method, medium_of, methods_for
from glassay.errors import NotMeasurable, Unusable
from glassay.quantity import Quantity


@dataclass(frozen=True)
class Progress:
    """How far a run has come: `done` of `total` measurements; the last one and how it ended."""

    done: int
    total: int
    capture: str = ""
    status: str = ""


@dataclass(frozen=True)
class _Task:
    capture: Capture
    method: str
    paths: tuple[Path, ...]
    needs: Dependencies


def default_jobs() -> int:
    """As many processes as there are processors to use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def measure_captures(
    bench: Bench,
    *,
    jobs: int | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
) -> tuple[CaptureResult, ...]:
    """Measure what has no valid result yet, and return the results of all captures.

    `progress` is called in this process: once at the start, then after each measurement. Stopping
    it (KeyboardInterrupt) ends the workers and is passed on; finished results are kept. Raises
    `Unusable` when results cannot be written or a capture cannot be read at all.
    """
    store = Store(bench.results_folder)
    store.prepare()
    done: dict[tuple[str, str], MethodResult] = {}
    tasks: list[_Task] = []
    for task in _tasks(bench, store):
        kept = store.load(task.needs)
        if kept is None:
            tasks.append(task)
        else:
            done[task.capture.id, task.method] = kept
    store.remember_contents()
    progress(Progress(0, len(tasks)))
    for count, (task, result) in enumerate(_results(tasks, jobs or default_jobs()), 1):
        if result.status != "unusable":  # a file may have been unreadable for the moment only
            result = store.save(task.needs, result)
        done[task.capture.id, task.method] = result
        progress(Progress(count, len(tasks), task.capture.id, result.status))
    return _gather(bench, done)


def measure_asked(
    store: Store,
    asked: Sequence[tuple[Capture, tuple[Path, ...], Dependencies]],
    *,
    jobs: int | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
) -> dict[str, MethodResult]:
    """Measure what a caller put together itself (several captures at once), and keep the results.

    Returns them by the key of their dependencies; otherwise like `measure_captures`.
    """
    tasks = [_Task(capture, needs.method, paths, needs) for capture, paths, needs in asked]
    done: dict[str, MethodResult] = {}
    for count, (task, result) in enumerate(_results(tasks, jobs or default_jobs()), 1):
        if result.status != "unusable":
            result = store.save(task.needs, result)
        done[task.needs.key] = result
        progress(Progress(count, len(tasks), task.capture.id, result.status))
    return done


def stored_captures(bench: Bench) -> tuple[CaptureResult, ...]:
    """The results that are there already, measuring nothing; the others are "not run"."""
    store = Store(bench.results_folder)
    done = {
        (task.capture.id, task.method): kept
        for task in _tasks(bench, store)
        if (kept := store.load(task.needs)) is not None
    }
    return _gather(bench, done)


def kept_keys(bench: Bench) -> frozenset[str]:
    """Names of the results that count now; others on disk belong to earlier states of the bench."""
    store = Store(bench.results_folder)
    return frozenset(task.needs.key for task in _tasks(bench, store))


def _tasks(bench: Bench, store: Store) -> Iterator[_Task]:
    for capture in bench.captures:
        for method in _methods(bench, capture):
            paths = bench.paths(capture)
            needs = Dependencies(
                store.contents(paths),
                method.name,
                method.version(),
                to_plain(method.settings(bench, capture)),
            )
            yield _Task(capture, method.name, paths, needs)


def _methods(bench: Bench, capture: Capture) -> tuple[Method, ...]:
    kind = bench.object(capture.object).kind
    return tuple(
        one for one in methods_for(kind, medium_of(capture.files)) if one.wanted(bench, capture)
    )


def _gather(bench: Bench, done: dict[tuple[str, str], MethodResult]) -> tuple[CaptureResult, ...]:
    results = []
    for capture in bench.captures:
        kind = bench.object(capture.object).kind
        parts = [
            _as_made(
                done.get((capture.id, method.name))
                or MethodResult(method.name, "not run", reason="not measured yet; run the bench"),
                aside=kind not in method.kinds,
            )
            for method in _methods(bench, capture)
        ]
        if not parts:
            clip = medium_of(capture.files) == "clip"
            reason = f"nothing is measured on {'a clip of ' if clip else ''}a {kind} yet"
            parts = [MethodResult("", "no method", reason=reason)]
        results.append(CaptureResult(capture, tuple(_of_the_setting(p, capture) for p in parts)))
    return tuple(results)


def _of_the_setting(part: MethodResult, capture: Capture) -> MethodResult:
    """The result with what its setting's lens adds named after the setting: photos share it."""
    owner = f"setting {capture.instrument}/{capture.setting}"
    findings = {
        key: replace(f, value=f.value.named(owner, "setting"))
        if isinstance(f.value, Quantity) else f
        for key, f in part.findings.items()
    }  # fmt: skip
    return replace(part, findings=findings)


def _as_made(part: MethodResult, *, aside: bool) -> MethodResult:
    """A result as its place on this capture makes it count."""
    if aside and part.status == "refused":
        return replace(part, aside=True, status="nothing found")
    return replace(part, aside=aside)


def _results(tasks: Sequence[_Task], jobs: int) -> Iterator[tuple[_Task, MethodResult]]:
    """Each task with its result, as it finishes."""
    if len(tasks) <= 1 or jobs <= 1:
        for task in tasks:
            yield task, _measure(task.method, task.paths, task.needs.settings)
        return
    lost: list[_Task] = []
    for task, result in _in_pool(tasks, min(jobs, len(tasks))):
        if result is None:
            lost.append(task)
        else:
            yield task, result
    for task in lost:  # a worker died; alone in a process, the culprit can be told
        for _, result in _in_pool([task], 1):
            if result is not None:
                yield task, result
            else:
                reason = "the measuring process ended by itself (not enough memory?)"
                yield task, MethodResult(task.method, "unusable", reason=reason)


def _in_pool(tasks: Sequence[_Task], jobs: int) -> Iterator[tuple[_Task, MethodResult | None]]:
    """Each task with its result as it finishes; None for all that a broken pool left undone."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=_start_worker)
    waiting: dict[Future[MethodResult], _Task] = {}
    try:
        for task in sorted(tasks, key=lambda task: not METHODS[task.method].slow):
            future = pool.submit(_measure, task.method, task.paths, task.needs.settings)
            waiting[future] = task
        while waiting:
            finished, _ = wait(waiting, return_when=FIRST_COMPLETED)
            for future in finished:
                task = waiting.pop(future)
                try:
                    yield task, future.result()
                except BrokenProcessPool:
                    yield task, None
    finally:
        # On a stop, running measurements are not worth waiting for; their results are not saved.
        workers = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        if waiting:
            for worker in workers:
                worker.terminate()


def _start_worker() -> None:
    """Leave Ctrl-C to the parent, end when the parent is gone, and keep to one processor."""
    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
    parent = multiprocessing.parent_process()

    def follow_parent() -> None:
        if parent is not None:
            wait_for([parent.sentinel])
            os._exit(1)

    threading.Thread(target=follow_parent, daemon=True).start()


def _measure(method_name: str, paths: Sequence[Path], settings: Any) -> MethodResult:
    method: Method = METHODS[method_name]
    try:
        outcome = method.measure(paths, settings)
    except NotMeasurable as error:
        return MethodResult(method_name, "refused", reason=str(error))
    except Unusable as error:
        return MethodResult(method_name, "unusable", reason=str(error))
    except Exception as error:  # a fault in a method must not cost the other captures' results
        reason = f"the method failed unexpectedly ({type(error).__name__}: {error})"
        return MethodResult(method_name, "unusable", reason=" ".join(reason.split()))
    return MethodResult(
        method_name, "measured", dict(outcome.findings), tuple(outcome.notes),
        evidence=to_plain(outcome.evidence) or {}, facts=to_plain(outcome.facts),
    )  # fmt: skip


def forget_capture(bench: Bench, capture_id: str) -> None:
    """Drop what was measured in one capture, so that the next run measures it again."""
    store = Store(bench.results_folder)
    for task in _tasks(bench, store):
        if task.capture.id == capture_id:
            store.drop(task.needs)
