"""What a person did on a die's page, as changes to the notes of its chip."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from glassay.bench.document.read_die_notes import AT_95
from glassay.bench.keeping.die_edits import SEVERAL, SINGLE, Change
from glassay.bench.keeping.marks import LEAST_POINTING_PX
from glassay.die import TURNS, Pad, checked_number, corrected, is_mirrored
from glassay.die.numbers import holds
from glassay.die.pointed import in_order
from glassay.errors import Unusable
from glassay.web import limits
from glassay.web.dies import PLACES, ShownDie, entry_of_pad, place_of
from glassay.web.pages.marks import read_points

Form = Mapping[str, str]

READ_BY_EYE = {"finest_line": "width", "finest_pitch": "pitch"}
"""Lengths that a person reads in the picture, and what each is called in its entry."""


def changes_of(found: ShownDie, form: Form) -> list[Change]:
    """What a form asks for. Raises `Unusable` with what is wrong in it."""
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
    if kind in ("numbering", *READ_BY_EYE, "layer"):
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
    many = found.seen.reduced  # the notes count in px of the whole mosaic
    corners = (in_order(points) + 0.5) * many - 0.5
    pointing = many * max(float(_number(form, "pointing", "1.5")), LEAST_POINTING_PX)
    return {"corners": np.round(corners, PLACES).tolist(), "within": round(AT_95 * pointing, 3),
            "capture": found.seen.id}  # fmt: skip


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
    if kind in READ_BY_EYE:
        told = {key: form.get(key, "").strip()[:40] for key in (READ_BY_EYE[kind], "within")}
        after = told if any(told.values()) else None
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
        return [Change(kind, before, {"name": text, "capture": capture, **_lies(form)})]
    raise Unusable(f"a {kind.replace('_', ' ')} is pointed at")


def _lies(form: Form) -> dict[str, Any]:
    """How a layer lies: by what both show, or by its outline and how the die was turned."""
    mirrored, turned = bool(form.get("mirrored")), form.get("turned", "")
    said = {"mirrored": True} if mirrored else {}
    if not turned:
        return said
    way = next((one for one in TURNS if one == turned), None)
    if way is None:
        raise Unusable(f"{turned[:40]!r} is no way in which a die is turned")
    if is_mirrored(way) != mirrored:
        side = "its other side" if is_mirrored(way) else "the same side"
        raise Unusable(f"a die turned {way!r} is seen from {side}: change one of both")
    return {**said, "by": "outline", "turned": way}


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
