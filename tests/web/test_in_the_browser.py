"""The whole job in a real browser: new bench, captures, run, verdict, compare, export, live."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api")

from playwright.sync_api import Browser, expect
from tests.bench.slides import draw_slide
from tests.web.browser import CHROMIUM, Watched
from tests.web.conftest import Served

from glassay.bench.document.read import load_bench

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="Chromium is not installed"),
]

PAGES = (
    "/", "/instrument?id=pad", "/captures", "/capture?id=captures/near.png",
    "/capture?id=captures/dark.png", "/edit", "/edit/table?place=instrument.0",
    "/edit/table?place=instrument.0.claim.0", "/run", "/side-by-side",
    "/side-by-side?id=captures/near.png&id=captures/far.png", "/live", "/nowhere",
)  # fmt: skip


Serve = Callable[[Path], Served]


def test_from_an_empty_folder_to_a_verdict(browser: Browser, serve: Serve, tmp_path: Path) -> None:
    (tmp_path / "bench").mkdir()
    slide = draw_slide(tmp_path / "pad-slide.png", pixel_size_um=1.25)
    served = serve(tmp_path / "bench")
    watched = Watched(browser, served.address)
    page = watched.page
    page.goto(served.entry)
    assert "token" not in page.url
    page.get_by_label("What is compared").fill("Loan microscopes")
    page.get_by_role("button", name="Start the bench").click()

    page.get_by_role("link", name="Add an instrument").click()
    page.get_by_label("Id").first.fill("pad")
    page.get_by_label("Kind").select_option("screen")
    page.get_by_role("button", name="Save").click()
    page.get_by_role("link", name="Add a claim").click()
    page.get_by_label("Kind").select_option("magnification")
    page.get_by_label("Value").fill("1600x")
    page.get_by_label("Where it is stated").fill("box")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("link", name="magnification 1600x")).to_be_visible()

    page.get_by_role("navigation").get_by_role("link", name="Captures").click()
    page.get_by_label("Drop photos and clips").set_input_files(slide)
    page.get_by_role("button", name="Hand them over").click()
    expect(page.get_by_label("made with")).to_have_value("pad|as is")
    expect(page.get_by_label("showing")).to_have_value("slide")
    page.get_by_role("button", name="File them").click()
    expect(page.get_by_text("1 file is filed")).to_be_visible()

    page.get_by_role("navigation").get_by_role("link", name="Measure").click()
    page.get_by_role("button", name="Measure what is new").click()
    expect(page.get_by_text("Done: ")).to_be_visible(timeout=240_000)
    page.get_by_role("link", name="See the comparison").click()
    expect(page.get_by_text("✗ not met").first).to_be_visible()
    expect(page.get_by_role("cell", name="1.2500")).to_be_visible()
    comments = [line for line in (tmp_path / "bench" / "bench.toml").read_text().splitlines()
                if line.startswith("#")]  # fmt: skip
    assert len(comments) > 50
    assert watched.troubles == []


def test_a_run_survives_leaving_the_page_and_can_be_stopped(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    shutil.rmtree(folder / "results")
    served = serve(folder)
    watched = Watched(browser, served.address)
    page = watched.page
    page.goto(served.entry)
    page.goto(served.address + "/run")
    page.get_by_role("button", name="Measure what is new").click()
    expect(page.get_by_role("progressbar")).to_be_visible()
    page.goto(served.address + "/edit")
    expect(page.get_by_text("measuring")).to_be_visible()
    page.goto(served.address + "/run")
    page.get_by_role("button", name="Stop").click()
    expect(page.get_by_text("Stopped after")).to_be_visible()
    page.get_by_role("button", name="Measure what is new").click()
    expect(page.get_by_text("Done:")).to_be_visible(timeout=240_000)
    assert watched.troubles == []


def test_where_to_look_is_pointed_at_with_the_keyboard(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    served = serve(folder)
    watched = Watched(browser, served.address, viewport={"width": 1280, "height": 900})
    page = watched.page
    page.goto(served.entry)
    page.goto(served.address + "/capture?id=captures/near.png")
    page.wait_for_selector("#viewer[data-ready=yes]")
    canvas = page.locator(".openseadragon-canvas")
    canvas.focus()
    page.wait_for_load_state("networkidle")  # all tiles are there
    page.wait_for_timeout(400)
    watched.drawn()
    upright = canvas.screenshot()
    page.keyboard.press("r")
    page.keyboard.press("f")
    page.wait_for_timeout(400)
    watched.drawn()
    assert canvas.screenshot() == upright, "it was turned or mirrored"
    page.get_by_role("button", name="Where to look").focus()
    page.keyboard.press("Enter")
    page.locator(".openseadragon-canvas").focus()
    page.keyboard.press("Enter")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowDown")
        page.wait_for_timeout(350)
        watched.drawn()
    page.keyboard.press("Enter")
    box = [int(part) for part in page.get_by_label("Look only here").input_value().split(",")]
    assert box[2] > 20
    assert box[3] > 20
    expect(page.get_by_role("button", name="Measure there")).to_be_focused()
    assert watched.troubles == []


RULES = """() => [...document.querySelectorAll(".scale-rule")].map((one) =>
    [one.textContent, Math.round(10 * one.getBoundingClientRect().width) / 10])"""
"""What each scale bar says, and its length, in one moment."""


def test_side_by_side_keeps_one_physical_scale(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    served = serve(folder)
    watched = Watched(browser, served.address, viewport={"width": 1280, "height": 900})
    page = watched.page
    page.goto(served.entry)
    page.goto(served.address + "/side-by-side")
    for name in ("near.png", "far.png"):
        page.get_by_label(name).check()
    page.get_by_role("button", name="Show them").click()
    page.wait_for_selector("#panes[data-ready=yes]")
    page.wait_for_timeout(400)

    def rules() -> list[list[object]]:
        watched.drawn()
        return list(page.evaluate(RULES))

    before = rules()
    assert len(before) == 2
    assert before[0] == before[1]
    panes = page.locator(".pane .viewer")
    frame = panes.nth(0).bounding_box()
    assert frame is not None
    page.mouse.move(frame["x"] + 100, frame["y"] + 100)
    page.mouse.wheel(0, -400)
    watched.until(lambda: rules() != before)
    page.wait_for_timeout(900)
    after = rules()
    assert after[0] == after[1]
    assert after != before
    # Another layout or window keeps um for each px of the screen, and what is in the middle.
    scale = page.locator("#panes").get_attribute("data-per-px")
    guide, middle = page.locator("#guide"), page.get_by_role("link", name="The plate")
    shown, place = guide.inner_text(), (middle.get_attribute("href") or "").partition("&")[2]
    for act in (
        lambda: page.get_by_role("button", name="Wipe").click(),
        lambda: page.set_viewport_size({"width": 700, "height": 600}),
        lambda: page.get_by_role("button", name="Alternate").click(),
        lambda: page.get_by_role("button", name="Beside each other").click(),
        lambda: page.set_viewport_size({"width": 1280, "height": 900}),
    ):
        act()
        page.wait_for_timeout(500)
        assert rules()[0] == rules()[1]
        assert float(page.locator("#panes").get_attribute("data-per-px") or 0) == pytest.approx(
            float(scale or 1), rel=1e-3
        )
    assert guide.inner_text() == shown
    assert (middle.get_attribute("href") or "").partition("&")[2] == place
    page.get_by_role("button", name="Wipe").click()
    page.get_by_role("slider", name="Wipe").fill("30")
    page.get_by_role("button", name="Alternate").click()
    page.wait_for_timeout(1200)
    page.get_by_role("button", name="Beside each other").click()
    address = page.get_by_role("link", name="The plate").get_attribute("href")
    answer = page.request.get(served.address + (address or ""))
    assert answer.headers["content-type"] == "image/png"
    assert len(answer.body()) > 10_000
    assert watched.troubles == []


def test_files_dropped_on_the_page_are_filed_after_a_look(
    browser: Browser, serve: Serve, folder: Path, tmp_path: Path
) -> None:
    served = serve(folder)
    watched = Watched(browser, served.address)
    page = watched.page
    page.goto(served.entry)
    page.goto(served.address + "/captures")
    new = draw_slide(tmp_path / "pad-near-slide.png", pixel_size_um=1.3)
    driver = page.context.new_cdp_session(page)
    for step in ("dragEnter", "dragOver", "drop"):
        driver.send("Input.dispatchDragEvent", {
            "type": step, "x": 300, "y": 300,
            "data": {"items": [], "files": [str(new)], "dragOperationsMask": 1},
        })  # fmt: skip
    page.get_by_role("button", name="File them").click()
    expect(page.get_by_text("1 file is filed")).to_be_visible()
    filed = load_bench(folder).captures[-1]
    assert filed.instrument == "pad"
    assert (folder / filed.files[0]).read_bytes() == new.read_bytes()
    assert watched.troubles == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_serious_accessibility_fault(
    browser: Browser, serve: Serve, folder: Path, scheme: str
) -> None:
    served = serve(folder)
    watched = Watched(browser, served.address, color_scheme=scheme)
    watched.page.goto(served.entry)
    faults = {}
    for path in PAGES:
        watched.page.goto(served.address + path)
        watched.page.wait_for_timeout(150)
        found = watched.faults()
        if found:
            faults[path] = found
    # A form that came back with the field marked, and files that wait.
    page = watched.page
    page.goto(served.address + "/edit/table?place=instrument.0.claim.0")
    page.get_by_label("Value").fill("1600")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("[aria-invalid]")).to_have_count(1)
    faults["a mistake"] = watched.faults()
    page.goto(served.address + "/captures")
    page.get_by_label("Drop photos and clips").set_input_files(folder / "captures" / "far.png")
    page.get_by_role("button", name="Hand them over").click()
    expect(page.get_by_role("heading", name="What do these show?")).to_be_visible()
    faults["waiting"] = watched.faults()
    assert {path: found for path, found in faults.items() if found} == {}


WIDTH_IN_FONT = """([font, letters]) => {
    document.documentElement.style.fontSize = letters;
    const sheet = new CSSStyleSheet();
    if (font) sheet.replaceSync(`* { font-family: "${font}", ${font} !important }`);
    document.adoptedStyleSheets = [sheet];
    return document.documentElement.scrollWidth;
}"""


@pytest.mark.parametrize("width", [320, 360, 640])
def test_nothing_runs_off_a_narrow_screen(
    browser: Browser, serve: Serve, folder: Path, width: int
) -> None:
    # 640 px is 1280 px at 200 % zoom, 320 px at 400 % (WCAG 2.2, 1.4.10); letters of 200 %: 1.4.4.
    served = serve(folder)
    watched = Watched(browser, served.address, viewport={"width": width, "height": 700})
    watched.page.goto(served.entry)
    # The page's fonts may be missing: what a system puts in their place is wider.
    others = ("serif", "sans-serif", "monospace", "DejaVu Sans")
    wide = []
    for path in PAGES:
        watched.page.goto(served.address + path)
        watched.page.wait_for_timeout(100)
        looks = [(font, "100%") for font in ("", *others)]
        for font, letters in [*looks, ("", "200%")] if width == 360 else looks:
            across = watched.page.evaluate(WIDTH_IN_FONT, [font, letters])
            if across > width:
                wide.append((path, font, letters, across))
    assert wide == []


def test_every_page_can_be_read_without_script(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    served = serve(folder)
    watched = Watched(browser, served.address, java_script_enabled=False)
    page = watched.page
    page.goto(served.entry)
    page.goto(served.address + "/capture?id=captures/near.png")
    expect(page.get_by_role("img", name="The photo captures/near.png")).to_be_visible()
    page.goto(served.address + "/side-by-side?id=captures/near.png&id=captures/far.png")
    expect(page.get_by_role("img")).to_be_visible()
    page.goto(served.address + "/edit/table?place=bench")
    page.get_by_label("Title").fill("By hand")
    page.get_by_role("button", name="Save").click()
    assert load_bench(folder).title == "By hand"
    page.goto(served.address + "/live")
    expect(page.get_by_text("The live picture needs script")).to_be_visible()
