"""The tiles of a plan as a map to print: numbers in the order to be taken, with their positions."""

from __future__ import annotations

from glassay.bench.keeping.results import BenchResults
from glassay.bench.planning.plan import Job, Plan, Tiling
from glassay.bench.saying.words import say_length
from glassay.quantity import Quantity
from glassay.report.csv_text import csv_text
from glassay.report.templating import render

MOST_NUMBERED = 600
"""Tiles that are numbered in the drawing and listed below it; beyond, numbers are too small to read
and the positions are better taken from the CSV file."""


def as_page(results: BenchResults, job: Job, plan: Plan) -> str:
    """The map as a page of its own."""
    tiling = plan.tiling
    tiles = list(tiling.tiles()) if tiling.count <= MOST_NUMBERED else []
    instrument = results.bench.instrument(plan.instrument)
    width, height = extent(tiling)
    return str(
        render("tile_map.html", {
            "title": results.bench.title, "plan": plan, "job": job, "tiling": tiling,
            "tiles": tiles, "columns": range(tiling.columns), "rows": range(tiling.rows),
            "instrument": instrument.title,
            "setting": instrument.setting(plan.setting).title,
            "die": [_words(side) for side in tiling.die_um],
            "field": [_words(side) for side in tiling.field_um],
            "step": _words(plan.step_um) if plan.step_um else "",
            "time": say_time(plan.time_s), "storage": say_bytes(plan.bytes),
            "left": min(0.0, (tiling.die_um[0] - width) / 2),
            "top": min(0.0, (tiling.die_um[1] - height) / 2),
            "width": width, "height": height,
            "letter": min(tiling.field_um) * 0.3,
        })
    )  # fmt: skip


def extent(tiling: Tiling) -> tuple[float, float]:
    """Width and height of all fields together, um; at least the die."""
    return max(tiling.die_um[0], tiling.field_um[0]), max(tiling.die_um[1], tiling.field_um[1])


def as_csv(plan: Plan) -> str:
    """Every position: number, column, row, and the middle of the field in um."""
    rows: list[list[object]] = [["number", "column", "row", "x (um)", "y (um)"]]
    for tile in plan.tiling.tiles():
        x, y = f"{tile.x_um:z.2f}", f"{tile.y_um:z.2f}"
        rows.append([tile.number, tile.column + 1, tile.row + 1, x, y])
    return csv_text(rows)


def _words(length_um: float) -> str:
    return say_length(Quantity(length_um, "um"))


def say_time(seconds: float) -> str:
    """ "3 h 20 min", "12 min", "40 s"."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    hours, rest = divmod(round(seconds / 60), 60)
    return f"{hours} h {rest} min" if hours else f"{rest} min"


def say_bytes(size: float) -> str:
    """ "1.2 GB", "340 MB"."""
    for limit, unit in ((1e12, "TB"), (1e9, "GB"), (1e6, "MB")):
        if size >= limit:
            return f"{size / limit:.3g} {unit}"
    return f"{size / 1e3:.3g} kB"
