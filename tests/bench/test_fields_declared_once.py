"""A field of `bench.toml` is declared once: reading, mistakes, forms and documentation follow."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest

from glassay.bench.document import values
from glassay.bench.document.fields import Amiss, Row, Said, Table, fields_of
from glassay.bench.document.line_numbers import key_lines
from glassay.bench.document.mistakes import Mistakes
from glassay.bench.document.model import Document
from glassay.bench.document.tables import read_table
from glassay.web.forms import FORMS, Field, fields_in

DOCS = Path(__file__).parents[2] / "docs" / "bench-toml.md"


@dataclass(frozen=True, slots=True)
class Bulb(Table):
    colour: Literal["white", "green"] = "white"
    life_h: Annotated[values.Number, Said("Life", "1000", key="life")] = 0.0


@dataclass(frozen=True, slots=True)
class Lamp(Table):
    form_name = "Lamp"

    id: Annotated[values.Id, Said("Id", "ring", needed="a short name")]
    height_um: Annotated[values.Length, Said("Height", "10 mm")] = None
    photos: Annotated[values.Files, Said("Photos", alone="photo")] = ()
    bulb: Bulb = Bulb()
    is_tall: bool = False

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        got["is_tall"] = got.get("height_um", 0) > 50_000
        if got["is_tall"] and "bulb" not in row:
            yield "height", "a tall lamp says which bulb it has"


@dataclass(frozen=True, slots=True)
class Room(Table):
    lamps: tuple[Lamp, ...] = ()


def read(text: str) -> tuple[Room, list[str]]:
    wrong = Mistakes(key_lines(text))
    room = read_table(Room, tomllib.loads(text), (), wrong)
    return room, [str(mistake) for mistake in sorted(wrong.found)]


def test_what_is_declared_is_read() -> None:
    text = """
    [[lamp]]
    id = "ring"
    height = "60 mm"
    photo = "a.png"
    bulb = { colour = "Green", x-shop = "corner" }
    """
    room, wrong = read(text)
    assert wrong == []
    assert room.lamps == (Lamp("ring", 60_000, ("a.png",), Bulb("green"), True),)


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('id = "ring"', "", 'line 1: id is missing; expected a short name, like "ring"'),
        ('"60 mm"', '"60"', "line 3: height: '60' has no unit; expected a length with its unit"),
        ("height", "heigth", "line 3: heigth: unknown key; did you mean 'height'?"),
        ('photo = "a.png"', "is_tall = true", "line 4: is_tall: unknown key"),
        ('photo = "a.png"', 'photo = "../a.png"', "line 4: photo: '../a.png' is not a path inside"),
        ('"green"', '"gren"', "line 5: colour: 'gren' is not known (did you mean 'green'?)"),
        ('bulb = { colour = "green" }', "", "line 3: height: a tall lamp says which bulb it has"),
        ('bulb = { colour = "green" }', "bulb = 7", "line 5: bulb: expected a table, { ... }, not 7"),
        ("[[lamp]]", "[lamp]", "line 1: lamp: expected tables that each begin with [[lamp]]"),
    ],
)  # fmt: skip
def test_a_mistake_names_its_line_and_what_was_expected(before: str, after: str, said: str) -> None:
    text = '[[lamp]]\nid = "ring"\nheight = "60 mm"\nphoto = "a.png"\nbulb = { colour = "green" }\n'
    assert text.count(before) == 1
    _, (wrong,) = read(text.replace(before, after))
    assert wrong.startswith(f"bench.toml {said}")


def test_all_mistakes_are_told_at_once_and_ids_differ() -> None:
    lamp = '[[lamp]]\nid = "ring"\nheight = 3\nbulb = { colour = "red", life = -1 }\n'
    _, wrong = read(lamp + lamp)
    assert len(wrong) == 7
    assert "line 6: id: the lamp 'ring' stands already on line 2" in wrong[3]


def test_the_form_has_what_is_declared_with_a_label() -> None:
    assert list(fields_in(Lamp)) == [
        Field("id", "Id", "ring", needed=True), Field("height", "Height", "10 mm"),
        Field("photos", "Photos", kind="lines", alone="photo"),
        Field("bulb.life", "Life", "1000", "number"),
    ]  # fmt: skip


def every_key(table: type[Table]) -> Iterator[str]:
    for field in fields_of(table):
        yield field.key
        if field.inner is not None:
            yield from every_key(field.inner.table)


def test_every_key_is_documented() -> None:
    text = re.sub(r"^```.*?^```", "", DOCS.read_text(encoding="utf-8"), flags=re.M | re.S)
    named = re.findall(r"\w+", " ".join(re.findall(r"`[^`]+`|^#.*$", text, re.M)))
    assert set(every_key(Document)) <= set(named)


def test_every_table_that_is_edited_has_its_form() -> None:
    assert set(FORMS) == {
        "bench", "object", "instrument", "chain", "setting", "claim", "observation", "teardown",
        "need", "capture",
    }  # fmt: skip
    assert FORMS["instrument"].holds == ("chain", "setting", "claim", "observation", "teardown")
