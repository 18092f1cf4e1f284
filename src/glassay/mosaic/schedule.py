"""The same work on threads here or on a Dask cluster, in order and a window at a time."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import dask
import dask.threaded
from dask.delayed import delayed

from glassay.errors import Unusable

R = TypeVar("R")

compute: Any = getattr(dask, "compute")  # noqa: B009 - the library states no types for it

on_threads: Any = dask.threaded.get
"""Named by itself: by its name ("threads") Dask looks for a cluster first, which takes 0.3 s."""

WINDOW = 8
"""Tasks handed out at a time for each processor: enough to keep all busy, few enough that results
do not pile up."""


@dataclass
class Workers:
    """Dask's threads on this machine, or the cluster whose scheduler is at `address`."""

    address: str | None = None
    threads: int | None = None

    def __post_init__(self) -> None:
        self._client: Any = None
        self.count = self.threads or len(os.sched_getaffinity(0))
        if self.address is not None:
            import distributed

            connect: Any = distributed.Client

            try:
                self._client = connect(self.address, timeout=10, set_as_default=False)
                self.count = max(1, sum(self._client.nthreads().values()))
            except (OSError, ValueError) as error:
                raise Unusable(
                    f"no Dask scheduler answers at {self.address} ({type(error).__name__})"
                ) from None

    def map(
        self, function: Callable[..., R], tasks: Sequence[tuple[Any, ...]],
        progress: Callable[[int, int], None] | None = None,
    ) -> Iterator[R]:  # fmt: skip
        """`function(*task)` for every task, in the tasks' order."""
        step = WINDOW * self.count
        if self._client is None and self.count == 1:
            for number, task in enumerate(tasks, 1):
                yield function(*task)
                if progress is not None:
                    progress(number, len(tasks))
            return
        for start in range(0, len(tasks), step):
            graph = [delayed(function, pure=False)(*task) for task in tasks[start : start + step]]
            if self._client is not None:
                yield from self._client.gather(self._client.compute(graph, retries=3))
            else:
                yield from compute(*graph, scheduler=on_threads, num_workers=self.count)
            if progress is not None:
                progress(min(start + step, len(tasks)), len(tasks))

    def close(self) -> None:
        """Leave the cluster."""
        if self._client is not None:
            self._client.close()
