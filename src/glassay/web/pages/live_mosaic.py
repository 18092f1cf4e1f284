"""The mosaic that grows on the live page: begun, looked at, filed."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response

from glassay.web.live_mosaics import LiveMosaics, Shows
from glassay.web.templating import link, workbench_of

router = APIRouter(prefix="/live/mosaic", include_in_schema=False)


def mosaics_of(request: Request) -> LiveMosaics:
    """The live mosaics of this workbench's bench."""
    found = request.app.state.live_mosaics
    assert isinstance(found, LiveMosaics)
    return found


@router.post("/begin")
async def begin(request: Request, place: str, object: str) -> Response:
    instrument, _, setting = place.partition("|")
    one = await run_in_threadpool(
        mosaics_of(request).begin, workbench_of(request).bench(),
        Shows(instrument, setting, object),
    )  # fmt: skip
    return JSONResponse(one.as_json())


@router.get("")
def state(request: Request, name: str) -> Response:
    return JSONResponse(mosaics_of(request).one(name).as_json())


@router.get("/tile")
def tile(request: Request, name: str, number: int) -> Response:
    data = mosaics_of(request).one(name).thumbnail(number)
    return Response(
        data, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400"}
    )


@router.post("/take-back")
def take_back(request: Request, name: str) -> Response:
    one = mosaics_of(request).one(name)
    number = one.take_back()
    return JSONResponse({**one.as_json(), "removed": number})


@router.post("/file")
async def file(request: Request, name: str) -> Response:
    found = mosaics_of(request)
    one = await run_in_threadpool(found.one, name)
    capture, count = await run_in_threadpool(one.file, workbench_of(request).bench())
    found.forget(name)
    return JSONResponse({"id": capture, "address": link("/capture", id=capture), "views": count})


@router.post("/throw-away")
async def throw_away(request: Request, name: str) -> Response:
    found = mosaics_of(request)
    one = await run_in_threadpool(found.one, name)
    await run_in_threadpool(one.throw_away)
    found.forget(name)
    return JSONResponse({})
