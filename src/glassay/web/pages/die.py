"""What was found on a die, corrected by hand on the picture; kept in the bench's `dies/`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response

from glassay.bench.document.die_notes import KINDS, DieNotes
from glassay.bench.document.read_die_notes import AT_95
from glassay.bench.keeping.die_edits import SEVERAL, SINGLE, Change, change_notes
from glassay.bench.keeping.marks import LEAST_POINTING_PX
from glassay.die import Pad, checked_number, corrected
from glassay.die.numbers import holds
from glassay.die.pointed import in_order
from glassay.errors import Unusable
from glassay.report.die_sheet import sheet_lines
from glassay.web import limits
from glassay.web.dies import (
    PLACES,
    ShownDie,
    as_text,
    entry_of_pad,
    place_of,
    shown_die,
    things,
    viewer_data,
)
from glassay.web.pages.marks import read_points
from glassay.web.templating import back_to, fragment, link, page, workbench_of

router = APIRouter(prefix="/die", include_in_schema=False)

MOST_ENTRIES = 5000
"""Entries that the notes of one chip may hold when changed on the page; all are drawn."""

Form = Mapping[str, str]


@router.get("")
def die(request: Request, chip: str, capture: str = "") -> Response:
    found = shown_die(request, chip, capture)
    return page(
        request, "die.html", title=f"Die of {found.title}", here="/captures",
        bench_title=workbench_of(request).bench().title, die=found,
        viewer=json.dumps(viewer_data(request, found)), table=_table(found), kinds=KINDS,
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
    done = _changes(found, form)
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
        captures=[name for name in found.others if name != found.capture.id],
        single={kind: as_text(found.entries.get(kind)) for kind in SINGLE},
        line=found.entries.get("finest_line") or {"width": "", "within": ""},
        numbering=found.entries.get("numbering") or {},
        numbered=any(pad["numbered_by_hand"] for pad in pads),
    )  # fmt: skip


# ---- what a person did, as changes to the notes ---------------------------------------------------


def _changes(found: ShownDie, form: Form) -> list[Change]:
    kind, do = form.get("kind", ""), form.get("do", "")
    before = _entry(form)
    if kind not in (*SEVERAL, *SINGLE):
        raise Unusable(f"{kind[:40]!r} is nothing that is noted of a chip")
    if do == "remove":
        if kind == "pad" and before is None:
            return [Change("no_pad", None, {"place": _place(form)})]
        if before is None:
            raise Unusable("nothing of this is by hand, so there is nothing to take out")
        if kind == "numbering":
            return _as_found(found, before)
        return [Change(kind, before, None)]
    if do == "set":
        return _set(found, kind, before, form)
    if do == "number" and kind == "pad":
        return _numbered(found, before, form)
    if do == "keep" and kind == "numbering":
        return _all_kept(found, before)
    if do not in ("put", "move"):
        raise Unusable(f"{do[:40]!r} is nothing that is done to what is noted")
    if kind in ("numbering", "finest_line", "layer"):
        raise Unusable(f"the {kind.replace('_', ' ')} is not pointed at")
    points = np.array(read_points(form.get("points", ""), least=1))
    if kind == "outline":
        return [Change("outline", found.entries.get("outline"), _outline(found, points, form))]
    places = points if form.get("unit") == "um" else found.on_die(points)
    if do == "move" and kind == "pad":
        return _moved_pad(found, before, places, form)
    if kind == "region":
        return [Change(kind, before, _region(places, form, before))]
    after = {**(before or {}), **_put(kind, places, form, before)}
    if kind == "pad" and before is None:
        after |= _its_number(found, after)
    return [Change(kind, before, after)]


def _entry(form: Form) -> dict[str, Any] | None:
    text = form.get("entry", "")
    if not text:
        return None
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        told = None
    if not isinstance(told, dict):
        raise Unusable("this form is not one of the workbench's; please open the page anew")
    return told


def _outline(found: ShownDie, points: Any, form: Form) -> dict[str, Any]:
    corners = in_order(points)
    pointing = max(float(_number(form, "pointing", "1.5")), LEAST_POINTING_PX)
    return {"corners": np.round(corners, PLACES).tolist(), "within": round(AT_95 * pointing, 3),
            "capture": found.capture.id}  # fmt: skip


def _put(kind: str, places: Any, form: Form, before: dict[str, Any] | None) -> dict[str, Any]:
    """What a marking or a pad holds that was pointed at (um)."""
    if kind == "marking":
        text = (before or {}).get("text") or form.get("text", "").strip()[:500]
        if not text:
            raise Unusable(
                "a marking needs its text: ? after a doubtful character, ?? for one unread"
            )
        return {"text": text, "place": _rounded(places[0])}
    if kind == "no_pad":
        return {"place": _rounded(places[0])}
    if kind != "pad" or len(places) != 2:
        raise Unusable("a pad takes two opposite corners")
    size = np.abs(places[1] - places[0])
    return {"place": _rounded(places.mean(axis=0)), "size": _rounded(size)}


def _region(places: Any, form: Form, before: dict[str, Any] | None) -> dict[str, Any]:
    if not 3 <= len(places) <= limits.MAX_POINTS:
        raise Unusable(f"a region takes 3 to {limits.MAX_POINTS} corners")
    kept = {key: value for key, value in (before or {}).items() if key != "box"}
    if before is None:
        kept = {"kind": form.get("is", "unknown"), "name": form.get("text", "").strip()[:500]}
    return {**kept, "polygon": [_rounded(place) for place in places]}


def _moved_pad(
    found: ShownDie, before: dict[str, Any] | None, places: Any, form: Form
) -> list[Change]:
    if before is not None:
        return [Change("pad", before, {**before, "place": _rounded(places[0])})]
    # one that was found: it is none where it was found, and one of its size is where it was put
    place = _place(form)
    result = found.result
    assert result is not None, "places are on a die"
    pad = _pad_at(found, place)
    size = [round(side * result.per_px, PLACES) for side in (pad.width, pad.height)]
    put = {"place": _rounded(places[0]), "size": size, "number": pad.number}
    return [
        *_without_number(found, pad),
        Change("no_pad", None, {"place": place}),
        Change("pad", None, put),
    ]


# ---- numbers of pads -------------------------------------------------------------------------------

Numbers = list[list[Any]]


def _pads(found: ShownDie) -> tuple[Pad, ...]:
    return () if found.result is None else found.result.pads


def _pad_at(found: ShownDie, place: list[float]) -> Pad:
    mine = [pad for pad in _pads(found) if place_of(found, pad) == place]
    if not mine:
        raise Unusable("this pad was changed by someone else meanwhile; nothing was changed here")
    return mine[0]


def _its_number(found: ShownDie, entry: dict[str, Any]) -> dict[str, str]:
    """The number of a pad that is put in now: noted with it, so that it never moves."""
    if found.measured is None or found.trouble:
        return {}
    noted = found.notes.corrections
    x, y = entry["place"]
    whole = replace(noted, added=(*noted.added, (x, y, *entry["size"])))
    pads = corrected(found.measured, whole).pads
    return {"number": next(p.number for p in pads if p.by_hand and place_of(found, p) == [x, y])}


def _numbered(found: ShownDie, before: dict[str, Any] | None, form: Form) -> list[Change]:
    """One pad with its own number, or without it where the field was left empty."""
    number = form.get("number", "").strip()
    pad = _pad_at(found, _place(form) if before is None else _rounded(before["place"][:2]))
    if number == pad.number and pad.numbered_by_hand:
        return []
    if number:
        checked_number(number)
        if any(p is not pad and p.number.casefold() == number.casefold() for p in _pads(found)):
            raise Unusable(f"another pad has the number {number}: give that one another first")
    if before is not None:
        bare = {key: value for key, value in before.items() if key != "number"}
        return [Change("pad", before, {**bare, "number": number} if number else bare)]
    mine = _without_number(found, pad)
    if not number:
        return mine
    kept = found.entries.get("numbering")
    after = dict((mine[0].after if mine else kept) or {})
    after["numbers"] = [*after.get("numbers", []), [*place_of(found, pad), number]]
    return [Change("numbering", kept, after)]


def _without_number(found: ShownDie, pad: Pad) -> list[Change]:
    """What takes the number away that a pad that was found was given."""
    kept = found.entries.get("numbering") or {}
    per = 1.0 if found.result is None else found.result.per_px
    numbers: Numbers = kept.get("numbers", [])
    left = [one for one in numbers if not holds(pad, (one[0] / per, one[1] / per))]
    if left == numbers:
        return []
    after = {**{key: value for key, value in kept.items() if key != "numbers"},
             **({"numbers": left} if left else {})}  # fmt: skip
    return [Change("numbering", kept, after or None)]


def _all_numbered(
    found: ShownDie, before: dict[str, Any] | None, after: dict[str, Any], numbers: dict[int, str]
) -> list[Change]:
    """Every pad with the number told for it; those of pads that were put in stand with these."""
    given: Numbers = []
    changes = []
    for pad in _pads(found):
        entry, number = entry_of_pad(found, pad), numbers[id(pad)]
        if entry is None:
            given.append([*place_of(found, pad), number])
        elif entry.get("number") != number:
            changes.append(Change("pad", entry, {**entry, "number": number}))
    return [Change("numbering", before, {**after, "numbers": given}), *changes]


def _all_kept(found: ShownDie, before: dict[str, Any] | None) -> list[Change]:
    """Every pad with the number that it has; those kept for places without a pad stay."""
    per = 1.0 if found.result is None else found.result.per_px
    bare = [
        one for one in (before or {}).get("numbers", [])
        if not any(holds(pad, (one[0] / per, one[1] / per)) for pad in _pads(found))
    ]  # fmt: skip
    numbers = {id(pad): pad.number for pad in _pads(found)}
    changes = _all_numbered(found, before, dict(before or {}), numbers)
    after = dict(changes[0].after or {})
    after["numbers"] = [*after["numbers"], *bare]
    return [Change("numbering", before, after), *changes[1:]]


def _as_found(found: ShownDie, before: dict[str, Any]) -> list[Change]:
    """No numbers by hand any more: pads that were put in are called after those before them."""
    changes = [Change("numbering", before, None)]
    if found.measured is None or found.trouble:
        return changes
    bare = replace(found.notes.corrections, first=None, clockwise=False, numbers=())
    for pad in corrected(found.measured, bare).pads:
        entry = entry_of_pad(found, pad)
        if entry is not None and entry.get("number") != pad.number:
            changes.append(Change("pad", entry, {**entry, "number": pad.number}))
    return changes


def _set(found: ShownDie, kind: str, before: dict[str, Any] | None, form: Form) -> list[Change]:
    """What is chosen or written instead of pointed at."""
    text = form.get("text", "").strip()[:500]
    if kind == "region" and before is not None:
        return [Change(kind, before, {**before, "kind": form.get("is", "unknown"), "name": text})]
    if kind == "marking":
        return [Change(kind, before, {**(before or {}), "text": text} if text else None)]
    if kind == "finest_line":
        width, within = form.get("width", "").strip()[:40], form.get("within", "").strip()[:40]
        after = {"width": width, "within": within} if width or within else None
        return [] if before is None and after is None else [Change(kind, before, after)]
    if kind == "numbering":
        number, pads = form.get("number", "").strip()[:40] or "1", list(_pads(found))
        mine = [n for n, pad in enumerate(pads) if pad.number.casefold() == number.casefold()]
        if not mine:
            raise Unusable(f"there is no pad {number}")
        way = bool(form.get("clockwise"))
        if way != (found.notes.corrections.clockwise and not found.trouble):
            pads, mine = pads[::-1], [len(pads) - 1 - mine[0]]
        ring = [*pads[mine[0] :], *pads[: mine[0]]]
        table: dict[str, Any] = {"first": place_of(found, ring[0]), "clockwise": way}
        return _all_numbered(found, before, table, {id(p): str(n) for n, p in enumerate(ring, 1)})
    if kind == "layer":
        capture = form.get("of", "")
        if capture not in found.others:
            raise Unusable(f"{capture[:60]!r} is no capture of this chip")
        layer = {"name": text, "capture": capture}
        mirrored = {"mirrored": True} if form.get("mirrored") else {}
        return [Change(kind, before, {**layer, **mirrored})]
    raise Unusable(f"a {kind.replace('_', ' ')} is pointed at")


def _place(form: Form) -> list[float]:
    (place,) = read_points(form.get("place", ""), least=1)[:1]
    return place


def _number(form: Form, key: str, otherwise: str) -> float:
    text = form.get(key, otherwise).strip().split(" ")[0] or otherwise
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e6:
        raise Unusable(f"{text[:40]!r} is no number")
    return value


def _rounded(place: Any) -> list[float]:
    return [round(float(v), PLACES) for v in place]
