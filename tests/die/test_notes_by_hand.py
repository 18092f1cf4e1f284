"""Regions and markings in a plain file: what is read, and how mistakes are named."""

from __future__ import annotations

from pathlib import Path

import pytest

from glassay.bench.document.die_notes import KINDS, Region
from glassay.bench.document.read_die_notes import read_die_notes
from glassay.errors import Unusable


def notes(tmp_path: Path, text: str, name: str = "chip.toml") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_boxes_and_polygons_have_their_areas(tmp_path: Path) -> None:
    text = "".join(f'[[region]]\nkind = "{kind}"\nbox = [0, 0, 20, 10]\n' for kind in KINDS)
    text += "[[region]]\npolygon = [[0, 0], [30, 0], [0, 40]]\n"
    read = read_die_notes(notes(tmp_path, text), 100.0)
    assert [region.area_um2 for region in read.regions] == [200.0] * len(KINDS) + [600.0]
    assert read.regions[-1].kind == "unknown"


def test_the_area_does_not_depend_on_the_way_round() -> None:
    ring = ((0.0, 0.0), (4.0, 0.0), (4.0, 3.0), (1.0, 5.0))
    assert Region("logic", "", ring).area_um2 == Region("logic", "", ring[::-1]).area_um2 == 14.5


def test_geojson_counts_upward_from_the_bottom_left(tmp_path: Path) -> None:
    text = """{"type": "FeatureCollection", "features": [{"type": "Feature", "properties":
      {"kind": "logic"}, "geometry": {"type": "Polygon",
      "coordinates": [[[0, 0], [10, 0], [10, 5], [0, 5], [0, 0]]]}}]}"""
    (region,) = read_die_notes(notes(tmp_path, text, "c.geojson"), 100.0).regions
    assert max(y for _, y in region.corners) == 100.0
    assert min(y for _, y in region.corners) == 95.0
    assert len(region.corners) == 4


WRONG = {
    '[[region]]\nkind = "cache"\nbox = [0, 0, 1, 1]': "none of memory",
    '[[region]]\nkind = "logic"': "either box or polygon",
    "[[region]]\nbox = [0, 0, 1]": "x, y, width, height",
    "[[region]]\nbox = [0, 0, 0, 5]": "no area",
    "[[region]]\npolygon = [[0, 0], [1, true], [2, 2]]": "no point",
    "[[region]]\npolygon = [[0, 0], [1, 1]]": "no area",
    "[[region]]\npolygon = 3": "list of points",
    "region = 3": "no list of tables",
    "[[marking]]\nplace = [1, 2]": "no text",
    "[[mark]]\ntext = 'x'": "none of region, marking",
    "[[region": "chip.toml",
    '{"type": "Feature"}': "no GeoJSON FeatureCollection",
    '{"type": "FeatureCollection", "features": [3]}': "no feature",
    '{"type": "FeatureCollection", "features": [{"geometry": {"type": "LineString"}}]}': "neither",
    '{"type": ': "chip.toml",
}


@pytest.mark.parametrize("text", WRONG)
def test_mistakes_are_named(tmp_path: Path, text: str) -> None:
    with pytest.raises(Unusable, match=WRONG[text]):
        read_die_notes(notes(tmp_path, text), 100.0)


def test_files_that_cannot_be_read_are_named(tmp_path: Path) -> None:
    with pytest.raises(Unusable, match="no such file"):
        read_die_notes(tmp_path / "none.toml", 1.0)
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(Unusable, match="UTF-8"):
        read_die_notes(tmp_path / "b.toml", 1.0)
