"""Forms write bench.toml: comments stay, nothing else changes, conflicts and undo work."""

from __future__ import annotations

import html
import re
import tomllib
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response

from glassay.bench.document.edit import add_table, remove_table, set_values
from glassay.bench.document.read import load_bench
from glassay.bench.keeping.filing import start_bench
from glassay.errors import Unusable
from glassay.web.forms import changed, form_of, shown

COMMENTED = """# Tuesday's bench
[bench]
title = "x"   # to be thought of

[[instrument]] # the grey one
id = "pad"
kind = "screen"
price = { list = "99 EUR" } # with shipping

  [[instrument.claim]]
  kind = "magnification"
  value = "1600x" # in red letters
  where = "box"

[[instrument]]
id = "other"
kind = "USB"
"""


def comments(text: str) -> list[str]:
    return re.findall(r"#.*", text)


def test_a_value_is_changed_and_all_else_kept() -> None:
    after = set_values(COMMENTED, ("instrument", 0, "claim", 0), {"value": "1000x"})
    assert after == COMMENTED.replace('"1600x"', '"1000x"')


def test_an_inline_table_is_changed_within() -> None:
    after = set_values(
        COMMENTED, ("instrument", 0), {"price": {"list": "99 EUR", "paid": "80 EUR"}}
    )
    assert comments(after) == comments(COMMENTED)
    assert tomllib.loads(after)["instrument"][0]["price"] == {"list": "99 EUR", "paid": "80 EUR"}


def test_tables_are_added_and_removed_in_place() -> None:
    claim = {"kind": "field width", "value": "3 mm", "where": "listing"}
    after = add_table(COMMENTED, ("instrument", 0), "claim", claim)
    data = tomllib.loads(after)
    assert data["instrument"][0]["claim"][1] == claim
    assert data["instrument"][1] == {"id": "other", "kind": "USB"}
    assert comments(after) == comments(COMMENTED)
    back = remove_table(after, ("instrument", 0, "claim", 1))
    assert tomllib.loads(back) == tomllib.loads(COMMENTED)


def test_the_commented_start_of_a_bench_survives_editing(tmp_path: Path) -> None:
    text = start_bench(tmp_path / "b").read_text()
    after = add_table(text, (), "instrument", {"id": "pad", "kind": "screen"})
    after = set_values(after, ("instrument", 0, "chain"), {"eyepiece": "10x"})
    after = set_values(after, ("bench",), {"title": "Evenings"})
    assert comments(after) == comments(text)
    assert tomllib.loads(after)["instrument"][0]["chain"] == {"eyepiece": "10x"}


def test_a_place_that_is_not_there_is_told() -> None:
    with pytest.raises(Unusable, match="nothing at instrument"):
        set_values(COMMENTED, ("instrument", 7), {"id": "x"})


def origin(page: str) -> str:
    return html.unescape(re.search(r'name="origin" value="([^"]+)"', page)[1])  # type: ignore[index]


def undo(client: TestClient) -> Response:
    offered = re.search(r'name="change" value="(\w+)"', client.get("/edit").text)
    return client.post("/edit/undo", data={"change": offered[1] if offered else ""})


def test_a_form_shows_and_saves(client: TestClient, folder: Path) -> None:
    place = "instrument.0.claim.0"
    page = client.get(f"/edit/table?place={place}").text
    assert 'value="20x to 1600x"' in page
    form = {"place": place, "origin": origin(page), "value": "20x to 800x"}
    assert "Saved" in client.post("/edit/table", data=form).text
    claims = load_bench(folder).instruments[0].claims
    assert claims[0].text == "20x to 800x"
    assert claims[0].where == "box"


def test_saving_can_be_undone_again_and_again(client: TestClient, folder: Path) -> None:
    first = (folder / "bench.toml").read_text()
    for title in ("One", "Two"):
        page = client.get("/edit/table?place=bench").text
        client.post("/edit/table", data={"place": "bench", "origin": origin(page), "title": title})
    assert load_bench(folder).title == "Two"
    undo(client)
    assert load_bench(folder).title == "One"
    assert "Undone" in undo(client).text
    assert (folder / "bench.toml").read_text() == first
    assert undo(client).status_code == 400


def test_a_change_on_disk_is_told_and_never_lost(client: TestClient, folder: Path) -> None:
    page = client.get("/edit/table?place=instrument.0").text
    path = folder / "bench.toml"
    path.write_text(path.read_text().replace('list = "99 EUR"', 'list = "111 EUR"'))
    form = {"place": "instrument.0", "origin": origin(page), "power": "mains"}
    answer = client.post("/edit/table", data=form)
    assert answer.status_code == 409
    assert "changed on disk" in answer.text
    assert "List price: 99 EUR → 111 EUR" in answer.text
    assert 'value="mains"' in answer.text
    assert load_bench(folder).instruments[0].power == ""
    form["origin"] = origin(answer.text)
    client.post("/edit/table", data=form)
    one = load_bench(folder).instruments[0]
    assert one.power == "mains"
    assert str(one.price.list) == "111.00 EUR"


def test_a_mistake_is_told_and_not_written(client: TestClient, folder: Path) -> None:
    before = (folder / "bench.toml").read_text()
    page = client.get("/edit/table?place=instrument.0.claim.new").text
    form = {"place": "instrument.0.claim.new", "origin": origin(page), "kind": "magnification",
            "value": "1600", "where": "box"}  # fmt: skip
    answer = client.post("/edit/table", data=form)
    assert answer.status_code == 400
    assert "has no unit" in answer.text
    assert 'value="1600"' in answer.text
    assert (folder / "bench.toml").read_text() == before


