"""What is still to be photographed to settle what is open, to be printed and ticked off."""

from __future__ import annotations

from glassay.bench.planning.shots import kinds_used, open_shots
from glassay.report.parts import Report, Section
from glassay.report.templating import Filling


def fill(report: Report) -> Filling | None:
    """Shots by value; None when nothing is open."""
    shots = open_shots(report.results)
    waiting = report.results.not_run
    if not shots and not waiting:
        return None
    bench = report.results.bench
    return {
        "shots": shots, "waiting": waiting, "kinds": kinds_used(shots),
        "names": {one.id: one.title for one in bench.instruments},
        "letters": {one.id: report.letter(one.id) for one in bench.instruments},
    }  # fmt: skip


SECTION = Section("shots", "Still to be photographed", "shots.html", fill, folded=True)
