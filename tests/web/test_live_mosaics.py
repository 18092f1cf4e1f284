"""The live mosaic of the workbench: kept tile by tile, gone on with, filed."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from fastapi.testclient import TestClient
from tests.mosaic.test_live_map import SIZE, die_stage
from tests.web.conftest import client_of

from glassay.bench.document.read import load_bench
from glassay.mosaic import place_tiles
from glassay.simulate.stage import Rest
from glassay.web.live_frames import FrameOfJpeg
from glassay.web.live_mosaics import LiveMosaic, Shows, way_of

PLACE = {"place": "pad|near", "object": "bare"}


def show(client: TestClient, name: str, where: Rest, frames: int = 6) -> list[dict[str, object]]:
    told = []
    for seed in range(frames):
        answer = client.post(
            "/live/frame", params={"session": "0123456789abcdef", "mosaic": name},
            content=die_stage().frame([where], seed).tobytes(),
        )  # fmt: skip
        assert answer.status_code == 200, answer.text
        told.append(answer.json()["mosaic"])
    return told


@pytest.fixture
def client(client: TestClient) -> TestClient:
    """A client that asks for data, as the page's script does."""
    client.headers["accept"] = "application/json"
    return client


@pytest.fixture(autouse=True)
def _three_frames_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    """However long a frame takes here, and nothing else is told the time so."""
    clock = iter(np.arange(0, 1000, 0.3))
    told = SimpleNamespace(monotonic=lambda: float(next(clock)))
    monkeypatch.setattr("glassay.web.pages.live.time", told)


def begun(client: TestClient) -> str:
    answer = client.post("/live/mosaic/begin", params=PLACE)
    assert answer.status_code == 200, answer.text
    return str(answer.json()["name"])


def test_each_view_is_on_disk_as_it_came_before_it_is_told(
    client: TestClient, folder: Path
) -> None:
    name = begun(client)
    kept = [one for one in show(client, name, Rest(300, 200)) if one["kept"]]
    assert len(kept) == 1
    place = folder / "results" / "live-mosaics" / name
    data = (place / "tile-0001.jpg").read_bytes()
    assert data in [die_stage().frame([Rest(300, 200)], seed).tobytes() for seed in range(6)]
    known = json.loads((place / "map.json").read_text())
    assert known["tiles"]["1"]["place"] == [0, 0, 0]
    assert known["frame"] == list(SIZE)


def test_a_kill_and_a_reload_lose_no_view(folder: Path) -> None:
    with client_of(folder) as client:
        name = begun(client)
        show(client, name, Rest(300, 200))
        show(client, name, Rest(420, 200))
        before = client.get("/live/mosaic", params={"name": name}).json()
    # a tile that was written when the program was killed, before the map was
    place = folder / "results" / "live-mosaics" / name
    shutil.copy(place / "tile-0002.jpg", place / "tile-0003.jpg")
    with client_of(folder) as client:  # another process knows nothing but the files
        assert name in client.get("/live").text
        after = client.get("/live/mosaic", params={"name": name}).json()
        assert len(before["tiles"]) == 2
        for one, other in zip(before["tiles"], after["tiles"], strict=True):
            assert (other["x"], other["y"]) == pytest.approx((one["x"], one["y"]), abs=0.01)
        assert after["held"] == [3]
        show(client, name, Rest(350, 205))
        assert show(client, name, Rest(430, 200))[-1]["place"] is not None


@pytest.mark.parametrize(
    ("stated", "taken"), [(0.02, 0.02), (None, 0.0), ("wide", 0.0), (7.0, 0.0), (math.nan, 0.0)]
)
def test_what_the_lens_bends_is_kept_with_the_map(
    client: TestClient, folder: Path, stated: object, taken: float
) -> None:
    place = folder / "results" / "live-mosaics" / begun(client)
    show(client, place.name, Rest(300, 200))
    data = json.loads((place / "map.json").read_text())
    assert data.pop("distortion") == 0
    if stated is not None:
        data["distortion"] = stated
    (place / "map.json").write_text(json.dumps(data))
    assert LiveMosaic.read(place).distortion == taken


def test_the_views_are_filed_as_one_capture_of_the_chip(client: TestClient, folder: Path) -> None:
    name = begun(client)
    show(client, name, Rest(300, 200))
    show(client, name, Rest(420, 200))
    tiles = [path.read_bytes() for path in
             sorted((folder / "results" / "live-mosaics" / name).glob("*.jpg"))]  # fmt: skip
    told = client.post("/live/mosaic/file", params={"name": name}).json()
    assert told["views"] == len(tiles) == 2
    filed = load_bench(folder).captures[-1]
    assert filed.id == told["id"]
    assert (filed.instrument, filed.setting, filed.object) == ("pad", "near", "bare")
    assert [(folder / one).read_bytes() for one in filed.files] == tiles
    assert "live mosaic of 2 views" in filed.note
    assert not (folder / "results" / "live-mosaics" / name).exists()
    gone = client.post("/live/mosaic/file", params={"name": name})
    assert gone.status_code == 400
    assert "already" in gone.json()["error"]


