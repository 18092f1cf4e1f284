"""In a real browser: what was written survives a restart, and an upload can be stopped or goes on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api")

from playwright.sync_api import Browser, Route, expect
from tests.bench.slides import draw_slide
from tests.web.browser import CHROMIUM, Watched
from tests.web.conftest import Running, Served

from glassay.bench.document.edit import set_values
from glassay.bench.document.read import load_bench, read_document
from glassay.web.incoming import Incoming

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="Chromium is not installed"),
]

Serve = Callable[..., Served]


def test_a_workbench_that_is_started_anew_finds_the_text_in_the_form(
    browser: Browser, serve: Serve, running: Running, folder: Path
) -> None:
    served = serve(folder)
    page = Watched(browser, served.address).page
    page.goto(served.entry)
    page.goto(served.address + "/edit/table?place=bench")
    page.get_by_label("Title").fill("Written before the restart")
    running.stop_all()
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_text("The workbench does not answer, so nothing is saved")).to_be_visible()
    # Meanwhile somebody writes into another field of the same table.
    text = set_values(read_document(folder), ("bench",), {"note": "from the other one"})
    (folder / "bench.toml").write_text(text)
    again = serve(folder, port=int(served.address.rpartition(":")[2]))
    page.goto(again.entry)
    page.goto(served.address + "/edit/table?place=bench")
    expect(page.get_by_label("Title")).to_have_value("Written before the restart")
    expect(page.get_by_text("is in the form again")).to_be_visible()
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_text("Saved.")).to_be_visible()
    bench = load_bench(folder)
    assert (bench.title, bench.note) == ("Written before the restart", "from the other one")
    page.goto(served.address + "/edit/table?place=bench")
    expect(page.get_by_label("Title")).to_have_value("Written before the restart")
    expect(page.get_by_text("is in the form again")).to_have_count(0)


def test_an_upload_goes_on_after_an_interruption_and_can_be_stopped(
    browser: Browser, serve: Serve, folder: Path, tmp_path: Path
) -> None:
    served = serve(folder)
    page = Watched(browser, served.address).page
    page.goto(served.entry)
    page.goto(served.address + "/captures")
    photos = [draw_slide(tmp_path / f"s-{n}.png", pixel_size_um=1.2, seed=n) for n in range(3)]
    broken: list[str] = []

    def once(route: Route) -> None:
        if route.request.url not in broken:
            broken.append(route.request.url)
            route.abort("connectionreset")
        else:
            route.continue_()

    page.route("**/upload/file**", once)
    page.get_by_label("Drop photos and clips").set_input_files(photos)
    page.get_by_role("button", name="Hand them over").click()
    expect(page.get_by_role("heading", name="What do these show?")).to_be_visible()
    assert len(broken) == 3
    ((_, count),) = Incoming(folder.resolve()).batches()
    assert count == 3
    page.get_by_role("button", name="File none of them").click()
    page.unroute("**/upload/file**")
    held: list[Route] = []
    page.route("**/upload/file**", lambda route: held.append(route))
    page.get_by_label("Drop photos and clips").set_input_files(photos)
    page.get_by_role("button", name="Hand them over").click()
    expect(page.get_by_role("progressbar", name="Handed over so far")).to_be_visible()
    page.get_by_role("button", name="Stop").click()
    expect(page.get_by_text("Stopped; nothing was handed over.")).to_be_visible()
    assert Incoming(folder.resolve()).batches() == []
