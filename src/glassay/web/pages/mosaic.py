"""A mosaic of the bench looked at closely: drawn when that is asked for, then read from its pyramid,
and made the picture of its chip."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import Response

from glassay.bench.chip.mosaic_picture import MosaicPicture, kept_at, mosaic_picture_of
from glassay.bench.chip.picture_of_chip import NO_SCALE, InPlace, in_place, use_as_picture
from glassay.bench.document.chip_mosaics import mosaic_name
from glassay.bench.document.model import Bench
from glassay.disk import content_hash
from glassay.errors import Unusable
from glassay.mosaic import NUMBERS, PICTURE, MosaicTiles
from glassay.report import iiif
from glassay.report.mosaic_page import SHOWN_PX, filling_of
from glassay.report.templating import render
from glassay.web.templating import back_to, link, page, workbench_of
from glassay.web.tiles import jpeg

router = APIRouter(prefix="/mosaic", include_in_schema=False)

UNREADABLE = (OSError, KeyError, ValueError, RuntimeError, AttributeError, TypeError)
"""What reading a damaged picture raises."""

KEPT_BY_BROWSERS = {"cache-control": "private, max-age=86400"}
"""An address has the name of what it shows, which never becomes another picture."""


@router.get("")
def mosaic(request: Request, id: str) -> Response:
    bench = workbench_of(request)
    one = bench.capture(id)
    results = bench.results()
    thing = results.bench.object(one.object)
    shown, trouble, ready, place = None, "", False, None
    try:
        picture = _picture(request, id)
        ready = True
        shown = _shown(picture)
        place = None if shown is None else _place(results.bench, thing.id, picture)
    except Unusable as error:
        trouble = str(error)
    state = request.app.state.runs.state
    return page(
        request, "mosaic.html", title=thing.name or "Mosaic", bench_title=results.bench.title,
        here="/captures", one=one, instrument=results.bench.instrument(one.instrument), shown=shown,
        trouble=trouble, ready=ready, state=state, mine=state.mosaic == id, place=place,
        chip=thing.id, kept_as=mosaic_name(thing.id),
    )  # fmt: skip


@dataclass(frozen=True)
class _Place:
    """Whether a drawn mosaic is the picture of its chip: what is there, or why it cannot be."""

    there: InPlace
    is_this: bool = False
    trouble: str = ""


def _place(bench: Bench, chip: str, picture: MosaicPicture) -> _Place:
    try:
        there = in_place(bench, chip)
    except Unusable as error:
        return _Place(InPlace(""), trouble=str(error))
    is_this = there.mark == content_hash(picture.folder / NUMBERS)
    return _Place(there, is_this, NO_SCALE if picture.pixel_size is None else "")


def _picture(request: Request, capture: str) -> MosaicPicture:
    return workbench_of(request).derived(
        f"mosaic {capture}", lambda results: mosaic_picture_of(results, capture)
    )


def _shown(picture: MosaicPicture) -> str | None:
    """The mosaic as its page shows it; None where its picture was not made yet."""
    document = picture.document()
    if document is None:
        return None
    if _open(picture.folder).size != document.size:
        raise Unusable("the picture and its numbers do not belong together; draw it again")
    tiles, whole = f"/mosaic/tiles/{picture.name}", link("/mosaic/whole", name=picture.name)
    # the viewer is why one came here; without script the whole is seen
    return render("mosaic_shown.html", filling_of(document, whole, tiles, open=True))


@router.post("/draw")
def draw(request: Request, id: Annotated[str, Form()]) -> Response:
    """Draw the whole picture in the background."""
    _picture(request, id)  # tells why it cannot be drawn here rather than in the background
    state = request.app.state.runs.start(mosaic=id)
    said = "" if state.mosaic == id else "Something else is being measured; try again after that."
    return back_to(request, link("/mosaic", id=id), said)


@router.post("/use")
def use(
    request: Request, id: Annotated[str, Form()], instead: Annotated[str, Form()] = ""
) -> Response:
    """Make a drawn mosaic the picture of its chip, in the place of the one whose mark is `instead`."""
    bench = workbench_of(request).bench()
    chip = workbench_of(request).capture(id).object
    before = use_as_picture(bench, chip, _picture(request, id), instead)
    said = f"This is the chip's picture now; it is kept in {mosaic_name(chip)}."
    if before:
        said += f" The one before it is kept in {before}."
    return back_to(request, link("/mosaic", id=id), said)


@router.get("/tiles/{name}/{path:path}")
def tile(request: Request, name: str, path: str) -> Response:
    """One tile, at its address of the IIIF Image API."""
    picture = _kept(request, name)
    try:
        level, left, top = iiif.tile_of_address(path, *picture.size)
        part = picture.part(level, left, top, iiif.TILE_PX, iiif.TILE_PX)
    except UNREADABLE:
        raise Unusable("this part of the picture cannot be read; draw it again") from None
    return Response(jpeg(part), media_type="image/jpeg", headers=KEPT_BY_BROWSERS)


@router.get("/whole")
def whole(request: Request, name: str) -> Response:
    """The whole mosaic, small, for the page without script."""
    picture = _kept(request, name)
    try:
        small = picture.small(SHOWN_PX)
    except UNREADABLE:
        raise Unusable("the picture cannot be read; draw it again") from None
    return Response(jpeg(small), media_type="image/jpeg", headers=KEPT_BY_BROWSERS)


def _kept(request: Request, name: str) -> MosaicTiles:
    return _open(kept_at(workbench_of(request).bench(), name))


def _open(folder: Path) -> MosaicTiles:
    try:
        return _opened(folder, (folder / NUMBERS).stat().st_mtime_ns)
    except UNREADABLE:
        raise Unusable("the picture is not there, or cannot be read; draw it again") from None


@lru_cache(maxsize=8)
def _opened(folder: Path, _: int) -> MosaicTiles:
    return MosaicTiles(folder / PICTURE)
