"""Computing on the workers of a Dask cluster that is already running.

Imported only when a cluster is named: the libraries that talk to one take a second to load.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from distributed import Client, Future, KilledWorker, wait

from glassay.errors import Unusable

PATIENCE_S = 10.0
"""How long to wait for a scheduler's answer, and for a result before asking who still works."""

Result = TypeVar("Result")


def compute_on(
    address: str,
    calls: Sequence[Callable[[], Result]],
    finished: Callable[[int, Result | None], None],
) -> None:
    """Give the place of each call and what it returned to `finished`, in this thread, as it ends.

    None stands for a call during which workers ended again and again (the scheduler's
    `allowed-failures`); a call whose worker was lost otherwise is made again by another one.
    Leaving early (an exception in `finished`, KeyboardInterrupt) withdraws what is left.
    Raises `Unusable` when nobody answers at `address` or no workers are left.
    """
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # told in one line instead
    try:
        client = Client(address, timeout=PATIENCE_S)
    except (OSError, ValueError, TypeError) as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise Unusable(f"--cluster {address}: no Dask scheduler answers there ({reason})") from None
    with client:
        waiting: dict[Future[Any], int] = {
            client.submit(call, pure=False, priority=-index): index
            for index, call in enumerate(calls)
        }
        while waiting:
            _insist_on_workers(client, address)
            try:
                ready = wait(list(waiting), PATIENCE_S, return_when="FIRST_COMPLETED").done
            except TimeoutError:
                continue
            for future in ready:
                if future.status in ("lost", "pending"):
                    continue  # its worker ended before it was fetched: it is computed again
                finished(waiting.pop(future), _outcome(future, address))


def _outcome(future: Future[Any], address: str) -> Any:
    if future.status == "finished":
        return future.result(timeout=PATIENCE_S)
    error = future.exception(timeout=PATIENCE_S) if future.status == "error" else None
    if isinstance(error, KilledWorker):
        return None
    if error is not None:
        reason = " ".join(f"{type(error).__name__}: {error}".split())
        raise Unusable(f"--cluster {address}: its workers cannot measure ({reason})")
    raise _gone(address)


def _insist_on_workers(client: Client, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=PATIENCE_S)
    except (TimeoutError, OSError):
        raise _gone(address) from None


def _gone(address: str) -> Unusable:
    return Unusable(f"--cluster {address}: it has no workers (left); what was finished is kept")
