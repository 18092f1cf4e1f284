"""Two to six captures side by side at one physical scale, and the plate made from them."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from glassay.bench.chip.same_chip import SameChip
from glassay.bench.document.model import Capture
from glassay.bench.keeping.marks import pixel_size_for
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.matching import kept_matches
from glassay.bench.saying.words import say
from glassay.errors import NotMeasurable, Unusable
from glassay.quantity import Quantity
from glassay.web import limits
from glassay.web.contents import is_clip, media_type
from glassay.web.plate import Panel, draw_plate
from glassay.web.templating import page, workbench_of
from glassay.web.tiles import stamp

router = APIRouter(include_in_schema=False)

FEWEST, MOST = 2, 6

TURN_STEP_PX = 10.0
"""Step, px of the reference photo, by which the turn of another is told; mappings are smooth."""

MOST_PX = 1e7
"""Places farther from a photo's corner than this (px) are none in it."""

Ids = Annotated[list[str], Query()]


@router.get("/side-by-side")
def side_by_side(request: Request, id: Ids = []) -> Response:  # noqa: B006 (FastAPI copies it)
    results = workbench_of(request).results()
    if not FEWEST <= len(set(id)) <= MOST:
        return page(
            request, "pick.html", title="Side by side", bench_title=results.bench.title,
            here="/side-by-side", objects=_choices(results), chosen=id, fewest=FEWEST, most=MOST,
            trouble=f"Please choose {FEWEST} to {MOST}." if id else "",
        )  # fmt: skip
    panes = [_pane(request, results, capture_id) for capture_id in dict.fromkeys(id)]
    narrowest = min(pane["width"] * pane["pixel_um"] for pane in panes)
    matches = workbench_of(request).derived("matches", kept_matches)
    lined_up = line_up(panes, matches)
    return page(
        request, "side_by_side.html", title="Side by side", bench_title=results.bench.title,
        here="/side-by-side", panes=panes, data=json.dumps(panes), width_um=narrowest, ids=id,
        lined_up=lined_up,
    )  # fmt: skip


def line_up(panes: list[dict[str, Any]], chips: Sequence[SameChip]) -> bool:
    """Turn the panes and set their centres so that all show one place of the chip.

    That place is the middle of the photo with the narrowest field. False, with the panes as they
    were, where the photos are not matched with one another.
    """
    ids = [pane["id"] for pane in panes]
    chip = next((one for one in chips if all(id in one.routes for id in ids)), None)
    if chip is None:
        return False
    narrowest = min(panes, key=lambda pane: float(pane["width"] * pane["pixel_um"]))
    middle = [(narrowest["width"] - 1) / 2, (narrowest["height"] - 1) / 2]
    place = chip.routes[narrowest["id"]].back([middle])
    for pane in panes:
        route = chip.routes[pane["id"]]
        here, beside = route(place)[0], route(place + np.array([TURN_STEP_PX, 0.0]))[0]
        pane["centre"] = [float(here[0]), float(here[1])]
        along = beside - here
        pane["turn"] = math.degrees(math.atan2(float(along[1]), float(along[0])))
    return True


def _choices(results: BenchResults) -> list[tuple[str, list[tuple[Capture, str]]]]:
    """Captures with a known scale by the object they show; chips first."""
    scaled = {
        (one.instrument.id, one.setting.id) for one in results.settings
        if "pixel_size" in one.findings
    }  # fmt: skip
    groups = []
    for thing in sorted(results.bench.objects, key=lambda thing: thing.kind != "chip"):
        found = []
        for one in results.captures:
            place = (one.capture.instrument, one.capture.setting)
            known = place in scaled or "pixel_size" in one.findings
            if one.capture.object == thing.id and known:
                found.append((one.capture, results.bench.instrument(place[0]).title))
        if found:
            groups.append((thing.name or thing.id, found))
    return groups


def _scaled(
    request: Request, results: BenchResults, capture_id: str
) -> tuple[Capture, Quantity, tuple[int, int]]:
    """A capture, its pixel size and its size in px. Raises `Unusable` where no scale is known."""
    bench = workbench_of(request)
    capture = bench.capture(capture_id)
    path = bench.files_of(capture)[0]
    if is_clip(media_type(path)):
        raise Unusable(f"{capture_id} is a clip; only photos are laid side by side")
    facts = results.capture(capture.id).facts
    size = (
        (int(facts["width"]), int(facts["height"]))
        if "width" in facts and "height" in facts
        else request.app.state.tiles.pyramid(path).size
    )
    try:
        return capture, pixel_size_for(results, capture, size)[0], size
    except NotMeasurable as error:
        raise Unusable(f"{capture_id}: {error}") from None


def _pane(request: Request, results: BenchResults, capture_id: str) -> dict[str, Any]:
    capture, pixel, (width, height) = _scaled(request, results, capture_id)
    return {
        "id": capture.id, "width": width, "height": height, "tile": limits.TILE_PX,
        "stamp": stamp(workbench_of(request).files_of(capture)[0]), "pixel_um": pixel.value,
        "heading": _heading(results, capture), "centre": [(width - 1) / 2, (height - 1) / 2],
        "turn": 0.0,
    }  # fmt: skip


def _heading(results: BenchResults, capture: Capture) -> str:
    instrument = results.bench.instrument(capture.instrument)
    if len(instrument.settings) == 1:
        return instrument.title
    return f"{instrument.title}, {instrument.setting(capture.setting).title}"


@router.get("/side-by-side/plate.png")
def plate(
    request: Request, id: Ids, width_um: float, at: Annotated[list[str] | None, Query()] = None,
    turn: Annotated[list[float] | None, Query()] = None,
) -> Response:  # fmt: skip
    """The plate as a picture. `at` holds the centre "x,y" of each photo, in px, and `turn` by how
    many degrees each is turned clockwise, which is taken back."""
    results = workbench_of(request).results()
    if not 1 <= len(id) <= MOST or not 0.01 <= width_um <= 1e7:
        raise Unusable("a plate holds up to six photos, each a piece between 10 nm and 10 m wide")
    panels = []
    for number, capture_id in enumerate(id):
        capture, pixel, size = _scaled(request, results, capture_id)
        path = workbench_of(request).files_of(capture)[0]
        photo = request.app.state.tiles.pyramid(path).levels[-1]
        centre = _point(at[number]) if at and number < len(at) else (size[0] / 2, size[1] / 2)
        below = f"{capture.files[0].split('/')[-1]}, {say(pixel)} um/px"
        turned = (
            turn[number] if turn and number < len(turn) and math.isfinite(turn[number]) else 0.0
        )
        panels.append(Panel(photo, pixel.value, centre, _heading(results, capture), below, turned))
    data = draw_plate(panels, width_um, results.bench.title)
    return Response(
        data,
        media_type="image/png",
        headers={"content-disposition": 'inline; filename="plate.png"'},
    )


def _point(text: str) -> tuple[float, float]:
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        raise Unusable(f"{text!r} is no place, like 120,80") from None
    if not (abs(x) < MOST_PX and abs(y) < MOST_PX):  # false for NaN as well
        raise Unusable(f"{text!r} is no place, like 120,80")
    return x, y
