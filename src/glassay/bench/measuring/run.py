"""Measuring everything new or changed on a bench on Dask's workers, without loss when stopped.

Worker processes only compute; this process saves each result the moment it arrives. A kill loses at
most the captures that were being measured.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing.connection import wait as wait_for
from pathlib import Path
from typing import Any

from glassay.bench.document.model import Bench, Capture
from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import CaptureResult, MethodResult
from glassay.bench.keeping.store import Dependencies, Store
from glassay.bench.measuring.methods import METHODS, Method, medium_of, methods_for
from glassay.bench.measuring.methods.contract import kept_in_mind, photo_facts, photo_of
from glassay.errors import GlassayError, NotMeasurable, Unusable
from glassay.heap import keep_freed_memory, nothing_collected
from glassay.imaging.memory import limit_memory
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


_Keep = Callable[[_Task, MethodResult], None]
"""What is done with a result, in this process, the moment it arrives."""


def default_jobs() -> int:
    """As many processes as there are processors to use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def measure_captures(
    bench: Bench,
    *,
    jobs: int | None = None,
    cluster: str | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
) -> tuple[CaptureResult, ...]:
    """Measure what has no valid result yet, and return the results of all captures.

    `cluster` is the address of a Dask scheduler whose workers measure instead of `jobs` processes
    here; they find the captures under the same paths. `progress` is called in this process: once
    at the start, then after each measurement. Stopping it (KeyboardInterrupt) ends the workers
    and is passed on; finished results are kept. Raises `Unusable` when results cannot be written,
    a capture cannot be read at all, or the cluster cannot be reached.
    """
    store = Store(bench.results_folder)
    store.prepare()
    done, tasks = _kept(bench, store)
    store.remember_contents()
    progress(Progress(0, len(tasks)))
    for task, result in _measured(store, tasks, jobs, cluster, progress):
        done[task.capture.id, task.method] = result
    return _gather(bench, done)


def measure_asked(
    store: Store,
    asked: Sequence[tuple[Capture, tuple[Path, ...], Dependencies]],
    *,
    jobs: int | None = None,
    cluster: str | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
) -> dict[str, MethodResult]:
    """Measure what a caller put together itself (several captures at once), and keep the results.

    Returns them by the key of their dependencies; otherwise like `measure_captures`.
    """
    tasks = [_Task(capture, needs.method, paths, needs) for capture, paths, needs in asked]
    measured = _measured(store, tasks, jobs, cluster, progress)
    return {task.needs.key: result for task, result in measured}


def _measured(
    store: Store,
    tasks: Sequence[_Task],
    jobs: int | None,
    cluster: str | None,
    progress: Callable[[Progress], None],
) -> list[tuple[_Task, MethodResult]]:
    """Each task with its result, in the order in which they were measured and saved."""
    done: list[tuple[_Task, MethodResult]] = []

    def keep(task: _Task, result: MethodResult) -> None:
        if result.status != "unusable":  # a file may have been unreadable for the moment only
            result = store.save(task.needs, result)
        done.append((task, result))
        progress(Progress(len(done), len(tasks), task.capture.id, result.status))

    _each(tasks, keep, jobs or default_jobs(), cluster)
    return done


def stored_captures(bench: Bench) -> tuple[CaptureResult, ...]:
    """The results that are there already, measuring nothing; the others are "not run"."""
    done, _ = _kept(bench, Store(bench.results_folder))
    return _gather(bench, done)


Done = dict[tuple[str, str], MethodResult]
"""Results by the id of their capture and the name of their method."""


def _kept(bench: Bench, store: Store) -> tuple[Done, list[_Task]]:
    """The results that are there, and what has none yet."""
    done: Done = {}
    tasks: list[_Task] = []
    with nothing_collected():
        for task in _tasks(bench, store):
            kept = store.load(task.needs)
            if kept is None:
                tasks.append(task)
            else:
                done[task.capture.id, task.method] = kept
    return done, tasks


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
                method.version,
                to_plain(method.settings(bench, capture)),
            )
            yield _Task(capture, method.name, paths, needs)


def _methods(bench: Bench, capture: Capture) -> tuple[Method, ...]:
    kind = bench.object(capture.object).kind
    return tuple(
        one for one in methods_for(kind, medium_of(capture.files)) if one.wanted(bench, capture)
    )


def _gather(bench: Bench, done: Done) -> tuple[CaptureResult, ...]:
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


