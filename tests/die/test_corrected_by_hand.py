"""What a person corrects of a die: pads and the finest line, and that it is said to be by hand."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from glassay.bench.chip.die_pictures import noted
from glassay.bench.document.die_notes import DieNotes
from glassay.bench.document.read_die_notes import read_die_notes
from glassay.die import Corrections, DieResult, corrected
from glassay.errors import Unusable
from glassay.quantity import Quantity
from glassay.report.die_files import as_csv, as_geojson


def middle(result: DieResult, number: int) -> tuple[float, float]:
    pad = result.pads[number - 1]
    return pad.x * result.per_px, pad.y * result.per_px


def test_a_pad_taken_out_and_put_in_again_gives_the_same_die(measured: DieResult) -> None:
    x, y = middle(measured, 3)
    less = corrected(measured, Corrections(removed=((x + 5, y - 5),)))
    assert len(less.pads) == len(measured.pads) - 1
    assert [pad.number for pad in less.pads] == list(range(1, len(measured.pads)))
    assert any("taken out by hand" in note for note in less.notes)
    size = measured.pads[2].width * measured.per_px
    again = corrected(less, Corrections(added=((x, y, size, size),)))
    assert [(p.side, p.row) for p in again.pads] == [(p.side, p.row) for p in measured.pads]
    assert [p.by_hand for p in again.pads] == [p.number == 3 for p in again.pads]
    assert [row.count for row in again.rows] == [row.count for row in measured.rows]
    assert [row.gaps for row in again.rows] == [row.gaps for row in measured.rows]
    # what is measured is not moved by what a hand put in
    assert again.pad_pitch is not None
    assert less.pad_pitch is not None
    assert again.pad_pitch.value == pytest.approx(less.pad_pitch.value, rel=1e-12)
    assert again.width == measured.width


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


def test_notes_hold_corrections_and_say_where_they_are_wrong(
    measured: DieResult, tmp_path: Path
) -> None:
    path = tmp_path / "chip.toml"
    x, y = middle(measured, 1)
    path.write_text(
        f'[[no_pad]]\nplace = [{x}, {y}]\n[finest_line]\nwidth = "1.2 um"\nwithin = "200 nm"\n',
        encoding="utf-8",
    )
    result, notes, name = noted(measured, path)
    assert name == "chip.toml"
    assert notes.corrections.line is not None
    assert notes.corrections.line.expanded == pytest.approx(0.2)
    assert len(result.pads) == len(measured.pads) - 1
    for text, words in (
        ("[[no_pad]]\nplace = [-50, -50]\n", "no pad was found"),
        (f"[[pad]]\nplace = [{x}, {y}]\nsize = [50, 50]\n", "already"),
        ("[[pad]]\nplace = [-9, 0]\nsize = [50, 50]\n", "not on the die"),
        ("[[pad]]\nplace = [9, 9]\n", "size"),
        ('[finest_line]\nwidth = "1 um"\n', "within"),
        ('[finest_line]\nwidth = "1 um"\nwithin = "2 um"\n', "below the width"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(Unusable, match=words):
            noted(measured, path)
    path.write_text("", encoding="utf-8")
    assert read_die_notes(path, 1.0) == DieNotes()
