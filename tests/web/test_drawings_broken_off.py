"""A drawing of a mosaic that is killed or stopped: nothing half-written is ever taken for the picture,
and the next drawing is right."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from tests.web.conftest import client_of
from tests.web.mosaics import CAPTURE, bench_of_tiles

from glassay.bench.chip.mosaic_picture import MosaicPicture, mosaic_picture_of
from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import read_results
from glassay.mosaic import NUMBERS, PICTURE, MosaicTiles

SHARD = 512
"""Side of a file of these pictures: sixteen parts instead of three."""

KILLED = """
import os, shutil, signal, sys
from pathlib import Path
from glassay.bench.chip.mosaic_picture import mosaic_picture_of
from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import read_results
from glassay.mosaic import store

folder, capture, shard, what, after = sys.argv[1:]
store.SHARD = int(shard)
os.sched_setaffinity(0, [min(os.sched_getaffinity(0))])  # then it says how far it is after each part


def end(*_):
    os.kill(os.getpid(), signal.SIGKILL)


def half_removed(path, *_, **__):
    os.unlink(Path(path).rglob("written.txt").__next__())
    end()


seen = 0


def progress(said, done, total):
    global seen
    seen += said == what
    if said == what and seen > int(after):
        end()


if what == "removing":
    shutil.rmtree = half_removed
mosaic_picture_of(read_results(load_bench(Path(folder))), capture).make(progress)
"""


@pytest.fixture(scope="module")
def measured_tiles(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return bench_of_tiles(tmp_path_factory.mktemp("tiles"))


@pytest.fixture
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("glassay.mosaic.store.SHARD", SHARD)


@pytest.fixture
def bench(measured_tiles: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(measured_tiles, tmp_path / "bench", copy_function=shutil.copy2))


def picture_of(bench: Path) -> MosaicPicture:
    return mosaic_picture_of(read_results(load_bench(bench)), CAPTURE)


def files_of(folder: Path) -> dict[str, bytes]:
    """The mosaic in a folder, by file; the journal's order may be another."""
    found = [p for p in sorted((folder / PICTURE).rglob("*")) if p.is_file()]
    found = [p for p in found if p.name != "written.txt"]
    return {str(p.relative_to(folder)): p.read_bytes() for p in [folder / NUMBERS, *found]}


@pytest.fixture(scope="module")
def undisturbed(measured_tiles: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("whole") / "bench"
    shutil.copytree(measured_tiles, folder, copy_function=shutil.copy2)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("glassay.mosaic.store.SHARD", SHARD)
        picture = picture_of(folder)
        picture.make(lambda *_: None)
        return files_of(picture.folder)


def kill_a_drawing(bench: Path, what: str, after: int = 0) -> None:
    script = bench.parent / "killed.py"
    script.write_text(KILLED)
    done = subprocess.run(
        [sys.executable, script, bench, CAPTURE, str(SHARD), what, str(after)],
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (-signal.SIGKILL, "")


def assert_no_picture_is_shown(bench: Path) -> None:
    picture = picture_of(bench)
    assert picture.document() is None
    with client_of(bench) as client:
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        assert "Draw the picture" in page
        assert "have a sure place" not in page
        assert client.get("/mosaic/whole", params={"name": picture.name}).status_code == 400
        tile = f"/mosaic/tiles/{picture.name}/0,0,512,512/512,512/0/default.jpg"
        assert client.get(tile).status_code == 400


@pytest.mark.parametrize(("what", "after"), [("picture", 0), ("picture", 7), ("pyramid", 0)])
def test_a_drawing_that_is_killed_is_no_picture_and_the_next_is_right(
    bench: Path, undisturbed: dict[str, bytes], small_parts: None, what: str, after: int
) -> None:
    kill_a_drawing(bench, what, after)
    assert_no_picture_is_shown(bench)
    picture = picture_of(bench)
    picture.make(lambda *_: None)
    assert files_of(picture.folder) == undisturbed


@pytest.mark.parametrize("what", ["removing", "picture"])
def test_a_picture_drawn_anew_and_killed_is_gone_until_it_is_whole_again(
    bench: Path, undisturbed: dict[str, bytes], small_parts: None, what: str
) -> None:
    picture = picture_of(bench)
    picture.make(lambda *_: None)
    kill_a_drawing(bench, what)
    assert_no_picture_is_shown(bench)
    picture.make(lambda *_: None)
    assert files_of(picture.folder) == undisturbed


def test_a_drawing_that_is_stopped_on_the_page_ends_quietly_and_is_gone_on_with(
    bench: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with client_of(bench) as client:
        client.post("/mosaic/draw", data={"id": CAPTURE})
        while client.get("/api/run").json()["status"] not in ("picture", "pyramid"):
            assert client.get("/api/run").json()["word"] == "running"
            time.sleep(0.01)
        client.post("/run/stop")
        page = client.get("/mosaic", params={"id": CAPTURE}).text
        if picture_of(bench).document() is None:
            assert client.get("/api/run").json()["word"] == "stopped"
            assert "Stopped; what was drawn is gone on with" in page
        else:  # the stop came after the last byte: the picture is whole, and shown
            assert "9 of 9 photos have a sure place" in page
        client.post("/mosaic/draw", data={"id": CAPTURE})
        while client.get("/api/run").json()["word"] == "running":
            time.sleep(0.1)
        assert client.get("/api/run").json()["word"] == "finished"
        assert (
            "9 of 9 photos have a sure place" in client.get("/mosaic", params={"id": CAPTURE}).text
        )
    MosaicTiles(picture_of(bench).folder / PICTURE)
    assert capfd.readouterr().err == ""
