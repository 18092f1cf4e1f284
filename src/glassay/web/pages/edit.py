"""Editing `bench.toml` in forms: comments stay, changes can be undone, conflicts are told."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from glassay.bench.document.edit import (
    NotAccepted,
    Place,
    add_table,
    remove_table,
    set_values,
    write_text,
)
from glassay.bench.document.read import parse_toml
from glassay.bench.document.teardown import CAUTIONS
from glassay.errors import Unusable
from glassay.one_writer import one_writer
from glassay.web import forms
from glassay.web.history import History
from glassay.web.identity import Origin, are_akin, is_named, name_of, origin_of, place_now, whole_of
from glassay.web.templating import back_to, link, page, workbench_of

router = APIRouter(include_in_schema=False)


@router.get("/edit")
def contents(request: Request) -> Response:
    bench = workbench_of(request)
    data = parse_toml(bench.text())
    return page(
        request, "edit.html", title="Edit the bench", here="/edit",
        bench_title=data.get("bench", {}).get("title", "") or bench.folder.name,
        data=data, undo=History(bench.folder).last(),
    )  # fmt: skip


@router.get("/edit/table")
def one_table(request: Request, place: str) -> Response:
    data = parse_toml(workbench_of(request).text())
    return _form_page(request, data, forms.parse_place(place))


def _is_new(place: Place) -> bool:
    return place[-1:] == (forms.NEW,)


def _at(data: Mapping[str, Any], place: Place) -> dict[str, Any]:
    found: Any = data
    for part in place:
        try:
            found = found[part]
        except (KeyError, IndexError, TypeError):
            if part in ("chain", "bench") and part == place[-1]:  # written once it says something
                return {}
            raise Unusable("there is nothing (any more) at this place of bench.toml") from None
    if not isinstance(found, dict):
        raise Unusable("there is nothing to edit at this place of bench.toml")
    return found


@dataclass(frozen=True)
class Trouble:
    """Why a form comes back: what is wrong in words, with which field, and what differs by now."""

    words: str = ""
    by_field: Mapping[str, str] = field(default_factory=dict)
    differences: Sequence[tuple[str, str, str]] = ()
    """Field, what it said when the form was opened, and what it says now."""
    status: int = 200


def _form_page(
    request: Request, data: Mapping[str, Any], place: Place,
    given: Mapping[str, str] | None = None, trouble: Trouble = Trouble(),
) -> Response:  # fmt: skip
    """The form of a table as it stands in `data`, with `given` written into it."""
    form = forms.form_of(place)
    if _is_new(place) and len(place) > 2:
        _at(data, place[:-2])  # that to which it will belong must be there
    table = {} if _is_new(place) else _at(data, place)
    now = forms.shown(form, table)
    inner = [
        (name, forms.FORMS[name].name, table.get(name, []))
        for name in form.holds if not _is_new(place)
    ]  # fmt: skip
    return page(
        request, "edit_table.html", trouble.status, title=_title(form, place, table), here="/edit",
        bench_title=data.get("bench", {}).get("title", "") or workbench_of(request).folder.name,
        form=form, place=forms.say_place(place), keep=name_of(data, place), inner=inner,
        values={**now, **(given or {})},
        is_new=_is_new(place), origin=origin_of(data, place, now).as_text(), trouble=trouble,
        ids=_ids(data, place), fixed=place[-1] in ("bench", "chain"), above=_above(place),
        cautions=CAUTIONS,
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


@router.post("/edit/table")
async def save(request: Request) -> Response:
    given = {k: v for k, v in (await request.form()).items() if isinstance(v, str)}
    return await run_in_threadpool(_save, request, given)


def _save(request: Request, given: dict[str, str]) -> Response:
    bench = workbench_of(request)
    opened = forms.parse_place(given.get("place", ""))
    form = forms.form_of(opened)
    origin = Origin.of_text(given.get("origin", ""))
    with one_writer(bench.folder):
        text = bench.text()
        data = parse_toml(text)
        place = place_now(data, opened, origin)
        if place is None:
            return _lost(request, data, opened, given)
        table = {} if _is_new(place) else _at(data, place)
        now = forms.shown(form, table)
        if now != origin.values:
            in_list = isinstance(place[-1], int) and not is_named(table)
            if in_list and not are_akin(origin.values, now):  # another one stands in its place
                return _lost(request, data, opened, given)
            return _conflict(request, data, place, origin, given)
        after = text
        try:
            after = _changed_text(text, place, forms.changed(form, table, given))
            if after != text:
                write_text(bench.folder, text, after)
                History(bench.folder).remember(text, after, _title(form, place, table))
        except Unusable as error:
            return _form_page(request, data, place, given, _why(error, form, place, data, after))
    said = "Saved." if after != text else "Nothing was changed."
    if _is_new(place) and place[-2] == "instrument":
        holder = (*place[:-1], len(_list_at(tomllib.loads(after), place)) - 1)
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
        found = found.get(part, []) if isinstance(found, Mapping) else found[part]
    assert isinstance(found, list)
    return found


def _why(
    error: Unusable, form: forms.Form, place: Place, data: Mapping[str, Any], after: str
) -> Trouble:
    """Which fields are to blame, as far as that can be told."""
    if isinstance(error, forms.FormMistakes):
        return Trouble("Nothing is saved yet: see the fields marked.", error.by_field, status=400)
    if not isinstance(error, NotAccepted):
        return Trouble(str(error), status=400)
    written = (*place[:-1], len(_list_at(data, place))) if _is_new(place) else place
    wrong, left = forms.fields_wrong(form, written, after, error.mistakes)
    words = ["Nothing is saved yet: see the fields marked."] if wrong else ["Nothing is saved yet."]
    return Trouble("\n".join([*words, *left]), wrong, status=400)


def _conflict(
    request: Request, data: Mapping[str, Any], place: Place, origin: Origin,
    given: Mapping[str, str],
) -> Response:  # fmt: skip
    """The form again, with what the person wrote and what others wrote in the other fields."""
    form = forms.form_of(place)
    now = forms.shown(form, _at(data, place))
    differences = [
        (one.label, origin.values.get(one.key, ""), now[one.key]) for one in form.fields
        if origin.values.get(one.key, "") != now[one.key]
    ]  # fmt: skip
    words = (
        f"This {form.name.lower()} was changed on disk since the form was opened. Nothing is saved"
        " yet. Below is what you wrote, and what stands there now in the fields that you left"
        " alone; saving again writes it."
    )
    trouble = Trouble(words, differences=differences, status=409)
    return _form_page(request, data, place, forms.merged(form, origin.values, now, given), trouble)


def _lost(
    request: Request, data: Mapping[str, Any], place: Place, given: Mapping[str, str]
) -> Response:
    """What the form was about cannot be told any more: it is offered as something new."""
    form = forms.form_of(place)
    anew = (*place[:-1], forms.NEW) if isinstance(place[-1], int) else place
    words = (
        f"The {form.name.lower()} that you edited was removed meanwhile, or changed together with"
        " others, so that it is not clear any more which one it is. Nothing is saved yet."
    )
    try:
        holder = _at(data, anew[:-2]) if len(anew) > 2 else data
        whole = " Below is what you wrote; saving adds it as a new one."
        if len(anew) > 2:
            whole += f" It is added to {holder.get('name') or holder.get('id')}."
        trouble = Trouble(words + whole, status=409)
        return _form_page(request, data, anew, given, trouble)
    except Unusable:
        wrote = "; ".join(
            f"{one.label}: {given[one.key]}" for one in form.fields if given.get(one.key)
        )
        return page(
            request, "error.html", 409, title="What you edited is gone", mistakes=(),
            message=f"{words} What you wrote was: {wrote}",
        )  # fmt: skip


@router.post("/edit/remove")
def remove(
    request: Request, place: Annotated[str, Form()], origin: Annotated[str, Form()]
) -> Response:
    bench = workbench_of(request)
    opened, known = forms.parse_place(place), Origin.of_text(origin)
    with one_writer(bench.folder):
        text = bench.text()
        data = parse_toml(text)
        where = place_now(data, opened, known)
        if where is None or whole_of(_at(data, where)) != known.whole:
            said = "What you wanted to remove was changed meanwhile; nothing is removed."
            return back_to(request, "/edit", said)
        title = _title(forms.form_of(where), where, _at(data, where))
        after = remove_table(text, where)
        write_text(bench.folder, text, after)
        History(bench.folder).remember(text, after, f"removing {title}")
    return back_to(request, _above(where), f"Removed: {title}. It can be undone under Edit.")


@router.post("/edit/undo")
def undo(request: Request, change: Annotated[str, Form()]) -> Response:
    what = History(workbench_of(request).folder).undo(change)
    return back_to(request, "/edit", f"Undone: {what}.")
