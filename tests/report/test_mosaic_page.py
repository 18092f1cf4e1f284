"""A mosaic's page: its tiles make up its picture, and it can be looked at closely without a network."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from tests.web.browser import Watched, chromium

from glassay.cli import program
from glassay.mosaic import PICTURE, MosaicTiles

HIGH, WIDE = 240, 320
TILE = 512


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nine photos of a sheet of noise, as a mosaic with its page."""
    place = tmp_path_factory.mktemp("mosaic")
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 1, (700, 900)).astype(np.float32)
    sheet = np.clip(128 + 130 * cv2.GaussianBlur(noise, (0, 0), 2.0), 0, 255).astype(np.uint8)
    photos = []
    for n in range(9):
        x, y = n % 3 * 230 + int(rng.integers(0, 9)), n // 3 * 172 + int(rng.integers(0, 9))
        photos.append(place / f"{n}.png")
        cv2.imwrite(str(photos[-1]), sheet[y : y + HIGH, x : x + WIDE])
    words = ["mosaic", *map(str, photos), "--out", str(place / "out"), "--page",
             "--pixel-size", "0.500um"]  # fmt: skip
    done = CliRunner().invoke(program, words)
    assert done.exit_code == 0, done.output
    return place / "out"


def test_a_page_of_the_mosaic_that_was_there_before_is_named(folder: Path, tmp_path: Path) -> None:
    photos = [str(folder.parent / f"{n}.png") for n in range(9)]
    out = tmp_path / "out"
    shutil.copytree(folder, out)

    def drawn(*words: str) -> str:
        asked = ["mosaic", *words, "--out", str(out), "--pixel-size", "0.500um"]
        return CliRunner().invoke(program, asked).output

    assert "before" not in drawn(*photos)  # the same once more: the page is of it
    told = drawn(*photos[:6])
    assert "index.html there shows the mosaic that was there before: --page writes it anew" in told
    assert "before" not in drawn(*photos, "--page")


def test_the_tiles_make_up_the_picture(folder: Path) -> None:
    """Canonical addresses: IIIF Image API 3.0, section 4.7."""
    picture = MosaicTiles(folder / PICTURE)
    width, height = picture.size
    whole = np.zeros((height, width, 3), np.uint8)
    count = 0
    for file in (folder / "tiles").glob("*,*/*,*/0/default.jpg"):
        x, y, w, h = map(int, file.parents[2].name.split(","))
        across, down = map(int, file.parents[1].name.split(","))
        pixels = cv2.imread(str(file))
        assert pixels.shape[:2] == (down, across)
        if (across, down) == (w, h):
            whole[y : y + h, x : x + w] = pixels[..., ::-1]
            count += 1
    assert count == -(-width // TILE) * -(-height // TILE)
    error = whole.astype(float) - picture.rows(0, 0, height)
    assert np.sqrt((error**2).mean()) < 4  # what JPEG of quality 88 takes from fine noise
    half = -(-width // 2), -(-height // 2)
    assert (folder / f"tiles/full/{half[0]},{half[1]}/0/default.jpg").is_file()


def test_what_the_viewer_is_told_is_the_mosaics_size(folder: Path) -> None:
    page = (folder / "index.html").read_text()
    found = re.search(r'<script type="application/json" id="picture">(.*?)</script>', page)
    assert found is not None
    told = json.loads(found.group(1))
    width, height = MosaicTiles(folder / PICTURE).size
    assert (told["tiles"]["width"], told["tiles"]["height"]) == (width, height)
    assert told["pixel_um"] == 0.5


def test_every_photo_has_its_place_and_how_well_it_is_known(folder: Path) -> None:
    page = (folder / "index.html").read_text()
    table = page[page.index('aria-label="Table: Photos"') :]
    rows = re.findall(r'<tr><th scope="row">(\d+)</th><td>(\S+)</td>(.*?)</tr>', table)
    assert [file for _, file, _ in rows] == [f"{n}.png" for n in range(9)]
    known = [float(re.findall(r'<td class="num">([\d.]+)</td>', rest)[2]) for _, _, rest in rows]
    assert min(known) == 0.0  # the photo in the middle, from which all are counted
    assert 0 < max(known) < 0.5


def test_it_is_looked_at_closely_from_a_folder(folder: Path) -> None:
    failed: list[str] = []
    with chromium() as browser:
        seen = Watched(browser, folder.as_uri())
        seen.page.on("requestfailed", lambda request: failed.append(request.url))
        seen.page.goto((folder / "index.html").as_uri())
        assert seen.faults() == []
        with seen.page.expect_request(re.compile(r"/tiles/.*default\.jpg$")):
            seen.page.click("#look-closer")
        seen.page.click("[data-does=in]")
        seen.page.wait_for_function("document.querySelector('.deep .rule').textContent !== ''")
        for kind in ("borders", "ties"):  # doubt is shown when it is asked for
            drawn = seen.page.locator(f".deep svg .{kind} path").first
            assert drawn.is_hidden()
            seen.page.click(f"[data-of={kind}]")
            assert drawn.is_visible()
            assert seen.page.get_attribute(f"[data-of={kind}]", "aria-pressed") == "true"
        assert seen.faults() == []
        assert (seen.troubles, failed) == ([], [])
