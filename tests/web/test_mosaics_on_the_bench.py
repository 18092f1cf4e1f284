"""A mosaic of the bench: drawn when it is asked for, shown from its pyramid, and safe to ask for."""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from fastapi.testclient import TestClient
from tests.web.conftest import client_of
from tests.web.mosaics import CAPTURE, bench_of_tiles

from glassay.bench.chip.mosaic_picture import mosaic_picture_of
from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import read_results, run_bench
from glassay.errors import Unusable
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


def test_what_the_bench_placed_is_not_placed_again(
    drawn: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "bench"
    shutil.copytree(drawn, folder, copy_function=shutil.copy2)
    before = _files(_picture(folder))
    picture = mosaic_picture_of(read_results(load_bench(folder)), CAPTURE)
    # what an earlier version kept has no places: they are placed, to the same picture
    replace(picture, placing=None).make(lambda *_: None)
    assert _files(picture.folder) == before

    def place_tiles(*_: object, **__: object) -> None:
        raise AssertionError("placed again")

    monkeypatch.setattr("glassay.mosaic.place_tiles", place_tiles)
    picture.make(lambda *_: None)
    assert _files(picture.folder) == before
    assert "captures/4.png" in before[NUMBERS].decode()
    assert str(tmp_path) not in before[NUMBERS].decode()


def test_a_photo_that_is_changed_while_it_is_drawn_leaves_no_picture(
    drawn: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "bench"
    shutil.copytree(drawn, folder, copy_function=shutil.copy2)
    picture = mosaic_picture_of(read_results(load_bench(folder)), CAPTURE)
    photo = folder / "captures/4.png"

    def change(*_: object) -> None:
        shutil.copyfile(folder / "captures/5.png", photo)

    with pytest.raises(Unusable, match=r"4\.png was changed while it was drawn"):
        picture.make(change)
    assert picture.document() is None
    assert not (picture.folder / PICTURE).exists()


# ---- the picture of its chip -------------------------------------------------------------------------


@pytest.fixture
def bench(drawn: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(drawn, tmp_path / "bench", copy_function=shutil.copy2))


def _files(folder: Path) -> dict[str, bytes]:
    found = (p for p in sorted(folder.rglob("*")) if p.is_file() and p.suffix != ".lock")
    return {str(p.relative_to(folder)): p.read_bytes() for p in found}


def _mark(page: str) -> str:
    found = re.search(r'name="instead" value="([0-9a-f]*)"', page)
    assert found is not None
    return found.group(1)


def test_a_drawn_mosaic_is_made_the_picture_of_its_chip(bench: Path) -> None:
    drawn_files, place = _files(_picture(bench)), bench / "mosaics/piece"
    with client_of(bench) as client:
        waiting = client.get("/die", params={"chip": "piece"}).text
        assert "has no picture yet" in waiting
        assert "/mosaic?id=captures%2F0.png" in waiting
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        assert "Use it as this chip" in page
        told = client.post("/mosaic/use", data={"id": CAPTURE, "instead": _mark(page)}).text
        assert "This is the chip" in told
        assert 'name="instead"' not in told
        assert _files(place) == drawn_files
        assert sorted(p.name for p in place.parent.iterdir()) == ["piece"]
        # the die is looked for in it: this one shows noise, and none
        page = client.get("/die", params={"chip": "piece"}).text
        assert "Look at mosaics/piece and set the four corners of its outline" in page
        # results may be deleted, and be drawn again
        shutil.rmtree(bench / "results")
        run_bench(load_bench(bench), jobs=1)
        mosaic_picture_of(read_results(load_bench(bench)), CAPTURE).make(lambda *_: None)
        assert _files(place) == drawn_files
        assert "This is the chip" in client.get("/mosaic", params={"id": CAPTURE}).text


def test_another_picture_in_its_place_is_said_and_kept(bench: Path) -> None:
    place = bench / "mosaics/piece"
    shutil.copytree(_picture(bench), place)
    numbers = json.loads((place / NUMBERS).read_text(encoding="utf-8"))
    numbers["notes"] = ["of another day"]
    (place / NUMBERS).write_text(json.dumps(numbers), encoding="utf-8")
    before = _files(place)
    with client_of(bench) as client:
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        assert "is another mosaic: of 9 photos, written on " in page
        mark = _mark(page)
        # not without having seen it, nor in the place of what has come meanwhile
        for unseen in ("", "0" * 64):
            answer = client.post("/mosaic/use", data={"id": CAPTURE, "instead": unseen})
            assert answer.status_code == 400
            assert "holds another mosaic than when this page was opened" in answer.text
            assert _files(place) == before
        told = client.post("/mosaic/use", data={"id": CAPTURE, "instead": mark}).text
        kept = re.search(
            r"The one before it is kept in (mosaics/piece until [\d-]+ [\d.]+)\.", told
        )
        assert kept is not None
    assert _files(bench / kept.group(1)) == before
    assert _files(place) == _files(_picture(bench))


def test_what_is_no_whole_mosaic_is_neither_used_nor_replaced(bench: Path, tmp_path: Path) -> None:
    place = bench / "mosaics/piece"
    kept = _picture(bench)
    with client_of(bench) as client:
        # one that is being drawn there, or was broken off
        (place / PICTURE).mkdir(parents=True)
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        assert "holds something else than a whole mosaic" in page
        answer = client.post("/mosaic/use", data={"id": CAPTURE})
        assert answer.status_code == 400
        assert (place / PICTURE).is_dir()
        shutil.rmtree(place)
        # a link, which leads elsewhere
        (tmp_path / "elsewhere").mkdir()
        place.symlink_to(tmp_path / "elsewhere")
        assert client.post("/mosaic/use", data={"id": CAPTURE}).status_code == 400
        assert list((tmp_path / "elsewhere").iterdir()) == []
        place.unlink()
        # what was drawn has lost a part
        next(p for p in (kept / PICTURE / "0/c").rglob("*") if p.is_file()).unlink()
        answer = client.post("/mosaic/use", data={"id": CAPTURE})
        assert answer.status_code == 400
        assert "are lost" in answer.text
        assert list(place.parent.iterdir()) == []
        (kept / NUMBERS).unlink()
        answer = client.post("/mosaic/use", data={"id": CAPTURE})
        assert "is not drawn yet" in answer.text


def test_a_kill_while_it_is_put_in_place_leaves_both_whole(bench: Path) -> None:
    """Between the two renames: the earlier one lies aside, and the next act puts this one in place."""
    place = bench / "mosaics/piece"
    shutil.copytree(_picture(bench), place)
    (place / NUMBERS).write_text("{}", encoding="utf-8")
    before = _files(place)
    script = bench.parent / "killed.py"
    script.write_text(KILLED_BETWEEN)
    done = subprocess.run([sys.executable, script, bench, CAPTURE], timeout=600, check=False)
    assert done.returncode == -signal.SIGKILL
    left = [p for p in place.parent.iterdir() if not p.name.startswith(".")]
    assert [_files(one) for one in left] == [before]
    with client_of(bench) as client:
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        client.post("/mosaic/use", data={"id": CAPTURE, "instead": _mark(page)})
    assert _files(place) == _files(_picture(bench))
    assert _files(left[0]) == before
    assert not [p for p in place.parent.iterdir() if p.name.startswith(".")]


KILLED_BETWEEN = """
import os, signal, sys
from pathlib import Path
from glassay.bench.chip.mosaic_picture import mosaic_picture_of
from glassay.bench.chip.picture_of_chip import in_place, use_as_picture
from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import read_results

bench = load_bench(Path(sys.argv[1]))
rename = Path.rename


def once(path, target):
    rename(path, target)
    os.kill(os.getpid(), signal.SIGKILL)


picture = mosaic_picture_of(read_results(bench), sys.argv[2])
mark = in_place(bench, "piece").mark
Path.rename = once
use_as_picture(bench, "piece", picture, mark)
"""


def test_without_a_scale_it_is_said_why_it_is_not_the_picture(bench: Path) -> None:
    text = (bench / "bench.toml").read_text(encoding="utf-8")
    text = text.replace('near"\nobject = "slide"', 'far"\nobject = "slide"')
    two = 'id = "near"\n[[instrument.setting]]\nid = "far"'
    (bench / "bench.toml").write_text(text.replace('id = "near"', two), encoding="utf-8")
    run_bench(load_bench(bench), jobs=1)
    mosaic_picture_of(read_results(load_bench(bench)), CAPTURE).make(lambda *_: None)
    with client_of(bench) as client:
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        assert "photograph a scale in the same setting" in page
        assert client.post("/mosaic/use", data={"id": CAPTURE}).status_code == 400
    assert not (bench / "mosaics").exists()