def test_the_filed_views_are_what_the_mosaic_command_finishes(
    client: TestClient, folder: Path
) -> None:
    name = begun(client)
    rests = [Rest(x, y) for x, y in ((240, 150), (430, 150), (430, 265), (240, 265))]
    for one in rests:
        show(client, name, one)
    assert client.post("/live/mosaic/file", params={"name": name}).json()["views"] == len(rests)
    filed = load_bench(folder).captures[-1]
    result = place_tiles([folder / one for one in filed.files])
    middle = np.array([(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2, 1])
    found = []
    for one in result.where:
        assert one.matrix is not None, one.reason
        found.append(one.matrix @ middle)
    true = np.array([(one.x, one.y) for one in rests])
    away = np.array(found) - found[0] - (true - true[0])
    assert np.abs(away).max() < 0.5  # the live map is told to a px or two


def test_a_view_can_be_taken_back_and_all_thrown_away(client: TestClient, folder: Path) -> None:
    name = begun(client)
    show(client, name, Rest(300, 200))
    show(client, name, Rest(420, 200))
    left = client.post("/live/mosaic/take-back", params={"name": name}).json()
    assert (left["removed"], [one["number"] for one in left["tiles"]]) == (2, [1])
    place = folder / "results" / "live-mosaics" / name
    assert [path.name for path in place.glob("tile-*")] == ["tile-0001.jpg"]
    assert client.post("/live/mosaic/throw-away", params={"name": name}).status_code == 200
    assert not place.exists()


@pytest.mark.parametrize(
    ("params", "why"),
    [
        ({"place": "pad|near", "object": "slide"}, "made of a chip"),
        ({"place": "pad|nowhere", "object": "bare"}, "nowhere"),
        ({"place": "pad|near", "object": "none"}, "none"),
    ],
)
def test_what_no_map_can_be_made_of_is_refused(
    client: TestClient, folder: Path, params: dict[str, str], why: str
) -> None:
    answer = client.post("/live/mosaic/begin", params=params)
    assert answer.status_code == 400
    assert why in answer.json()["error"]
    assert not (folder / "results" / "live-mosaics").exists()


def test_names_lead_nowhere_else_and_links_are_refused(
    client: TestClient, folder: Path, tmp_path: Path
) -> None:
    for name in ("../../captures", "x", "20260101-000000-00000000"):
        assert client.get("/live/mosaic", params={"name": name}).status_code == 400
    outside = tmp_path / "outside"
    outside.mkdir()
    (folder / "results").mkdir(exist_ok=True)
    (folder / "results" / "live-mosaics").symlink_to(outside)
    assert client.post("/live/mosaic/begin", params=PLACE).status_code == 400
    assert list(outside.iterdir()) == []


def test_a_frame_that_is_overtaken_by_a_later_one_is_not_seen_after_it(folder: Path) -> None:
    shown = LiveMosaic(folder / "map", Shows("pad", "near", "bare"))
    (folder / "map").mkdir()
    for seed in range(6):
        still = FrameOfJpeg(die_stage().frame([Rest(300, 200)], seed).tobytes())
        told = shown.look(still, seed / 10)
    elsewhere = FrameOfJpeg(die_stage().frame([Rest(340, 200)], 9).tobytes())
    assert shown.look(elsewhere, 0.45) == told
    assert shown.look(elsewhere, 0.6) != told


def test_a_picture_of_another_size_is_told_and_nothing_is_lost(
    client: TestClient, folder: Path
) -> None:
    name = begun(client)
    show(client, name, Rest(300, 200))
    small = cv2.imencode(".jpg", np.full((100, 100, 3), 90, np.uint8))[1].tobytes()
    answer = client.post(
        "/live/frame", params={"session": "0123456789abcdef", "mosaic": name}, content=small
    )
    assert answer.status_code == 400
    assert "another size" in answer.json()["error"]
    assert len(client.get("/live/mosaic", params={"name": name}).json()["tiles"]) == 1


def test_ways_are_told_in_words() -> None:
    assert way_of((0.7, 0.1)) == "right"
    assert way_of((-0.5, -0.5)) == "up and left"
    assert way_of((0.0, 0.6)) == "down"
    assert way_of(None) == ""
