"""Benches written by earlier versions open in this one, and what it does not know is left alone.

`tests/data/archives` holds one archive for each version of the two formats (of the archive and of the
kept results), made by the version of its time from an invented bench, and never made again.
"""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pytest

from glassay.bench.document.edit import add_table, remove_table, set_values
from glassay.bench.document.mistakes import BenchMistakes
from glassay.bench.document.read import load_bench, parse_bench
from glassay.bench.keeping import pack, store
from glassay.bench.keeping.check_pack import check
from glassay.bench.keeping.marks import add_mark, change_mark, make_mark, remove_mark
from glassay.bench.measuring.assemble import RESULTS_FILE, run_bench
from glassay.quantity import Quantity

ARCHIVES = Path(__file__).parent.parent / "data" / "archives"
DRAWN_UM_PX = {"captures/near.png": 1.25, "captures/eye.png": 2.5}
"""The scale at which the photos were drawn, with lines 10 um apart; the invented certificate of the
slide says 10.003 um, so that a third of a thousandth more is right."""
CERTIFIED = 1.0003


def test_there_is_an_archive_of_each_format() -> None:
    now = f"pack-{pack.FORMAT}-result-{store.FORMAT}.zip"
    assert now in {path.name for path in ARCHIVES.iterdir()}


@pytest.mark.parametrize("archive", sorted(ARCHIVES.glob("*.zip")), ids=lambda path: path.stem)
def test_an_archive_of_any_format_opens_and_gives_its_numbers(
    archive: Path, tmp_path: Path
) -> None:
    found = check(archive, measure=False)
    assert found.damaged == ()
    assert found.files > len(DRAWN_UM_PX)
    with zipfile.ZipFile(archive) as opened:
        opened.extractall(tmp_path)
    before = json.loads((tmp_path / "results" / RESULTS_FILE).read_bytes())
    results = run_bench(load_bench(tmp_path), jobs=1)
    assert [v.word for v in results.verdicts] == [v["verdict"] for v in before["verdicts"]]
    for capture in before["captures"]:
        packed = Quantity.from_json(capture["findings"]["pixel_size"])
        size = results.capture(capture["id"]).findings["pixel_size"].quantity
        assert abs(size.value - packed.value) <= packed.expanded
        assert abs(size.value - CERTIFIED * DRAWN_UM_PX[capture["id"]]) <= size.expanded


OWN = """\
[bench]
title = "Own"
x-shelf = "third from the left"

[[object]]
id = "slide"
kind = "ruled scale"
division = "10 um"
x-bought = { day = 2026-05-01, shop = "around the corner" }

[[instrument]]
id = "pad"
kind = "USB"
x-inventory = 17

[[instrument.claim]]
kind = "field width"
value = "3 mm"
where = "box"
x-page = 4
"""


def test_keys_of_ones_own_survive_every_change(tmp_path: Path) -> None:
    parse_bench(OWN, tmp_path)
    text = set_values(OWN, ("bench",), {"title": "Other"})
    text = set_values(text, ("object", 0), {"division": "20 um"})
    text = set_values(text, ("instrument", 0, "claim", 0), {"value": "4 mm"})
    text = add_table(text, ("instrument", 0), "observation", {"what": "the arm sags"})
    text = add_table(text, (), "object", {"id": "chip", "kind": "chip"})
    text = remove_table(text, ("object", 1))
    bench = parse_bench(text, tmp_path)
    assert bench.title == "Other"
    assert bench.objects[0].division_um == 20
    own = [line for line in OWN.splitlines() if line.startswith("x-")]
    assert len(own) == 4
    assert [line for line in text.splitlines() if line.startswith("x-")] == own


def test_a_misspelt_key_is_still_a_mistake(tmp_path: Path) -> None:
    with pytest.raises(BenchMistakes, match="unknown key"):
        parse_bench(OWN.replace("x-shelf", "shelf"), tmp_path)


def test_what_a_later_version_adds_to_a_mark_survives(tmp_path: Path) -> None:
    one = make_mark("captures/a.png", "distance", [(1, 2), (90, 2)], pointing_px=0.5)
    other = make_mark("captures/a.png", "distance", [(1, 9), (90, 9)], pointing_px=0.5)
    add_mark(tmp_path, one)
    path = tmp_path / "marks.toml"
    path.write_text('x-kept-by = "somebody"\n\n' + path.read_text() + 'colour = "red"\n')
    moved = make_mark("captures/a.png", "distance", [(1, 2), (50, 2)], pointing_px=0.5,
                      mark_id=one.id)  # fmt: skip
    change_mark(tmp_path, moved)
    add_mark(tmp_path, other)
    remove_mark(tmp_path, other.id)
    text = path.read_text()
    assert 'colour = "red"' in text
    assert 'x-kept-by = "somebody"' in text
    assert "50.0" in text
