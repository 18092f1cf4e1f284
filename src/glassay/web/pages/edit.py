"""Editing `bench.toml` in forms: comments stay, changes can be undone, conflicts are told."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from glassay.bench.document.edit import Place, add_table, remove_table, set_values, write_text
from glassay.bench.document.read import parse_toml
from glassay.bench.document.teardown import CAUTIONS
from glassay.errors import Unusable
from glassay.web import forms
from glassay.web.history import History
from glassay.web.templating import back_to, link, page, workbench_of
from glassay.web.workbench import text_hash

router = APIRouter(include_in_schema=False)

SEEN_KEPT = 20
"""States of `bench.toml` remembered, so that a conflict can say what was changed meanwhile."""


@router.get("/edit")
def contents(request: Request) -> Response:
    bench = workbench_of(request)
    text = bench.text()
    data = parse_toml(text)
    return page(
        request, "edit.html", title="Edit the bench", here="/edit",
        bench_title=data.get("bench", {}).get("title", "") or bench.folder.name,
        data=data, undo=History(bench.folder).last(), seen=_remember(request, text),
    )  # fmt: skip


@router.get("/edit/table")
def one_table(request: Request, place: str) -> Response:
    text = workbench_of(request).text()
    where = forms.parse_place(place)
    table = {} if _is_new(where) else _at(parse_toml(text), where)
    form = forms.form_of(where)
    return _form_page(request, text, where, forms.shown(form, table), table)


def _is_new(place: Place) -> bool:
    return place[-1:] == (forms.NEW,)


def _at(data: Mapping[str, Any], place: Place) -> dict[str, Any]:
    found: Any = data
    for part in place:
        try:
            found = found[part]
        except (KeyError, IndexError, TypeError):
            if part in ("chain", "bench"):  # written once something is said there
                return {}
            raise Unusable("there is nothing (any more) at this place of bench.toml") from None
    if not isinstance(found, dict):
        raise Unusable("there is nothing to edit at this place of bench.toml")
    return found


def _form_page(
    request: Request, text: str, place: Place, values: Mapping[str, str],
    table: Mapping[str, Any], *, trouble: str = "", difference: str = "", status: int = 200,
) -> Response:  # fmt: skip
    form = forms.form_of(place)
    data = parse_toml(text)
    inner = [
        (name, forms.FORMS[name].name, table.get(name, []))
        for name in form.holds if not _is_new(place)
    ]  # fmt: skip
    bench = workbench_of(request)
    options = _ids(data, place)
    return page(
        request, "edit_table.html", status, title=_title(form, place, table), here="/edit",
        bench_title=data.get("bench", {}).get("title", "") or bench.folder.name,
        form=form, place=forms.say_place(place), values=values, inner=inner,
        is_new=_is_new(place), seen=_remember(request, text), trouble=trouble,
        difference=difference, ids=options, fixed=place[-1] in ("bench", "chain"),
        above=_above(place), cautions=CAUTIONS,
    )  # fmt: skip


def _above(place: Place) -> str:
    """Where the form leads back to."""
    if len(place) > 2 and isinstance(place[1], int):
        return link("/edit/table", place=forms.say_place(place[:2]))
    return "/edit"


def _title(form: forms.Form, place: Place, table: Mapping[str, Any]) -> str:
    if _is_new(place):
        return f"New {form.name[:1].lower()}{form.name[1:]}"
    name = (
        table.get("name")
        or table.get("id")
        or table.get("value")
        or table.get("what")
        or table.get("part")
        or ""
    )
    return f"{form.name}: {name}" if name and place[-1] != "chain" else form.name


def _ids(data: Mapping[str, Any], place: Place) -> dict[str, list[str]]:
    """Ids to choose from, offered beside the fields that want one."""
    instruments = data.get("instrument", [])
    chosen = instruments
    if len(place) > 2 and isinstance(place[1], int) and place[0] == "instrument":
        chosen = instruments[place[1] : place[1] + 1]
    settings = [s.get("id", "") for one in chosen for s in one.get("setting", [])]
    ids = [one.get("id", "") for one in instruments]
    return {
        "instrument": ids,
        "sensor_of": ids,
        "setting": list(dict.fromkeys(settings)),
        "object": [one.get("id", "") for one in data.get("object", [])],
    }


def _remember(request: Request, text: str) -> str:
    seen: dict[str, str] = getattr(request.app.state, "seen", {})
    seen[text_hash(text)] = text
    request.app.state.seen = dict(list(seen.items())[-SEEN_KEPT:])
    return text_hash(text)


@router.post("/edit/table")
async def save(request: Request) -> Response:
    given = {k: v for k, v in (await request.form()).items() if isinstance(v, str)}
    return await run_in_threadpool(_save, request, given)


def _save(request: Request, given: dict[str, str]) -> Response:
    bench = workbench_of(request)
    text = bench.text()
    place = forms.parse_place(given.get("place", ""))
    form = forms.form_of(place)
    if given.get("seen") != text_hash(text):
        return _conflict(request, text, place, given)
    table = {} if _is_new(place) else _at(parse_toml(text), place)
    try:
        values = forms.changed(form, table, given)
        after = _changed_text(text, place, values)
        if after != text:
            write_text(bench.folder, text, after)
            History(bench.folder).remember(text, after, _title(form, place, table))
    except Unusable as error:
        return _form_page(request, text, place, {**forms.shown(form, table), **given}, table,
                          trouble=str(error), status=400)  # fmt: skip
    said = "Saved." if after != text else "Nothing was changed."
    if _is_new(place):
        number = len(_list_at(tomllib.loads(after), place)) - 1
        holder = (*place[:-1], number)
        if place[-2] == "instrument":
            return back_to(request, link("/edit/table", place=forms.say_place(holder)), said)
    return back_to(request, _above(place), said)


def _changed_text(text: str, place: Place, values: dict[str, Any]) -> str:
    if not values:
        return text
    if not _is_new(place):
        return set_values(text, place, values)
    name = place[-2]
    assert isinstance(name, str)
    return add_table(text, place[:-2], name, values)


def _list_at(data: Mapping[str, Any], place: Place) -> list[Any]:
    found: Any = data
    for part in place[:-1]:
        found = found[part]
    assert isinstance(found, list)
    return found


def _conflict(request: Request, text: str, place: Place, given: dict[str, str]) -> Response:
    """The form again with what the person wrote, and what changed on disk since it was opened."""
    before = getattr(request.app.state, "seen", {}).get(given.get("seen", ""), "")
    lines = difflib.unified_diff(
        before.splitlines(), text.splitlines(), "when this form was opened", "now", n=1, lineterm=""
    )
    form = forms.form_of(place)
    try:
        table = {} if _is_new(place) else _at(parse_toml(text), place)
    except Unusable:
        return back_to(request, "/edit", "What you edited was removed from bench.toml meanwhile.")
    trouble = (
        "bench.toml was changed on disk since this form was opened. Nothing is saved yet. Below is"
        " what you wrote; saving again puts it over the file as it is now."
    )
    return _form_page(
        request, text, place, {**forms.shown(form, table), **given}, table, trouble=trouble,
        difference="\n".join(lines) if before else "", status=409,
    )  # fmt: skip


@router.post("/edit/remove")
def remove(
    request: Request, place: Annotated[str, Form()], seen: Annotated[str, Form()]
) -> Response:
    bench = workbench_of(request)
    text = bench.text()
    where = forms.parse_place(place)
    if seen != text_hash(text):
        return back_to(request, link("/edit/table", place=place),
                       "bench.toml was changed on disk meanwhile; nothing is removed yet.")  # fmt: skip
    table = _at(parse_toml(text), where)
    after = remove_table(text, where)
    write_text(bench.folder, text, after)
    title = _title(forms.form_of(where), where, table)
    History(bench.folder).remember(text, after, f"removing {title}")
    return back_to(request, _above(where), f"Removed: {title}. It can be undone under Edit.")


@router.post("/edit/undo")
def undo(request: Request) -> Response:
    what = History(workbench_of(request).folder).undo()
    return back_to(request, "/edit", f"Undone: {what}.")
