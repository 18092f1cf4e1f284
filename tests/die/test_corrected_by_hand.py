"""What a person corrects of a die: pads and the finest line, and that it is said to be by hand."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pytest

from glassay.bench.chip.die_pictures import noted
from glassay.bench.document.die_notes import DieNotes
from glassay.bench.document.read_die_notes import read_die_notes
from glassay.die import Corrections, DieResult, corrected
from glassay.errors import Unusable
from glassay.imaging import Photo
from glassay.quantity import Quantity
from glassay.report.die_files import as_csv, as_dxf, as_geojson, as_svg
from glassay.report.die_sheet import Sheet, manifest_lines, plain_value, sheet_data, write_sheet


def middle(result: DieResult, number: int) -> tuple[float, float]:
    pad = result.pads[number - 1]
    return pad.x * result.per_px, pad.y * result.per_px


def test_a_pad_taken_out_and_put_in_again_gives_the_same_die(measured: DieResult) -> None:
    x, y = middle(measured, 3)
    less = corrected(measured, Corrections(removed=((x + 5, y - 5),)))
    assert len(less.pads) == len(measured.pads) - 1
    assert [pad.number for pad in less.pads] == numbers(measured, without="3")
    assert any("taken out by hand" in note for note in less.notes)
    size = measured.pads[2].width * measured.per_px
    again = corrected(less, Corrections(added=((x, y, size, size),)))
    assert [(p.side, p.row) for p in again.pads] == [(p.side, p.row) for p in measured.pads]
    assert [p.number for p in again.pads if p.by_hand] == ["2a"]
    assert [row.count for row in again.rows] == [row.count for row in measured.rows]
    assert [row.gaps for row in again.rows] == [row.gaps for row in measured.rows]
    # what is measured is not moved by what a hand put in
    assert again.pad_pitch is not None
    assert less.pad_pitch is not None
    assert again.pad_pitch.value == pytest.approx(less.pad_pitch.value, rel=1e-12)
    assert again.width == measured.width


def numbers(result: DieResult, without: str = "") -> list[str]:
    return [pad.number for pad in result.pads if pad.number != without]


def by_place(result: DieResult) -> dict[tuple[float, float], str]:
    return {(pad.x, pad.y): pad.number for pad in result.pads}


def beside_pad(result: DieResult, number: int, share: float) -> tuple[float, float, float, float]:
    """A small pad between this one and the next, this part of their distance from it."""
    (x, y), (x1, y1) = middle(result, number), middle(result, number + 1)
    side = 0.1 * result.pads[0].width * result.per_px
    return x + share * (x1 - x), y + share * (y1 - y), side, side


def test_numbers_stay_where_pads_are_put_in_and_taken_out(measured: DieResult) -> None:
    first, second = beside_pad(measured, 5, 0.6), beside_pad(measured, 5, 0.4)
    more = corrected(measured, Corrections(added=(first, second)))
    # in the order in which they are noted, not in that in which they stand
    assert numbers(more)[4:8] == ["5", "5b", "5a", "6"]
    less = corrected(measured, Corrections(added=(first, second), removed=(middle(measured, 5),)))
    assert numbers(less)[3:7] == ["4", "5b", "5a", "6"]
    assert by_place(less).items() <= by_place(more).items()
    assert by_place(measured).items() <= by_place(more).items()


def test_counting_from_a_pad_that_was_taken_out_leaves_its_number_vacant(
    measured: DieResult,
) -> None:
    at = middle(measured, 4)
    whole = corrected(measured, Corrections(first=at, clockwise=True))
    assert numbers(whole) == numbers(measured)
    assert middle(whole, 2) == middle(measured, 3)
    less = corrected(measured, Corrections(first=at, clockwise=True, removed=(at,)))
    assert by_place(less).items() <= by_place(whole).items()
    assert numbers(less)[0] == "2"
    assert less.counted == "clockwise from the pad that a person named"


def test_a_pad_has_the_number_that_a_person_gives_it(measured: DieResult) -> None:
    given = (*middle(measured, 5), "A3")
    put = beside_pad(measured, 5, 0.5)
    result = corrected(measured, Corrections(added=(put,), numbers=(given, (*put[:2], "7"))))
    # the one that was 7 by count makes room, and no other moves
    assert numbers(result)[3:9] == ["4", "A3", "7", "6", "6a", "8"]
    assert [pad.number for pad in result.pads if pad.numbered_by_hand] == ["A3", "7"]
    assert "2 pads numbered by hand" in result.by_hand
    rows = {row["number"]: row for row in csv.DictReader(io.StringIO(as_csv(result)))}
    assert (rows["A3"]["by"], rows["A3"]["number by"]) == ("measured", "hand")
    assert (rows["6a"]["by"], rows["6a"]["number by"]) == ("measured", "count")
    properties = [f["properties"] for f in json.loads(as_geojson(result, DieNotes()))["features"]]
    assert [p["number"] for p in properties if p.get("number_by") == "hand"] == ["A3", "7"]


def test_kept_numbers_hold_when_other_pads_are_found(measured: DieResult) -> None:
    kept = tuple((*middle(measured, int(n)), n) for n in numbers(measured))
    # measured anew: pad 3 is not found, and what was not found before is, between 12 and 13
    x, y, w, h = (v / measured.per_px for v in beside_pad(measured, 12, 0.5))
    pads = [pad for pad in measured.pads if pad.number != "3"]
    pads.insert(11, replace(pads[11], x=x, y=y, width=w, height=h))
    anew = replace(
        measured, pads=tuple(replace(pad, number=str(n)) for n, pad in enumerate(pads, 1))
    )
    result = corrected(anew, Corrections(numbers=kept))
    assert numbers(result) == [
        *numbers(measured, without="3")[:11], "12a", *numbers(measured)[12:]
    ]  # fmt: skip
    assert any("no pad is where the number 3 was given" in said for said in result.by_hand)


def test_numbers_that_cannot_be_are_refused(measured: DieResult) -> None:
    for given, words in (
        (((*middle(measured, 5), "A3"), (*middle(measured, 6), "a3")), "two pads"),
        (((*middle(measured, 5), "A3"), (*middle(measured, 5), "A4")), "two numbers"),
    ):
        with pytest.raises(Unusable, match=words):
            corrected(measured, Corrections(numbers=given))


def test_files_say_which_pads_are_by_hand(measured: DieResult) -> None:
    middle_um = (measured.width.value / 2, measured.height.value / 2)
    more = corrected(measured, Corrections(added=((*middle_um, 50.0, 40.0),)))
    (row,) = [r for r in csv.DictReader(io.StringIO(as_csv(more))) if r["by"] == "hand"]
    assert float(row["x (um)"]) == pytest.approx(middle_um[0], abs=0.01)
    features = json.loads(as_geojson(more, DieNotes()))["features"]
    assert sum(f["properties"].get("by") == "hand" for f in features) == 1
    told = more.findings()["pads"]
    assert told.value == len(measured.pads) + 1
    assert "by hand" in told.method


def test_a_finest_line_read_by_eye_is_said_to_be(measured: DieResult) -> None:
    line = Quantity.of(1.2, 0.1, "um", "read by eye")
    found = corrected(measured, Corrections(line=line)).findings()["finest_line"]
    assert found.quantity == line
    assert "by hand" in found.method
    assert "finest_line" not in measured.findings()


def test_a_finest_pitch_read_by_eye_is_said_to_be_wherever_it_goes(measured: DieResult) -> None:
    pitch = Quantity.of(3.9, 0.05, "um", "read by eye")
    more = corrected(measured, Corrections(pitch=pitch))
    found = more.findings()["finest_pitch"]
    assert found.quantity == pitch
    assert "by hand" in found.method
    assert more.findings()["width"] == measured.findings()["width"]
    said = "the finest pitch was read by a person, not measured"
    assert said in more.by_hand
    # the process leans on it, and says on what
    assert more.process is not None
    assert more.process.high_um <= (3.9 + pitch.expanded) / 2
    assert any("3.9 um (read by hand)" in reason for reason in more.process.reasons)
    # finer than this picture tells: a person may have it from elsewhere, and the reader is told
    limit = measured.findings()["finest_pitch_limit"].quantity.value
    finer = Quantity.of(limit / 2, 0.01, "um", "read by eye")
    below = corrected(measured, Corrections(pitch=finer)).notes
    assert any("read by hand is finer than" in note for note in below)
    assert not any("read by hand is finer than" in note for note in measured.notes)
    # sheet and exports
    assert ("Finest pitch (by hand)", plain_value(pitch)) in manifest_lines(more)
    assert dict(manifest_lines(more))["Corrected by hand"] == said
    notes = DieNotes(corrections=Corrections(pitch=pitch))
    photo = Photo(Path("die.png"), np.zeros((700, 900), np.uint8), "srgb")
    sheet = Sheet("A die", "", photo, more, "", notes, "chip.toml")
    page = write_sheet(sheet)
    assert "Finest pitch (by hand)" in page
    assert said in page
    data = sheet_data(sheet)
    assert data["findings"]["finest_pitch"]["method"] == "read by hand in the picture"
    assert data["by_hand"]["corrected"] == [said]
    assert json.loads(as_geojson(more, notes))["corrected_by_hand"] == [said]
    assert said in as_svg(more, notes)
    drawing = ezdxf.read(io.StringIO(as_dxf(more, notes)))
    assert drawing.header.custom_vars.get("Corrected by hand") == said
    assert not drawing.audit().errors
    # and nothing of it where nothing is by hand
    bare = [write_sheet(Sheet("A die", "", photo, measured, "")), as_geojson(measured, DieNotes()),
            as_svg(measured, DieNotes()), as_dxf(measured, DieNotes())]  # fmt: skip
    assert not any("by hand" in text.lower() for text in bare)


def test_notes_hold_corrections_and_say_where_they_are_wrong(
    measured: DieResult, tmp_path: Path
) -> None:
    path = tmp_path / "chip.toml"
    x, y = middle(measured, 1)
    path.write_text(
        f'[[no_pad]]\nplace = [{x}, {y}]\n[finest_line]\nwidth = "1.2 um"\nwithin = "200 nm"\n'
        '[finest_pitch]\npitch = "2.6 um"\nwithin = "100 nm"\n',
        encoding="utf-8",
    )
    result, notes, name = noted(measured, path)
    assert name == "chip.toml"
    assert notes.corrections.line is not None
    assert notes.corrections.line.expanded == pytest.approx(0.2)
    assert len(result.pads) == len(measured.pads) - 1
    pitch = result.findings()["finest_pitch"].quantity
    assert (pitch.value, pitch.expanded) == (pytest.approx(2.6), pytest.approx(0.1))
    for text, words in (
        ("[[no_pad]]\nplace = [-50, -50]\n", "no pad was found"),
        (f"[[pad]]\nplace = [{x}, {y}]\nsize = [50, 50]\n", "already"),
        ("[[pad]]\nplace = [-9, 0]\nsize = [50, 50]\n", "not on the die"),
        ("[[pad]]\nplace = [9, 9]\n", "size"),
        (f'[[pad]]\nplace = [{x}, {y}]\nsize = [5, 5]\nnumber = "1 2"\n', "no number of a pad"),
        ("[numbering]\nnumbers = [[1, 2]]\n", "numbers is a list"),
        ('[numbering]\nnumbers = [[1, 2, ""]]\n', "no number of a pad"),
        ("[numbering]\nclockwise = true\n", "needs first"),
        ("[numbering]\nfirst = [-9, -9]\n", "no pad is where counting begins"),
        ('[finest_line]\nwidth = "1 um"\n', "within"),
        ('[finest_line]\nwidth = "1 um"\nwithin = "2 um"\n', "below the width"),
        ('[finest_pitch]\nwidth = "1 um"\nwithin = "0.1 um"\n', "write pitch ="),
        ('[finest_pitch]\npitch = "1 um"\nwithin = "2 um"\n', "below the pitch"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(Unusable, match=words):
            noted(measured, path)
    path.write_text(f"[numbering]\nnumbers = [[{x}, {y}, 99]]\n", encoding="utf-8")
    assert noted(measured, path)[0].pads[0].number == "99"
    path.write_text("", encoding="utf-8")
    assert read_die_notes(path, 1.0) == DieNotes()
