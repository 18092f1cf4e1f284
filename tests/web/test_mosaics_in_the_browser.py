"""A mosaic of the bench in a browser: on any screen, with keys alone, with and without script."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api")

from playwright.sync_api import Browser, Page, expect
from tests.web.browser import CHROMIUM, Watched
from tests.web.conftest import Served
from tests.web.mosaics import CAPTURE, bench_of_tiles

from glassay.bench.chip.mosaic_picture import mosaic_picture_of
from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import read_results

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="Chromium is not installed"),
]

ADDRESS = "/mosaic?id=captures/0.png"


@pytest.fixture(scope="module")
def measured_tiles(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return bench_of_tiles(tmp_path_factory.mktemp("tiles"))


def _rule(page: Page) -> str:
    return page.locator(".deep .rule").inner_text()


def test_it_is_drawn_then_looked_at_by_keys_alone_on_any_screen(
    browser: Browser, serve: Callable[[Path], Served], measured_tiles: Path
) -> None:
    served = serve(measured_tiles)
    watched = Watched(browser, served.address, viewport={"width": 320, "height": 640})
    page = watched.page
    page.goto(served.entry)
    page.goto(served.address + ADDRESS)
    assert watched.faults() == []
    page.get_by_role("button", name="Draw the picture").press("Enter")
    with page.expect_response(re.compile(r"/mosaic/tiles/.*/default\.jpg$")):
        expect(page.locator(".deep canvas").first).to_be_visible()
    before = _rule(page)
    assert before.endswith("µm")

    page.locator(".deep .openseadragon-canvas").focus()
    page.keyboard.down("Equal")
    expect(page.locator(".deep .rule")).not_to_have_text(before)
    page.keyboard.up("Equal")

    for kind in ("Borders", "Pairs"):  # doubt is shown when it is asked for
        button = page.get_by_role("button", name=kind)
        drawn = page.locator(f".deep svg .{'borders' if kind == 'Borders' else 'ties'} path").first
        expect(drawn).to_be_hidden()
        button.press("Enter")
        expect(drawn).to_be_visible()
        expect(button).to_have_attribute("aria-pressed", "true")
    for scheme in ("light", "dark"):
        for width in (320, 1280):
            page.emulate_media(color_scheme=scheme)
            page.set_viewport_size({"width": width, "height": 640})
            assert watched.faults() == [], (scheme, width)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert watched.troubles == []


def test_without_script_the_whole_is_seen_with_its_doubts(
    browser: Browser, serve: Callable[[Path], Served], measured_tiles: Path
) -> None:
    picture = mosaic_picture_of(read_results(load_bench(measured_tiles)), CAPTURE)
    if picture.document() is None:
        picture.make(lambda *_: None)
    served = serve(measured_tiles)
    watched = Watched(
        browser, served.address, java_script_enabled=False, viewport={"width": 320, "height": 640}
    )
    page = watched.page
    page.goto(served.entry)
    with page.expect_response(re.compile("/mosaic/whole")) as asked:
        page.goto(served.address + ADDRESS)
    assert asked.value.ok
    expect(page.locator(".stage .borders path").first).to_be_visible()
    page.get_by_label("show the picture alone").check(force=True)
    expect(page.locator(".stage .borders path").first).to_be_hidden()
    assert watched.troubles == []