def _each(tasks: Sequence[_Task], keep: _Keep, jobs: int, cluster: str | None) -> None:
    """Give each task with its result to `keep`, as its capture is finished; the slow ones first."""
    captures: dict[tuple[Path, ...], list[_Task]] = {}
    for task in tasks:
        captures.setdefault(task.paths, []).append(task)
    groups = sorted(
        captures.values(), key=lambda group: not any(METHODS[one.method].slow for one in group)
    )

    def keep_all(group: Sequence[_Task], results: Sequence[MethodResult]) -> None:
        for task, result in zip(group, results, strict=True):
            keep(task, result)

    if cluster is not None and tasks:
        from glassay.bench.measuring.cluster import compute_on

        compute_on(
            cluster, [_call(group) for group in groups],
            lambda index, results: keep_all(groups[index], results or _died(groups[index])),
        )  # fmt: skip
    elif len(groups) <= 1 or jobs <= 1:
        for group in groups:
            with kept_in_mind():
                for task in group:
                    keep(task, _measure(task.method, task.paths, task.needs.settings))
    else:
        for undone in _in_processes(groups, keep_all, min(jobs, len(groups))):
            # A worker died; alone in a process, the culprit can be told.
            for task in undone:
                if _in_processes([[task]], keep_all, 1):
                    keep(task, _died([task])[0])


_KeepAll = Callable[[Sequence[_Task], Sequence[MethodResult]], None]


def _call(group: Sequence[_Task]) -> Callable[[], list[MethodResult]]:
    asked = [(one.method, one.needs.settings) for one in group]
    return partial(_measure_all, _measure, group[0].paths, asked)


def _measure_all(
    measure: Callable[[str, Sequence[Path], Any], MethodResult],
    paths: Sequence[Path],
    asked: Sequence[tuple[str, Any]],
) -> list[MethodResult]:
    """One capture by several methods, in the process that decodes its photos."""
    with kept_in_mind():
        return [measure(method, paths, settings) for method, settings in asked]


def _died(group: Sequence[_Task]) -> list[MethodResult]:
    reason = "the measuring process ended by itself (not enough memory?)"
    return [MethodResult(one.method, "unusable", reason=reason) for one in group]


def _in_processes(
    groups: Sequence[Sequence[_Task]], keep: _KeepAll, jobs: int
) -> list[Sequence[_Task]]:
    """Measure on Dask's local scheduler; returns what a worker that died left undone.

    Not on its LocalCluster, which starts 2.5 s later and listens on a port without a password.
    """
    from dask.callbacks import Callback
    from dask.local import get_async

    # Dask begins with the last name; a call without arguments is nothing it could take for a name.
    left = {f"{len(groups) - index:06}": group for index, group in enumerate(groups)}
    graph = {name: (_call(group),) for name, group in left.items()}

    def finished(name: str, results: list[MethodResult], *_: object) -> None:
        keep(left.pop(name), results)

    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=_start_worker)
    try:
        with suppress(BrokenProcessPool), _one_thread_each(), Callback(posttask=finished):
            get_async(pool.submit, jobs, graph, list(graph), dumps=pickle.dumps, loads=pickle.loads)
    finally:
        # On a stop, running measurements are not worth waiting for; their results are not saved.
        workers = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        if left:
            for worker in workers:
                worker.terminate()
    return list(left.values())


ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
"""What a worker's linear algebra is told before it is loaded: every processor has a worker already, and
threads that wait for each other double the time of small problems."""


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Worker processes that begin in here keep to one thread, unless the user has said otherwise."""
    added = {name: value for name, value in ONE_THREAD.items() if name not in os.environ}
    os.environ.update(added)
    try:
        yield
    finally:
        for name in added:
            os.environ.pop(name, None)


def _start_worker() -> None:
    """Leave Ctrl-C to the parent, end when the parent is gone, and keep to one processor."""
    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
    keep_freed_memory()
    limit_memory()
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
        return MethodResult(method_name, "refused", reason=str(error), facts=_facts(paths))
    except Unusable as error:
        return MethodResult(method_name, "unusable", reason=str(error))
    except Exception as error:  # a fault in a method must not cost the other captures' results
        reason = f"the method failed unexpectedly ({type(error).__name__}: {error})"
        return MethodResult(method_name, "unusable", reason=" ".join(reason.split()))
    return MethodResult(
        method_name, "measured", dict(outcome.findings), tuple(outcome.notes),
        evidence=to_plain(outcome.evidence) or {}, facts=to_plain(outcome.facts),
    )  # fmt: skip


def _facts(paths: Sequence[Path]) -> dict[str, Any]:
    """What the photo of a refused capture states, its size above all; empty for clips.

    Of several files that is the last: a method that takes another instrument's photo for comparison
    is given that one first. All frames of one capture are of one size.
    """
    if medium_of(paths) == "clip":
        return {}
    try:
        return to_plain(photo_facts(photo_of(paths[-1]))) or {}
    except GlassayError:
        return {}


def forget_capture(bench: Bench, capture_id: str) -> None:
    """Drop what was measured in one capture, so that the next run measures it again."""
    store = Store(bench.results_folder)
    for task in _tasks(bench, store):
        if task.capture.id == capture_id:
            store.drop(task.needs)
