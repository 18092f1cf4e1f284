"""The live microscope: watched while it is set up, photographed and recorded into the bench."""

from __future__ import annotations

import asyncio
import math
import re
import time
from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response
from starlette.datastructures import UploadFile

from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.methods import division_u
from glassay.bench.saying.words import say
from glassay.errors import Unusable
from glassay.report.numbers import prose
from glassay.scale import Division
from glassay.web.live_frames import FrameOfJpeg, FrameOfPlanes, LiveFrame, Planes
from glassay.web.pages.live_mosaic import mosaics_of
from glassay.web.recordings import Recordings
from glassay.web.taking import file_taken
from glassay.web.templating import link, page, workbench_of
from glassay.web.watch import Watch

router = APIRouter(prefix="/live", include_in_schema=False)

MOST_VIEWS = 4
"""Live views that are remembered; the one not used for longest goes first."""
MOST_IN_A_SET = 40
"""Most photos of one focus run."""
LONGEST_S = 1e6
"""More than eleven days is no recording."""
LEAST_APART = 0.005
"""Relative difference of two scales that is told of: less is what focusing changes (common practice,
no source)."""


@router.get("")
def live(request: Request) -> Response:
    bench = workbench_of(request).bench()
    recordings_of(request).hand_over_left()
    return page(
        request, "live.html", title="Live", bench_title=bench.title, here="/live", bench=bench,
        waiting=mosaics_of(request).waiting(),
    )  # fmt: skip


@router.post("/frame")
async def frame(
    request: Request, session: str, object: str = "", place: str = "", fresh: int = 0,
    mosaic: str = "", layout: str = "", width: int = 0, height: int = 0, colour: str = "",
) -> Response:  # fmt: skip
    """What a frame tells, with `mosaic` also for the map of that name, which is asked beside it.

    The body is a JPEG; with `layout`, planes of `width` x `height` px (`live_frames.Planes`).
    """
    data, came = await request.body(), time.monotonic()
    if layout:
        planes = Planes(layout, width, height, colour)
        picture: LiveFrame = await run_in_threadpool(FrameOfPlanes, data, planes)
    else:
        picture = await run_in_threadpool(FrameOfJpeg, data)
    told = run_in_threadpool(_watched, request, session, (object, place), bool(fresh), picture)
    if not mosaic:
        return JSONResponse(await told)
    one = await run_in_threadpool(mosaics_of(request).one, mosaic)
    seen, placed = await asyncio.gather(told, run_in_threadpool(one.look, picture, came))
    return JSONResponse({**seen, "mosaic": placed})


def _watched(
    request: Request, session: str, chosen: tuple[str, str], fresh: bool, picture: LiveFrame
) -> dict[str, Any]:
    thing, place = chosen
    watch = _watch(request, session)
    if fresh:
        watch.start_over()
    results = workbench_of(request).results()
    seen = watch.look(picture, _division(results.bench, thing)).as_json()
    seen["warnings"] += _against_known(results, place, seen)
    return seen


def _against_known(results: BenchResults, place: str, seen: Mapping[str, Any]) -> list[str]:
    """A warning where the scale in view is not the one that the chosen setting is known to have."""
    scale = seen["scale"]
    instrument, _, setting = place.partition("|")
    if "pixel_um" not in scale:
        return []
    for one in results.settings_of(instrument):
        picture = (seen["width"], seen["height"])
        if one.setting.id != setting or one.picture != picture or "pixel_size" not in one.findings:
            continue
        known = one.findings["pixel_size"].quantity
        apart = abs(known.value - scale["pixel_um"])
        if apart > max(LEAST_APART * known.value, math.hypot(known.expanded, scale["pixel_U"])):
            words = prose(say(known, " um/px"))
            return [
                f"the scale in view is not this setting's known one ({words}): is it another"
                " zoom or setting?"
            ]
    return []


def _watch(request: Request, session: str) -> Watch:
    if not re.fullmatch(r"[0-9a-f]{8,32}", session):
        raise Unusable("there is no such live view")
    views: dict[str, Watch] = request.app.state.live
    if session not in views:
        views[session] = Watch()
        for old in sorted(views, key=lambda key: views[key].used)[:-MOST_VIEWS]:
            views.pop(old, None)
    return views[session]


def _division(bench: Bench, thing_id: str) -> Division | None:
    for thing in bench.objects:
        if thing.id == thing_id and thing.division_um is not None:
            u, assumed = division_u(thing)
            stated = thing.certificate.division_um if thing.certificate else thing.division_um
            return Division(stated, u, identity=thing.id, assumed=assumed)
    return None


@router.post("/photo")
async def photo(request: Request, place: str, object: str, note: str = "") -> Response:
    """File the pictures of the form's `files` as one capture."""
    async with request.form(max_files=MOST_IN_A_SET, max_fields=2) as form:
        sent = [one for one in form.getlist("files") if isinstance(one, UploadFile)]
        pictures = [await one.read() for one in sent]
    instrument, _, setting = place.partition("|")
    name = await run_in_threadpool(
        file_taken, workbench_of(request).bench(), pictures, (instrument, setting), object,
        note[:500],
    )  # fmt: skip
    return JSONResponse({"id": name, "address": link("/capture", id=name)})


def recordings_of(request: Request) -> Recordings:
    """The recordings of the workbench's bench."""
    found: Recordings = request.app.state.recordings
    return found


@router.post("/recording")
async def recording(request: Request, session: str, piece: int) -> Response:
    """The next piece of a recording; the body is what the browser's recorder gave."""
    data = await request.body()
    kept = await run_in_threadpool(recordings_of(request).append, session, piece, data)
    return JSONResponse({"bytes": kept})


@router.post("/recording/end")
def end_recording(
    request: Request, session: str, place: str, object: str, why: str = "", seconds: float = 0.0
) -> Response:
    """File a recording; `why` it ended is noted with it."""
    if not 0 <= seconds <= LONGEST_S:
        raise Unusable("this is no length of a recording")
    instrument, _, setting = place.partition("|")
    note = f"recorded live for {seconds:.1f} s"
    if why:
        note += "; " + "".join(one for one in why[:200] if one.isprintable())
    name = recordings_of(request).file(
        session, workbench_of(request).bench(), (instrument, setting), object, note
    )
    return JSONResponse({"id": name, "address": link("/capture", id=name), "note": note})
