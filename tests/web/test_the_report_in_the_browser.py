"""The page that is published, in a browser: for everyone, on any screen, with or without script."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser
from tests.web.browser import Watched

from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import read_results
from glassay.report.write import write_report


@pytest.fixture(scope="module")
def page(measured_bench: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("report")
    write_report(read_results(load_bench(measured_bench)), folder)
    return (folder / "report.html").as_uri()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 360])
def test_it_has_no_serious_accessibility_fault_folded_or_not(
    browser: Browser, page: str, scheme: str, width: int
) -> None:
    size = {"width": width, "height": 800}
    watched = Watched(browser, page, color_scheme=scheme, viewport=size)
    watched.page.goto(page)
    assert watched.faults() == []
    watched.page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert watched.faults() == []
    assert watched.page.evaluate("document.documentElement.scrollWidth") <= width
    assert watched.troubles == []


def test_it_says_and_unfolds_the_same_without_script(browser: Browser, page: str) -> None:
    with_script = Watched(browser, page).page
    without = Watched(browser, page, java_script_enabled=False).page
    for one in (with_script, without):
        one.goto(page)
    said = with_script.locator("main").inner_text()
    assert said == without.locator("main").inner_text()
    folded = without.locator("details:not([open]) > summary").first
    folded.click()
    assert without.locator("main").inner_text() != said
