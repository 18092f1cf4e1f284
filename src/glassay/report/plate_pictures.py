"""The plate's piece and its panels as pictures for a page, kept until a photo or its place changes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from glassay.bench.chip.panel import Panel
from glassay.bench.chip.plate import Plate, Region, Search
from glassay.bench.chip.richest_piece import richest
from glassay.bench.chip.same_chip import Points, Route
from glassay.bench.keeping.results import BenchResults
from glassay.report.evidence import kept_drawings
from glassay.report.pictures import jpeg_uri

PLACES = np.stack(np.meshgrid(np.linspace(0, 1, 5), np.linspace(0, 1, 5)), axis=-1).reshape(-1, 2)
"""Shares across and down a piece. Where these lie in a photo says how all of it lies there: maps are
smooth, and have fewer unknowns."""


def kept_search(results: BenchResults) -> Search:
    """The search for the richest piece, which is not done again for the same photos laid the same."""

    def search(
        panels: Sequence[Panel], frame: Route, um_per_px: float, width_um: float | None
    ) -> Region:
        laid = [
            [_content(results, one), one.size, _places(frame(one.route.back(PLACES * one.size)))]
            for one in panels
        ]
        return kept_drawings(results).once(
            ["richest", laid, um_per_px, width_um],
            lambda: richest(panels, frame, um_per_px, width_um),
        )

    return search


def panel_uri(
    results: BenchResults, plate: Plate, panel: Panel, shape: tuple[int, int], most_bytes: int
) -> str:
    """A panel of `shape` (height, width) as a JPEG data URI of at most so many bytes."""
    at = plate.placed(panel, shape)(PLACES * shape[::-1] - 0.5)
    return kept_drawings(results).once(
        ["panel", _content(results, panel), _places(at), shape, plate.kernel, most_bytes],
        lambda: jpeg_uri(plate.pixels(panel, shape), most_bytes),
    )


def _content(results: BenchResults, panel: Panel) -> Any:
    return kept_drawings(results).contents([results.bench.folder / panel.capture.files[0]])


def _places(at: Points) -> list[list[float]]:
    """To a thousandth of a px: less moves nothing that is seen."""
    return np.round(at, 3).tolist()  # type: ignore[no-any-return]
