"""`python -m studies faults`: kills, full disks, erring disks, jumping clocks, two programs at once.

Each act that people do with a bench is broken off in every way, many times; see `study`.
"""

from __future__ import annotations

IS_APART = True
"""Not among the studies of accuracy: run when it is named, or with `make faults`."""


def report(quick: bool = False) -> str:
    """The table of what was done and what was found wrong."""
    from studies.faults.study import report as told

    return told(quick)
