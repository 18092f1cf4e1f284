"""What was found on a die, corrected by hand on the picture; kept in the bench's `dies/`."""

from __future__ import annotations

import json
from typing import Any

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response

from glassay.bench.document.chip_mosaics import IN_TILES, mosaic_name, mosaic_of
from glassay.bench.document.die_notes import KINDS, DieNotes
from glassay.bench.keeping.die_edits import SEVERAL, SINGLE, Change, change_notes
from glassay.die import TURNS, corrected
from glassay.errors import Unusable
from glassay.report.die_sheet import sheet_lines
from glassay.web.dies import (
    ShownDie,
    as_text,
    entry_of_pad,
    place_of,
    shown_die,
    things,
    viewer_data,
)
from glassay.web.pages.die_acts import READ_BY_EYE, Form, changes_of
from glassay.web.templating import back_to, fragment, link, page, workbench_of

router = APIRouter(prefix="/die", include_in_schema=False)

MOST_ENTRIES = 5000
"""Entries that the notes of one chip may hold when changed on the page; all are drawn."""


@router.get("")
def die(request: Request, chip: str, capture: str = "") -> Response:
    bench = workbench_of(request).bench()
    thing = bench.object(chip)
    if thing.kind == IN_TILES and mosaic_of(bench.folder, chip) is None:
        mine = [one for one in bench.captures if one.object == chip]
        return page(
            request, "die_not_yet.html", title=f"Die of {thing.name or chip}", here="/captures",
            bench_title=bench.title, thing=thing, captures=mine, kept_as=mosaic_name(chip),
        )  # fmt: skip
    found = shown_die(request, chip, capture)
    return page(
        request, "die.html", title=f"Die of {found.title}", here="/captures",
        bench_title=bench.title, die=found,
        viewer=json.dumps(viewer_data(found)), table=_table(found), kinds=KINDS,
    )  # fmt: skip


@router.get("/state")
def state(request: Request, chip: str) -> Response:
    """What there is now, as data for the viewer and as the tables below it."""
    return _state(request, chip, [])


@router.post("/act")
async def act(request: Request) -> Response:
    """One thing that a person did: `do` is put, move, set or remove, `kind` of what; `entry` is what
    stood in the notes when it was seen; `points` are px of the photo, or um of the die with `unit`."""
    form = await _form(request)
    return await run_in_threadpool(_act, request, form)


@router.post("/changes")
async def changes(request: Request) -> Response:
    """Changes as `act` told them, made again, or the other way with `turned`."""
    form = await _form(request)
    return await run_in_threadpool(_again, request, form)


async def _form(request: Request) -> Form:
    return {k: v for k, v in (await request.form()).items() if isinstance(v, str)}


def _act(request: Request, form: Form) -> Response:
    chip = form.get("chip", "")
    found = shown_die(request, chip, form.get("capture", ""))
    done = changes_of(found, form)
    _make(request, found, done)
    return _answer(request, chip, done)


def _again(request: Request, form: Form) -> Response:
    chip = form.get("chip", "")
    try:
        told = json.loads(form.get("changes", ""))
        done = [Change(str(one["kind"]), one["before"], one["after"]) for one in told]
    except (ValueError, TypeError, KeyError, RecursionError):
        raise Unusable("this is no change that the workbench told") from None
    if any(not isinstance(one, dict | None) for c in done for one in (c.before, c.after)):
        raise Unusable("this is no change that the workbench told")
    if form.get("turned"):
        done = [change.turned for change in reversed(done)]
    _make(request, shown_die(request, chip), done)
    return _answer(request, chip, done)


def _make(request: Request, found: ShownDie, done: list[Change]) -> None:
    def check(notes: DieNotes) -> None:
        if sum(map(len, (notes.regions, notes.markings, notes.corrections.added))) > MOST_ENTRIES:
            raise Unusable(f"{MOST_ENTRIES} entries of one chip are enough for a page")
        # where the outline changes, places are held against the die when it is measured anew; and what
        # did not fit before may be taken away one by one
        if notes.outline == found.notes.outline and found.measured and not found.trouble:
            corrected(found.measured, notes.corrections)

    change_notes(workbench_of(request).folder, found.chip, done, check)


def _answer(request: Request, chip: str, done: list[Change]) -> Response:
    if "application/json" in request.headers.get("accept", ""):
        return _state(request, chip, done)
    return back_to(request, link("/die", chip=chip) + "#by-hand", "What you noted is kept.")


def _state(request: Request, chip: str, done: list[Change]) -> Response:
    found = shown_die(request, chip)
    return JSONResponse({
        "changes": [{"kind": c.kind, "before": c.before, "after": c.after} for c in done],
        "things": things(found), "table": str(_table(found)),
    })  # fmt: skip


def _table(found: ShownDie) -> Any:
    result, notes = found.result, found.notes
    lines = () if result is None else sheet_lines(result)
    pads = [] if result is None else [
        {"number": pad.number, "side": pad.side, "by_hand": pad.by_hand,
         "numbered_by_hand": pad.numbered_by_hand, "place": place_of(found, pad),
         "entry": as_text(entry_of_pad(found, pad))}
        for pad in result.pads
    ]  # fmt: skip
    entries = {kind: [as_text(one) for one in found.entries.get(kind, [])] for kind in SEVERAL}
    return fragment(
        "die_table.html", die=found, lines=lines, pads=pads, kinds=KINDS,
        corrected=() if result is None else result.by_hand,
        regions=list(zip(notes.regions, entries["region"], strict=True)),
        markings=list(zip(notes.markings, entries["marking"], strict=True)),
        no_pads=list(zip(found.entries.get("no_pad", []), entries["no_pad"], strict=True)),
        layers=list(zip(notes.layers, entries["layer"], strict=True)),
        turns=TURNS, captures=[name for name in found.others if name != found.seen.id],
        single={kind: as_text(found.entries.get(kind)) for kind in SINGLE},
        read={
            kind: found.entries.get(kind) or dict.fromkeys((what, "within"), "")
            for kind, what in READ_BY_EYE.items()
        },
        numbering=found.entries.get("numbering") or {},
        numbered=any(pad["numbered_by_hand"] for pad in pads),
    )  # fmt: skip
