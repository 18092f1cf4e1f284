"""A mosaic of the bench: drawn when it is asked for, shown from its pyramid, and safe to ask for."""

from __future__ import annotations

import json
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from fastapi.testclient import TestClient
from tests.web.conftest import client_of
from tests.web.mosaics import CAPTURE, bench_of_tiles

from glassay.bench.chip.mosaic_picture import mosaic_picture_of
from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import read_results
from glassay.mosaic import NUMBERS, PICTURE, MosaicTiles

TILE = 512


@pytest.fixture(scope="module")
def measured_tiles(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return bench_of_tiles(tmp_path_factory.mktemp("tiles"))


@pytest.fixture(scope="module")
def drawn(measured_tiles: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bench after a person asked for the picture and waited."""
    folder = tmp_path_factory.mktemp("drawn") / "bench"
    shutil.copytree(measured_tiles, folder, copy_function=shutil.copy2)
    with client_of(folder) as client:
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        assert "Draw the picture" in page
        answer = client.post("/mosaic/draw", data={"id": CAPTURE})
        assert "The picture is being drawn" in answer.text
        while client.get("/api/run").json()["word"] == "running":
            time.sleep(0.2)
        assert client.get("/api/run").json()["word"] == "finished"
        assert "Drawn in" in client.get("/run").text
    return folder


@pytest.fixture
def client(drawn: Path) -> Iterator[TestClient]:
    with client_of(drawn) as client:
        yield client


def told_to_the_viewer(page: str) -> dict[str, object]:
    found = re.search(r'<script type="application/json" id="picture">(.*?)</script>', page)
    assert found is not None
    told: dict[str, object] = json.loads(found.group(1))
    return told


def _picture(folder: Path) -> Path:
    return mosaic_picture_of(read_results(load_bench(folder)), CAPTURE).folder


def test_the_captures_page_leads_to_the_mosaic(client: TestClient) -> None:
    page = client.get("/capture", params={"id": CAPTURE}).text
    assert "/mosaic?id=captures%2F0.png" in page


def test_tiles_make_up_the_picture_and_no_other_address_is_answered(
    client: TestClient, drawn: Path
) -> None:
    told = told_to_the_viewer(client.get("/mosaic", params={"id": CAPTURE}).text)
    tiles = told["tiles"]
    assert isinstance(tiles, dict)
    picture = MosaicTiles(_picture(drawn) / PICTURE)
    width, height = picture.size
    assert (tiles["width"], tiles["height"]) == (width, height)
    assert max(width, height) > 2 * TILE  # more than two levels
    whole = np.zeros((height, width, 3), np.uint8)
    for x in range(0, width, TILE):
        for y in range(0, height, TILE):
            w, h = min(TILE, width - x), min(TILE, height - y)
            answer = client.get(f"{tiles['id']}/{x},{y},{w},{h}/{w},{h}/0/default.jpg")
            assert answer.headers["content-type"] == "image/jpeg"
            pixels = cv2.imdecode(np.frombuffer(answer.content, np.uint8), cv2.IMREAD_COLOR)
            assert pixels is not None
            whole[y : y + h, x : x + w] = pixels[..., ::-1]
    error = whole.astype(float) - picture.rows(0, 0, height)
    assert np.sqrt((error**2).mean()) < 4  # what JPEG takes from fine noise
    quarter = -(-width // 4), -(-height // 4)
    least = client.get(f"{tiles['id']}/full/{quarter[0]},{quarter[1]}/0/default.jpg")
    assert least.status_code == 200
    for wrong in ("full/max/0/default.jpg", "1,0,512,512/512,512/0/default.jpg",
                  "0,0,512,512/511,512/0/default.jpg", "99999999,0,512,512/512,512/0/default.jpg",
                  "..%2f..%2fmosaic.json", "info.json"):  # fmt: skip
        assert client.get(f"{tiles['id']}/{wrong}").status_code == 400, wrong
    for name in (
        "0" * 12,
        "../" * 3 + "captures",
        "g" * 12 + "-" + "0" * 40,
        "0" * 12 + "-" + "0" * 40,
    ):
        answer = client.get("/mosaic/whole", params={"name": name})
        assert answer.status_code == 400, name


def test_the_page_says_what_the_mosaic_is(client: TestClient) -> None:
    page = client.get("/mosaic", params={"id": CAPTURE}).text
    told = told_to_the_viewer(page)
    assert told["pixel_um"] == pytest.approx(1.25, rel=2e-3)
    assert "9 of 9 photos have a sure place" in page
    assert "What holds the photos together" in page
    whole = re.search(r'<image href="(.*?)"', page)
    assert whole is not None
    small = client.get(whole.group(1).replace("&amp;", "&"))
    assert small.headers["content-type"] == "image/jpeg"


def test_changed_photos_have_no_picture_until_it_is_drawn_anew(drawn: Path, tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    shutil.copytree(drawn, folder, copy_function=shutil.copy2)
    photo = folder / "captures/4.png"
    pixels = cv2.imread(str(photo), cv2.IMREAD_GRAYSCALE)
    assert pixels is not None
    cv2.imwrite(str(photo), pixels // 2)
    with client_of(folder) as client:
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        assert "is not measured yet" in page
        assert "look-closer" not in page
        assert "Draw" not in page


def test_a_damaged_picture_is_said_and_drawn_anew(drawn: Path, tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    shutil.copytree(drawn, folder, copy_function=shutil.copy2)
    kept = _picture(folder)
    (kept / NUMBERS).write_text("{", encoding="utf-8")
    shutil.rmtree(kept / PICTURE / "0")
    with client_of(folder) as client:
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        assert "cannot be read" in page
        assert "Draw the picture" in page
    older = kept.with_name(f"{kept.name.partition('-')[0]}-{40 * '0'}")
    older.mkdir()
    picture = mosaic_picture_of(read_results(load_bench(folder)), CAPTURE)
    picture.make(lambda *_: None)
    assert (picture.folder / PICTURE / "0" / "zarr.json").is_file()
    assert not older.exists()
    document = picture.document()
    assert document is not None
    assert document.placed == 9


def test_a_picture_that_is_a_link_is_neither_shown_nor_written(drawn: Path, tmp_path: Path) -> None:
    folder, elsewhere = tmp_path / "bench", tmp_path / "elsewhere"
    shutil.copytree(drawn, folder, copy_function=shutil.copy2)
    kept = _picture(folder)
    shutil.move(kept / PICTURE, elsewhere)
    (kept / PICTURE).symlink_to(elsewhere)
    with client_of(folder) as client:
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        assert "is a link" in page
        assert client.get("/mosaic/whole", params={"name": kept.name}).status_code == 400
        assert client.post("/mosaic/draw", data={"id": CAPTURE}).status_code == 400
    assert (elsewhere / "0" / "zarr.json").is_file()


def test_what_is_no_mosaic_is_told(client: TestClient) -> None:
    answer = client.get("/mosaic", params={"id": "captures/scale.png"})
    assert "is no capture of a chip in tiles" in answer.text
    assert client.post("/mosaic/draw", data={"id": "captures/scale.png"}).status_code == 400
    assert client.get("/mosaic", params={"id": "nothing"}).status_code == 400