def test_an_instrument_is_added_and_removed(client: TestClient, folder: Path) -> None:
    page = client.get("/edit/table?place=instrument.new").text
    form = {"place": "instrument.new", "origin": origin(page), "id": "lens", "kind": "other",
            "price.list": "12 EUR", "standalone": "yes"}  # fmt: skip
    answer = client.post("/edit/table", data=form)
    assert load_bench(folder).instruments[-1].standalone is True
    form = {"place": "instrument.2", "origin": origin(answer.text)}
    client.post("/edit/remove", data=form)
    assert len(load_bench(folder).instruments) == 2


def test_an_empty_folder_becomes_a_bench(tmp_path: Path) -> None:
    from tests.web.conftest import client_of

    (tmp_path / "new").mkdir()
    with client_of(tmp_path / "new") as client:
        assert "Start a bench here" in client.get("/").text
        client.post("/start", data={"title": "Evenings"})
        assert "Evenings" in client.get("/").text


def test_separate_purchases_are_a_list_in_the_form(client: TestClient, folder: Path) -> None:
    page = client.get("/edit/table?place=instrument.0").text
    bought = "ring light: 35 EUR\nlens: 5 EUR"
    form = {"place": "instrument.0", "origin": origin(page), "price.also": bought}
    assert "Saved" in client.post("/edit/table", data=form).text
    price = load_bench(folder).instruments[0].price
    assert [(name, str(money)) for name, money in price.also] == [
        ("ring light", "35.00 EUR"),
        ("lens", "5.00 EUR"),
    ]
    page = client.get("/edit/table?place=instrument.0").text
    assert bought in page
    form |= {"origin": origin(page), "price.also": "lens"}
    assert "is not like" in client.post("/edit/table", data=form).text
    form |= {"price.also": ""}
    client.post("/edit/table", data=form)
    assert load_bench(folder).instruments[0].price.also == ()


def test_a_part_seen_inside_is_noted_under_the_cautions(client: TestClient, folder: Path) -> None:
    assert "never pierce, bend or heat" in client.get("/edit/table?place=instrument.0").text
    place = "instrument.0.teardown.new"
    page = client.get(f"/edit/table?place={place}").text
    die = load_bench(folder).captures[0]
    form = {"place": place, "origin": origin(page), "part": "image sensor", "marking": "KV 7",
            "photos": die.files[0], "captures": die.id}  # fmt: skip
    client.post("/edit/table", data=form)
    (part,) = load_bench(folder).instruments[0].teardown
    assert (part.part, part.marking, part.photos) == ("image sensor", "KV 7", die.files)
    assert part.captures == (die.id,)


def test_one_photo_of_a_part_stays_one_until_there_are_more(folder: Path) -> None:
    form = form_of(("instrument", 0, "teardown", 0))
    table = {"part": "board", "photo": "a.jpg"}
    values = shown(form, table)
    assert values["photos"] == "a.jpg"
    assert changed(form, table, values) == {}
    more = changed(form, table, values | {"photos": "a.jpg\nb.jpg"})
    assert more == {"photos": ["a.jpg", "b.jpg"], "photo": None}


def field(page: str, key: str) -> str:
    """The part of a form that belongs to one field."""
    return next(part for part in page.split('<p class="field') if f'name="{key}"' in part)


@pytest.mark.parametrize(("place", "given", "key", "said"), [
    ("instrument.0.claim.0", {"value": "1600"}, "value", "has no unit"),
    ("instrument.0.claim.new", {"kind": "field width", "value": "3 mm"}, "where", "missing"),
    ("instrument.0", {"price.list": "a lot"}, "price.list", "a lot"),
    ("instrument.0", {"price.also": "lens"}, "price.also", "is not like"),
    ("instrument.1.chain", {"numerical_aperture": "wide"}, "numerical_aperture", "not a number"),
    ("instrument.1.chain", {"eyepiece": "wide"}, "eyepiece", "wide"),
    ("object.0", {"division": "ten"}, "division", "ten"),
    ("bench", {"display.pixels": "many"}, "display.pixels", "many"),
])  # fmt: skip
def test_the_field_with_the_mistake_is_marked_in_true_words(
    client: TestClient, folder: Path, place: str, given: dict[str, str], key: str, said: str
) -> None:
    before = (folder / "bench.toml").read_bytes()
    page = client.get(f"/edit/table?place={place}").text
    assert "aria-invalid" not in page
    answer = client.post("/edit/table", data={"place": place, "origin": origin(page), **given})
    assert answer.status_code == 400
    wrong = field(answer.text, key)
    assert 'aria-invalid="true"' in wrong
    assert said in html.unescape(wrong.partition("Not like this:")[2])
    assert answer.text.count("aria-invalid") == 1
    assert "Nothing is saved yet" in answer.text
    assert "Nothing is shown" not in answer.text
    assert "bench.toml line" not in answer.text
    for value in given.values():
        assert html.escape(value) in answer.text
    assert (folder / "bench.toml").read_bytes() == before


def test_a_mistake_elsewhere_is_told_without_blaming_a_field(
    client: TestClient, folder: Path
) -> None:
    page = client.get("/edit/table?place=object.0").text
    form = {"place": "object.0", "origin": origin(page), "id": "other-slide"}
    answer = client.post("/edit/table", data=form)
    assert answer.status_code == 400
    assert "slide" in answer.text
    assert "Nothing is saved yet" in answer.text


def test_a_region_that_cannot_be_is_said_not_to_be_written(
    client: TestClient, folder: Path
) -> None:
    before = (folder / "bench.toml").read_bytes()
    answer = client.post("/capture/look", data={"id": "captures/near.png", "box": "0,0,0,0"})
    assert answer.status_code == 400
    assert "nothing was written" in answer.text
    assert "Nothing is shown" not in answer.text
    assert (folder / "bench.toml").read_bytes() == before
