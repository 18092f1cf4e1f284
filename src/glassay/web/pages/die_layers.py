"""Layers of a die laid over each other: registered when the page is first opened, then held."""

from __future__ import annotations

import hashlib
import threading
from dataclasses import dataclass

from fastapi import APIRouter, Request
from fastapi.responses import Response

from glassay.bench.chip.die_layers import laid_layers
from glassay.bench.chip.die_pictures import best_die
from glassay.bench.document.die_notes import notes_file
from glassay.bench.keeping.results import BenchResults
from glassay.errors import NotMeasurable, Unusable
from glassay.report.die_layers import ShownLayers, shown_layers
from glassay.report.pictures import Pixels
from glassay.report.templating import render
from glassay.web.dies import mosaic_stamp
from glassay.web.templating import link, page, workbench_of
from glassay.web.tiles import jpeg

router = APIRouter(prefix="/die", include_in_schema=False)

_registering = threading.Lock()
"""The layers of one die are registered at a time: it takes seconds, and all memory of their photos."""


@dataclass(frozen=True)
class _Laid:
    shown: ShownLayers
    jpegs: tuple[bytes, ...]


@router.get("/layers")
def layers(request: Request, chip: str) -> Response:
    laid = _laid(request, chip)
    bench = workbench_of(request).bench()
    return page(
        request, "die_layers_page.html", title=f"Layers of {bench.object(chip).name or chip}",
        here="/captures", bench_title=bench.title, chip=chip,
        shown=render("die_layers.html", {"layers": laid.shown}),
    )  # fmt: skip


@router.get("/layer")
def layer(request: Request, chip: str, n: int) -> Response:
    """The n-th picture laid on the die."""
    jpegs = _laid(request, chip).jpegs
    if not 0 <= n < len(jpegs):
        raise Unusable("the die has no such layer")
    return Response(jpegs[n], media_type="image/jpeg", headers={"cache-control": "no-store"})


def _laid(request: Request, chip: str) -> _Laid:
    bench = workbench_of(request)
    path = notes_file(bench.bench().folder, chip)
    if path is None:
        raise Unusable(f"no layers are noted of {chip!r}")
    stamp = hashlib.sha256(path.read_bytes()).hexdigest()

    def make(results: BenchResults) -> _Laid | str:
        try:
            chosen = best_die(results, chip)
        except NotMeasurable as error:
            return str(error)
        made: list[bytes] = []

        def source_of(n: int, pixels: Pixels) -> str:
            made.append(jpeg(pixels))
            return link("/die/layer", chip=chip, n=n)

        laid = laid_layers(chosen, path, results)
        shown = shown_layers(
            chosen.picture.photo, chosen.result, chosen.notes, laid, source_of
        )  # fmt: skip
        return _Laid(shown, tuple(made))

    with _registering:
        found = bench.derived(f"layers {chip} {mosaic_stamp(bench.folder, chip)} {stamp}", make)
    if isinstance(found, str):
        raise Unusable(found)
    return found
