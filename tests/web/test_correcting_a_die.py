"""What was found on a die is corrected on its page, and kept in the chip's notes."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("playwright.sync_api")

from fastapi.testclient import TestClient
from playwright.sync_api import Browser, expect
from tests.die.benches import PX, bench_of_a_die
from tests.die.drawn import DIE, pads_um
from tests.web.browser import CHROMIUM, Watched
from tests.web.conftest import Served, client_of

from glassay.bench.chip.die_pictures import best_die, found_die, noted
from glassay.bench.document.read import load_bench
from glassay.bench.document.read_die_notes import read_die_notes
from glassay.bench.measuring.assemble import read_results
from glassay.die import DieResult

JSON = {"accept": "application/json"}
NOTES = '# mine\n[about]\nmaker = "QUAY"  # as printed\n'


@pytest.fixture(scope="module")
def workbench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, Path]]:
    """One workbench for all: the die is measured once."""
    folder = bench_of_a_die(tmp_path_factory.mktemp("die") / "bench", notes=NOTES)
    with client_of(folder) as made:
        yield made, folder


@pytest.fixture(scope="module")
def found(workbench: tuple[TestClient, Path]) -> DieResult:
    """The die as it was measured, before any correction."""
    return found_die(read_results(load_bench(workbench[1])), "chip").result


@pytest.fixture
def folder(workbench: tuple[TestClient, Path]) -> Path:
    """Its folder, with the notes as they were at first."""
    for path in (workbench[1] / "dies").iterdir():
        path.unlink()
    (workbench[1] / "dies" / "chip.toml").write_text(NOTES, encoding="utf-8")
    return workbench[1]


@pytest.fixture
def client(workbench: tuple[TestClient, Path], folder: Path) -> TestClient:
    return workbench[0]


def act(client: TestClient, do: str, kind: str, status: int = 200, **form: Any) -> dict[str, Any]:
    """Something done on the page, and what the workbench told."""
    form["entry"] = json.dumps(form["entry"]) if form.get("entry") else ""
    sent = {"chip": "chip", "do": do, "kind": kind, **form}
    answer = client.post("/die/act", data=sent, headers=JSON)
    assert answer.status_code == status, answer.text
    return dict(answer.json())


def again(
    client: TestClient, told: dict[str, Any], turned: bool, status: int = 200
) -> dict[str, Any]:
    sent = {
        "chip": "chip",
        "changes": json.dumps(told["changes"]),
        "turned": "yes" if turned else "",
    }
    answer = client.post("/die/changes", data=sent, headers=JSON)
    assert answer.status_code == status, answer.text
    return dict(answer.json())


def in_file(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "dies" / "chip.toml").read_text(encoding="utf-8"))


def of_kind(told: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [one for one in told["things"] if one["kind"] == kind]


def sheet_of(folder: Path, found: DieResult) -> DieResult:
    """The die as the command tells it: measured, with the notes of the bench."""
    return noted(found, folder / "dies" / "chip.toml")[0]


def test_a_pad_is_taken_out_moved_put_in_and_each_step_taken_back(
    client: TestClient, folder: Path, found: DieResult
) -> None:
    page = client.get("/die?chip=chip").text
    assert "Die of Gull &amp; chick" in page
    state = client.get("/die/state?chip=chip").json()
    pads = of_kind(state, "pad")
    assert len(pads) == len(pads_um())
    kept = (folder / "dies" / "chip.toml").read_bytes()
    third = ",".join(map(str, pads[2]["place"]))
    less = act(client, "remove", "pad", place=third)
    assert len(of_kind(less, "pad")) == len(pads) - 1
    assert len(of_kind(less, "no_pad")) == 1
    assert in_file(folder)["no_pad"] == [{"place": pads[2]["place"]}]
    assert again(client, less, turned=True)["things"] == state["things"]
    assert (folder / "dies" / "chip.toml").read_bytes().strip() == kept.strip()
    # one that is moved is none where it was found, and one of its size where it was put
    x, y = pads[2]["points"][0]
    moved = act(client, "move", "pad", place=third, points=f"{x + 8},{y}")
    assert [c["kind"] for c in moved["changes"]] == ["no_pad", "pad"]
    (by_hand,) = [one for one in of_kind(moved, "pad") if one["entry"]]
    assert by_hand["points"][0] == pytest.approx([x + 8, y], abs=0.05)
    assert by_hand["entry"]["place"][0] == pytest.approx(pads[2]["place"][0] + 8 * PX, abs=0.5)
    assert sheet_of(folder, found).beside()["pads"][2]["by"] == "hand"
    back = again(client, moved, turned=True)
    assert back["things"] == state["things"]
    assert again(client, moved, turned=False)["things"] == moved["things"]
    # what a person wrote besides stays as it was written
    assert (folder / "dies" / "chip.toml").read_text().startswith(NOTES)


def test_regions_and_markings_are_drawn_renamed_and_shown_on_the_sheet(
    client: TestClient, folder: Path, found: DieResult
) -> None:
    (outline,) = of_kind(client.get("/die/state?chip=chip").json(), "outline")
    corners = outline["points"]
    middle = [sum(v) / 4 for v in zip(*corners, strict=True)]
    quarter = [corners[0], [(a + b) / 2 for a, b in zip(*corners[:2], strict=True)], middle,
               [(a + b) / 2 for a, b in zip(corners[0], corners[3], strict=True)]]  # fmt: skip
    points = " ".join(f"{x},{y}" for x, y in quarter)
    told = act(client, "put", "region", points=points, **{"is": "memory", "text": "left <array>"})
    (region,) = of_kind(told, "region")
    told = act(client, "set", "region", entry=region["entry"], **{"is": "logic", "text": "glue"})
    (region,) = of_kind(told, "region")
    assert (region["is"], region["words"]) == ("logic", "glue")
    notes = read_die_notes(folder / "dies" / "chip.toml")
    die = sheet_of(folder, found)
    assert notes.regions[0].area_um2 == pytest.approx(
        die.width.value * die.height.value / 4, rel=1e-3
    )
    told = act(client, "put", "marking", points=f"{middle[0]},{middle[1]}", text="PIER 7?")
    (marking,) = of_kind(told, "marking")
    told = act(
        client, "move", "marking", entry=marking["entry"], points=f"{middle[0] + 9},{middle[1]}"
    )
    assert of_kind(told, "marking")[0]["words"] == "PIER 7?"
    assert "PIER 7?" in told["table"]
    assert "left <array>" not in told["table"]


def test_counting_and_the_finest_line_are_set_in_forms_without_script(
    client: TestClient, folder: Path, found: DieResult
) -> None:
    form = {"chip": "chip", "do": "set", "kind": "numbering", "entry": "", "number": "4",
            "clockwise": "yes"}  # fmt: skip
    before = sheet_of(folder, found).pads
    page = client.post("/die/act", data=form).text
    assert "counting begins on the pad that a person named, and goes clockwise" in page
    after = sheet_of(folder, found).pads
    assert (after[0].x, after[1].x, after[1].y) == (before[3].x, before[2].x, before[2].y)
    assert [pad.number for pad in after] == [str(n) for n in range(1, len(before) + 1)]
    line = {"chip": "chip", "do": "set", "kind": "finest_line", "entry": "", "width": "1.2 um",
            "within": "0.3 um"}  # fmt: skip
    client.post("/die/act", data=line)
    assert sheet_of(folder, found).findings()["finest_line"].quantity.value == pytest.approx(1.2)
    assert client.post("/die/act", data=line | {"width": "wide"}).status_code == 400
    assert in_file(folder)["finest_line"] == {"width": "1.2 um", "within": "0.3 um"}


def test_the_finest_pitch_is_corrected_in_a_form_and_taken_back(
    client: TestClient, folder: Path, found: DieResult
) -> None:
    page = client.get("/die?chip=chip").text
    assert "Finest pitch, read by eye" in page
    assert "Finest pitch (by hand)" not in page
    told = act(client, "set", "finest_pitch", pitch="3.9 um", within="0.1 um")
    assert in_file(folder)["finest_pitch"] == {"pitch": "3.9 um", "within": "0.1 um"}
    assert "Finest pitch (by hand)" in told["table"]
    assert "the finest pitch was read by a person, not measured" in told["table"]
    assert 'value="3.9 um"' in told["table"]
    assert sheet_of(folder, found).findings()["finest_pitch"].quantity.value == pytest.approx(3.9)
    entry = in_file(folder)["finest_pitch"]
    act(client, "set", "finest_pitch", status=400, entry=entry, pitch="3.9 um", within="9 um")
    act(client, "put", "finest_pitch", status=400, points="10,10")
    # emptied, or undone, it is the measured one again
    told = act(client, "set", "finest_pitch", entry=entry, pitch="", within="")
    assert "finest_pitch" not in in_file(folder)
    assert "Finest pitch (by hand)" not in told["table"]
    assert "Finest pitch (by hand)" in again(client, told, turned=True)["table"]
    assert in_file(folder)["finest_pitch"] == entry


def numbers(told: dict[str, Any]) -> dict[tuple[float, ...], str]:
    """The number of each pad by its place."""
    return {tuple(one["place"]): one["words"] for one in of_kind(told, "pad")}


def test_a_pad_is_given_a_number_and_no_other_moves(
    client: TestClient, folder: Path, found: DieResult
) -> None:
    state = client.get("/die/state?chip=chip").json()
    before, pads = numbers(state), of_kind(state, "pad")
    place = {"place": ",".join(map(str, pads[4]["place"]))}
    told = act(client, "number", "pad", number="A3", **place)
    assert numbers(told) == before | {tuple(pads[4]["place"]): "A3"}
    assert in_file(folder)["numbering"] == {"numbers": [[*pads[4]["place"], "A3"]]}
    assert sheet_of(folder, found).pads[4].number == "A3"
    assert "another pad has the number 7" in act(
        client, "number", "pad", status=400, number="7", **place
    )["error"]  # fmt: skip
    assert "no number of a pad" in act(
        client, "number", "pad", status=400, number="<b>", **place
    )["error"]  # fmt: skip
    assert again(client, told, turned=True)["things"] == state["things"]
    again(client, told, turned=False)
    # one that is moved takes its number along
    x, y = pads[4]["points"][0]
    moved = act(client, "move", "pad", points=f"{x + 8},{y}", **place)
    (by_hand,) = [one for one in of_kind(moved, "pad") if one["entry"]]
    assert (by_hand["words"], by_hand["entry"]["number"]) == ("A3", "A3")
    assert "numbering" not in in_file(folder)
    again(client, moved, turned=True)
    bare = act(client, "number", "pad", number="", **place)
    assert numbers(bare) == before
    kept = act(client, "number", "pad", number="5", **place)  # the number it has anyway
    assert in_file(folder)["numbering"] == {"numbers": [[*pads[4]["place"], "5"]]}
    assert act(client, "number", "pad", number="5", **place)["changes"] == []
    again(client, kept, turned=True)
    assert "numbering" not in in_file(folder)


def test_one_put_in_is_called_after_the_one_before_and_numbers_can_be_kept(
    client: TestClient, folder: Path, found: DieResult
) -> None:
    state = client.get("/die/state?chip=chip").json()
    before, pads = numbers(state), of_kind(state, "pad")
    (ax, ay), (bx, by) = pads[4]["place"], pads[5]["place"]
    for share, number in ((0.5, "5a"), (0.35, "5b")):
        x, y = ax + share * (bx - ax), ay + share * (by - ay)
        told = act(client, "put", "pad", points=f"{x - 2},{y - 2} {x + 2},{y + 2}", unit="um")
        assert in_file(folder)["pad"][-1]["number"] == number
    assert before.items() <= numbers(told).items()
    # the first one goes, and the second keeps its number
    act(client, "remove", "pad", entry=in_file(folder)["pad"][0])
    told = act(client, "keep", "numbering")
    assert before.items() <= numbers(told).items()
    assert [one["number"] for one in in_file(folder)["pad"]] == ["5b"]
    assert len(in_file(folder)["numbering"]["numbers"]) == len(pads)
    # counted anew it is one of all, and as found it is called after the one before again
    kept = in_file(folder)["numbering"]
    told = act(client, "set", "numbering", entry=kept, number="1")
    assert sorted(map(int, numbers(told).values())) == list(range(1, len(pads) + 2))
    assert in_file(folder)["pad"][0]["number"] == "6"
    told = act(client, "remove", "numbering", entry=in_file(folder)["numbering"])
    assert before.items() <= numbers(told).items()
    assert in_file(folder)["pad"][0]["number"] == "5a"
    assert "numbering" not in in_file(folder)


def test_an_outline_by_hand_gives_size_pads_and_says_so(client: TestClient, folder: Path) -> None:
    (outline,) = of_kind(client.get("/die/state?chip=chip").json(), "outline")
    points = " ".join(f"{x},{y}" for x, y in outline["points"][::-1])
    form = {"capture": "captures/chip-one.png", "points": points, "pointing": "0.8"}
    told = act(client, "put", "outline", **form)
    assert "the corners of the outline were set by hand" in told["table"]
    die = best_die(read_results(load_bench(folder)), "chip").result
    sawn = float(DIE.facts()["sawn_width_um"])
    assert "by hand" in die.findings()["width"].method
    assert abs(die.width.value - sawn) < die.width.expanded
    # four corners, each with 0.8 px and a photo's lens that nobody measured
    (pointing,) = [p for p in die.width.contributions if p.source == "pointing by hand"]
    assert pointing.u == pytest.approx(0.8 * PX, rel=0.01)
    assert pointing.scope == "capture"
    assert len(die.pads) == len(pads_um())
    back = act(client, "remove", "outline", entry=in_file(folder)["outline"])
    assert of_kind(back, "outline")[0]["entry"] is None


def test_who_comes_second_is_told_and_changes_nothing(client: TestClient, folder: Path) -> None:
    told = act(client, "put", "marking", points="200,200", text="PIER")
    (entry,) = in_file(folder)["marking"]
    act(client, "set", "marking", entry=entry, text="PIER 7")
    late = act(client, "set", "marking", status=400, entry=entry, text="PEAR")
    assert "changed by someone else" in late["error"]
    assert [one["text"] for one in in_file(folder)["marking"]] == ["PIER 7"]
    assert "changed by someone else" in again(client, told, turned=True, status=400)["error"]


@pytest.mark.parametrize(("do", "kind", "form", "words"), [
    ("put", "pad", {"points": "1,1 5,5"}, "not on the die"),
    ("put", "region", {"points": "1,1 5,5"}, "3 to 200 corners"),
    ("put", "region", {"points": "nan,1 5,5 9,1"}, "no point"),
    ("put", "outline", {"points": "1,1 5,5"}, "four points"),
    ("put", "outline", {"points": "1,1 9,9 5,5 90,1"}, "no piece like a die"),
    ("put", "marking", {"points": "200,200"}, "needs its text"),
    ("move", "pad", {"points": "200,200", "place": "1,1"}, "someone else"),
    ("set", "numbering", {"number": "999"}, "no pad 999"),
    ("remove", "outline", {}, "nothing of this is by hand"),
    ("put", "about", {"points": "1,1"}, "nothing that is noted"),
    ("burn", "pad", {"points": "1,1"}, "nothing that is done"),
])  # fmt: skip
def test_what_makes_no_sense_is_told_and_not_kept(
    client: TestClient, folder: Path, do: str, kind: str, form: dict[str, str], words: str
) -> None:
    before = (folder / "dies" / "chip.toml").read_bytes()
    assert words in act(client, do, kind, status=400, **form)["error"]
    assert (folder / "dies" / "chip.toml").read_bytes() == before


def test_notes_that_cannot_be_used_are_told_and_not_written_over(
    client: TestClient, folder: Path
) -> None:
    path = folder / "dies" / "chip.toml"
    path.write_text("[[marking]]\ntext = 3\n", encoding="utf-8")
    page = client.get("/die?chip=chip")
    assert page.status_code == 400
    assert "marking 1: 3 is no text" in page.text
    form = {"chip": "chip", "do": "put", "kind": "marking", "points": "200,200", "text": "A"}
    assert client.post("/die/act", data=form).status_code == 400
    assert path.read_text() == "[[marking]]\ntext = 3\n"
    path.unlink()
    (path.parent / "chip.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    assert "is not changed here" in client.get("/die?chip=chip").text
    assert client.get("/die?chip=slide").status_code == 400
    assert client.get("/die?chip=none").status_code == 400


def test_layers_are_named_in_a_form_and_only_captures_of_the_chip_count(
    client: TestClient, folder: Path
) -> None:
    assert client.get("/die/layers?chip=slide").status_code == 400
    told = act(client, "set", "layer", text="again", of="captures/chip-one.png", mirrored="yes")
    assert in_file(folder)["layer"] == [
        {"name": "again", "capture": "captures/chip-one.png", "mirrored": True}
    ]
    assert "See them over each other" in told["table"]
    act(client, "set", "layer", text="its back", of="captures/chip-one.png", mirrored="yes",
        turned="about its vertical axis")  # fmt: skip
    assert in_file(folder)["layer"][1] == {
        "name": "its back", "capture": "captures/chip-one.png", "mirrored": True, "by": "outline",
        "turned": "about its vertical axis",
    }  # fmt: skip
    wrong = {"status": 400, "text": "b", "of": "captures/chip-one.png", "turned": "half"}
    assert "the same side" in act(client, "set", "layer", mirrored="yes", **wrong)["error"]
    assert "no way" in act(client, "set", "layer", **wrong | {"turned": "twice"})["error"]
    act(client, "remove", "layer", entry=in_file(folder)["layer"][1])
    assert "no capture of this chip" in act(
        client, "set", "layer", status=400, text="a", of="captures/slide-one.png"
    )["error"]  # fmt: skip
    again(client, told, turned=True)
    assert "layer" not in in_file(folder)


@pytest.mark.browser
@pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="Chromium is not installed")
def test_a_die_is_corrected_by_mouse_and_by_keys(
    browser: Browser, serve: Callable[[Path], Served], folder: Path
) -> None:
    served = serve(folder)
    seen = Watched(browser, served.address, viewport={"width": 1280, "height": 900})
    page = seen.page
    page.goto(served.entry)
    page.goto(served.address + "/die?chip=chip", timeout=120_000)  # the die is measured meanwhile
    page.wait_for_selector("#viewer[data-ready=yes]")
    assert seen.faults() == []
    # by keys: a pad is moved, and taken out; both are taken back
    handle = page.get_by_role("button", name="Pad 1: arrow keys move it")
    handle.focus()
    page.keyboard.press("Shift+ArrowRight")
    expect(page.get_by_text("1 pad put in by hand")).to_be_visible()
    assert len(in_file(folder)["no_pad"]) == len(in_file(folder)["pad"]) == 1
    page.keyboard.press("Control+z")
    expect(page.get_by_text("put in by hand")).to_have_count(0)
    handle.focus()
    page.keyboard.press("Delete")
    expect(page.get_by_text("1 pad taken out by hand")).to_be_visible()
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_text("taken out by hand")).to_have_count(0)
    page.get_by_role("button", name="Redo").click()
    expect(page.get_by_text("1 pad taken out by hand")).to_be_visible()
    # a pad is given a number in the list
    page.get_by_text("pads, one by one").click()
    page.get_by_role("textbox", name="Number of pad 5").fill("A3")
    page.keyboard.press("Enter")
    expect(page.get_by_text("1 pad numbered by hand")).to_be_visible()
    expect(page.get_by_role("button", name="Pad A3: arrow keys move it")).to_be_visible()
    # by mouse: a region is pointed at and named where it was closed
    page.get_by_role("button", name="Regions").click()
    page.get_by_role("button", name="Put in", exact=True).click()
    frame = page.locator("#viewer").bounding_box()
    assert frame is not None
    at = [(frame["x"] + fx * frame["width"], frame["y"] + fy * frame["height"])
          for fx, fy in ((0.4, 0.4), (0.6, 0.4), (0.6, 0.6), (0.4, 0.4))]  # fmt: skip
    for place in at:
        page.mouse.click(*place)
        page.wait_for_timeout(350)  # the next click is no double click
    page.locator(".in-place select").select_option("logic")
    page.locator(".in-place input").fill("glue")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Kind of region 1")).to_have_value("logic")
    (region,) = in_file(folder)["region"]
    assert (region["name"], len(region["polygon"])) == ("glue", 3)
    # what a form says goes the same way, and one of another window is told
    page.get_by_label("Name", exact=True).fill("adder")
    page.get_by_role("button", name="Keep kind and name of region 1").click()
    expect(page.get_by_role("button", name="Region adder, corner 1")).to_be_visible()
    path = folder / "dies" / "chip.toml"
    path.write_text(path.read_text().replace("adder", "shifter"), encoding="utf-8")
    page.get_by_role("button", name="Region adder, corner 1").focus()
    page.keyboard.press("Delete")
    expect(page.locator("#guide")).to_contain_text("changed by someone else")
    expect(page.get_by_role("button", name="Region shifter, corner 1")).to_be_visible()
    assert seen.faults() == []
    # the browser notes the one answer that said no
    assert all("400" in trouble for trouble in seen.troubles)
