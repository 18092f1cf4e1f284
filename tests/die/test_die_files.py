"""What other tools open: each file is read by a reader that is not ours."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from ezdxf.document import Drawing
from matplotlib.path import Path as Outline

from glassay.bench.document.die_notes import DieNotes, Marking, Region
from glassay.bench.document.read_die_notes import read_die_notes
from glassay.die import DieResult
from glassay.report.die_files import as_csv, as_dxf, as_geojson, as_svg
from tests.die.drawn import DIE, pads_um

NOTES = DieNotes(
    (Region("memory", "a & b", ((100, 100), (300, 100), (300, 200), (100, 200))),
     Region("drawing", "", ((500, 300), (500, 400), (620, 350)))),
    (Marking("PIER 7?", (450.0, 600.0)),),
)  # fmt: skip
SAWN = tuple(float(DIE.facts()[f"sawn_{side}_um"]) for side in ("width", "height"))


def read_dxf(text: str) -> Drawing:
    return ezdxf.read(io.StringIO(text))  # type: ignore[attr-defined]


def test_dxf_passes_its_librarys_audit_and_holds_every_pad(measured: DieResult) -> None:
    made = read_dxf(as_dxf(measured, NOTES))
    audit = made.audit()
    assert not audit.errors
    assert not audit.fixes
    assert made.header["$INSUNITS"] == 13  # microns, in the DXF reference's list of units
    space = made.modelspace()
    pads = list(space.query('LWPOLYLINE[layer=="PADS"]'))
    assert len(pads) == len(pads_um())
    (outline,) = space.query('LWPOLYLINE[layer=="OUTLINE"]')
    corners = np.array(outline.get_points("xy"))
    assert np.ptp(corners, axis=0) == pytest.approx(SAWN, rel=5e-4)
    middles = np.array([np.mean(pad.get_points("xy"), axis=0) for pad in pads])
    truth = pads_um() * (1, -1) + (0, SAWN[1])  # y up
    away = np.hypot(*(middles[:, None] - truth[None]).transpose(2, 0, 1)).min(axis=1)
    assert away.max() < 1.0
    assert all(pad.closed for pad in pads)
    assert {text.dxf.text for text in space.query("TEXT")} >= {"1", "20", "memory a & b", "PIER 7?"}


def signed_area(ring: list[list[float]]) -> float:
    at = np.array(ring)
    return float((at[:-1, 0] * at[1:, 1] - at[1:, 0] * at[:-1, 1]).sum() / 2)


def test_geojson_has_closed_counter_clockwise_rings(measured: DieResult) -> None:
    """RFC 7946, 3.1.6: a linear ring is closed, an exterior one runs counter-clockwise."""
    data = json.loads(as_geojson(measured, NOTES))
    assert data["type"] == "FeatureCollection"
    kinds = [feature["properties"]["what"] for feature in data["features"]]
    assert kinds.count("pad") == len(pads_um())
    assert kinds.count("region") == 2
    for feature in data["features"]:
        assert feature["type"] == "Feature"
        if feature["geometry"]["type"] == "Polygon":
            (ring,) = feature["geometry"]["coordinates"]
            assert ring[0] == ring[-1]
            assert signed_area(ring) > 0
    outline = data["features"][0]["geometry"]["coordinates"][0]
    assert signed_area(outline) == pytest.approx(SAWN[0] * SAWN[1], rel=1e-3)
    by_hand = [f["properties"] for f in data["features"] if f["properties"].get("by") == "hand"]
    assert len(by_hand) == 3


def test_what_is_written_as_geojson_is_read_back_as_it_was(
    measured: DieResult, tmp_path: Path
) -> None:
    path = tmp_path / "die.geojson"
    path.write_text(as_geojson(measured, NOTES), encoding="utf-8")
    again = read_die_notes(path, measured.height.value)
    assert again.markings[0].text == "PIER 7?"
    assert again.markings[0].place == pytest.approx((450.0, 600.0), abs=1e-3)
    for one, other in zip(again.regions, NOTES.regions, strict=True):
        assert (one.kind, one.name) == (other.kind, other.name)
        assert one.area_um2 == pytest.approx(other.area_um2, rel=1e-4)
        assert one.middle == pytest.approx(other.middle, abs=1e-3)


def test_svg_is_xml_in_um_with_a_path_for_each_thing(measured: DieResult) -> None:
    from xml.etree import ElementTree

    root = ElementTree.fromstring(as_svg(measured, NOTES))
    name = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{name}svg"
    paths = {kind: [p for p in root.iter(f"{name}path") if kind in (p.get("class") or "")]
             for kind in ("outline", "pad", "region")}  # fmt: skip
    assert [len(paths[kind]) for kind in ("outline", "pad", "region")] == [1, len(pads_um()), 2]
    told = paths["outline"][0].get("d") or ""
    corners = np.array([p.split() for p in told.strip("MZ").split("L")], np.float64)
    assert Outline(corners).get_extents().size == pytest.approx(SAWN, rel=5e-4)
    # one user unit is a um, margin and all: programs for drawings go by the stated size
    box = [float(v) for v in (root.get("viewBox") or "").split()]
    for side, units in zip(("width", "height"), box[2:], strict=True):
        stated = float((root.get(side) or "").removesuffix("mm"))
        assert stated / units == pytest.approx(1e-3, rel=1e-6)


def test_csv_has_a_line_for_each_pad(measured: DieResult) -> None:
    rows = list(csv.DictReader(io.StringIO(as_csv(measured))))
    assert [int(row["number"]) for row in rows] == list(range(1, len(pads_um()) + 1))
    found = np.array([(float(row["x (um)"]), float(row["y (um)"])) for row in rows])
    away = np.hypot(*(found[:, None] - pads_um()[None]).transpose(2, 0, 1)).min(axis=1)
    assert away.max() < 1.0
