"""Measuring by hand in a real browser: nothing jumps, values stand on the photo, steps go back."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api")

from playwright.sync_api import Browser, Page, expect
from tests.web.browser import CHROMIUM, Watched
from tests.web.conftest import Served

from glassay.bench.keeping.marks import read_marks

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="Chromium is not installed"),
]

NEAR, FAR = re.compile(r"(199|200)\.\d"), re.compile(r"2(49|50)\.\d")
"""160 and 200 px of 1.25 um, pointed at to a px of the screen."""

PX_PER_UM = """() => {
    const rule = document.querySelector(".scale-rule");
    return parseFloat(rule.style.width) / parseFloat(rule.textContent);
}"""
"""By the scale bar, whose length is a round number of um."""

Serve = Callable[[Path], Served]


class Photo:
    """The capture's page with its photo of 640 x 480 px of 1.25 um; places in px from its middle."""

    def __init__(self, browser: Browser, served: Served) -> None:
        self.watched = Watched(browser, served.address, viewport={"width": 1280, "height": 900})
        self.page: Page = self.watched.page
        self.page.goto(served.entry)
        self.page.goto(served.address + "/capture?id=captures/near.png")
        self.settle()

    def settle(self) -> None:
        self.page.wait_for_selector("#viewer[data-ready=yes]")
        frame = self.page.locator("#viewer").bounding_box()
        assert frame is not None
        self.scale = min(frame["width"] / 640, frame["height"] / 480)
        self.middle = frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2

    def at(self, x: float, y: float) -> tuple[float, float]:
        return self.middle[0] + x * self.scale, self.middle[1] + y * self.scale

    def click(self, x: float, y: float) -> None:
        self.page.mouse.click(*self.at(x, y))
        self.page.wait_for_timeout(350)  # the next click is no double click

    def labels(self) -> list[str]:
        found = self.page.locator(".label:not(.live)").all_inner_texts()
        return [text.replace("\u202f", " ").replace("\xa0", " ") for text in found]


def test_a_distance_is_pointed_at_dragged_taken_back_and_made_again(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    photo = Photo(browser, serve(folder))
    page = photo.page
    page.evaluate("window.stayed = true")
    page.get_by_role("button", name="Distance").click()
    photo.click(-80, 0)
    page.mouse.move(*photo.at(40, 0))
    # While pointing: 120 px of 1.25 um.
    expect(page.locator(".label.live")).to_contain_text(re.compile(r"1(49|50)\."))
    photo.click(80, 0)
    expect(page.locator(".label:not(.live)")).to_contain_text(NEAR)
    mark = read_marks(folder)[0]
    (x0, y0), (x1, y1) = mark.points
    assert x1 - x0 == pytest.approx(160, abs=2)
    assert (x0 + x1) / 2 == pytest.approx(319.5, abs=1)
    assert (y0 + y1) / 2 == pytest.approx(239.5, abs=1)
    assert mark.pointing_px == pytest.approx((1.5 / photo.scale, 1.5 / photo.scale), rel=0.02)
    # Page, tool and view stay; the next one follows at once. A double click measures nothing.
    assert page.evaluate("window.stayed")
    expect(page.get_by_role("button", name="Distance")).to_have_attribute("aria-pressed", "true")
    page.mouse.dblclick(*photo.at(0, 60))
    page.wait_for_timeout(400)
    assert len(read_marks(folder)) == 1
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Move", exact=True).click()
    # A point is dragged: 40 px farther.
    page.mouse.move(*photo.at(80, 0))
    page.mouse.down()
    page.mouse.move(*photo.at(100, 0), steps=4)
    page.mouse.move(*photo.at(120, 0), steps=4)
    page.mouse.up()
    expect(page.locator(".label:not(.live)")).to_contain_text(FAR)
    expect(page.get_by_role("cell", name=FAR)).to_be_visible()
    assert len(read_marks(folder)) == 1
    page.get_by_role("button", name="Undo").click()
    expect(page.locator(".label:not(.live)")).to_contain_text(NEAR)
    # It survives what reloads the page, as filing and measuring do.
    page.reload()
    photo.settle()
    page.get_by_role("button", name="Redo").click()
    expect(page.locator(".label:not(.live)")).to_contain_text(FAR)
    page.get_by_role("button", name="Undo").click()
    page.get_by_role("button", name="Undo").click()
    expect(page.locator(".label:not(.live)")).to_have_count(0)
    assert read_marks(folder) == ()
    expect(page.get_by_role("button", name="Undo")).to_be_disabled()
    assert photo.watched.troubles == []


def test_each_point_carries_its_zoom_and_a_long_way_the_lens(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    photo = Photo(browser, serve(folder))
    page = photo.page
    page.get_by_role("button", name="Distance").click()
    photo.click(-290, 0)
    before = page.evaluate(PX_PER_UM)
    page.get_by_role("button", name="Closer").click()
    photo.watched.until(lambda: abs(page.evaluate(PX_PER_UM) / before - 1.5) < 1e-3)
    frame = page.locator("#viewer").bounding_box()
    assert frame is not None
    page.mouse.click(frame["x"] + 0.85 * frame["width"], photo.middle[1])
    expect(page.locator(".label:not(.live)")).to_have_count(1)
    first, second = read_marks(folder)[0].pointing_px
    assert first == pytest.approx(1.5 / photo.scale, rel=0.02)
    assert second == pytest.approx(first / 1.5, rel=0.02)
    # Nobody measured this lens: what it may distort over so long a way is in the uncertainty.
    made_of = page.locator("#marks-table tbody td[data-label='made of']")
    expect(made_of).to_contain_text("distortion")
    assert photo.watched.troubles == []


def test_a_pitch_asks_its_count_where_it_was_set(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    photo = Photo(browser, serve(folder))
    page = photo.page
    page.get_by_role("button", name="Pitch").click()
    photo.click(-160, -40)
    photo.click(160, -40)
    asked = page.get_by_label("Steps between them")
    expect(asked).to_be_focused()
    frame, place = asked.bounding_box(), photo.at(160, -40)
    assert frame is not None
    assert abs(frame["y"] - place[1]) < 120
    asked.fill("forty")
    page.keyboard.press("Enter")
    expect(asked).to_have_attribute("aria-invalid", "true")
    asked.fill("40")
    # 320 px of 1.25 um in 40 steps: 10 um, as the slide is divided.
    expect(page.locator(".label.live")).to_contain_text("10.")
    page.keyboard.press("Enter")
    expect(asked).to_have_count(0)
    expect(page.locator(".label:not(.live)")).to_contain_text("10.0")
    assert read_marks(folder)[0].count == 40
    assert photo.watched.faults() == []
    assert photo.watched.troubles == []


def test_points_are_set_moved_and_removed_with_keys_alone(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    photo = Photo(browser, serve(folder))
    page = photo.page
    page.get_by_role("button", name="Distance").focus()
    page.keyboard.press("Enter")
    page.locator(".openseadragon-canvas").focus()
    page.keyboard.press("Enter")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(350)
    page.keyboard.press("Enter")
    expect(page.locator(".label:not(.live)")).to_have_count(1)
    before = read_marks(folder)[0].points
    page.get_by_role("button", name="Move", exact=True).press("Enter")
    handle = page.get_by_role("button", name="Point 2 of measurement 1")
    handle.focus()
    outline = handle.evaluate("(one) => getComputedStyle(one).outlineStyle")
    assert outline == "solid"
    for _ in range(5):
        page.keyboard.press("Shift+ArrowRight")
    expect(page.get_by_role("button", name="Undo")).to_be_enabled()
    far = 50 / photo.scale
    # they are kept once the keys are quiet
    photo.watched.until(lambda: read_marks(folder)[0].points[1][0] - before[1][0] > far - 0.6)
    after = read_marks(folder)[0].points
    assert after[0] == before[0]
    assert after[1][0] - before[1][0] == pytest.approx(far, abs=0.6)
    handle = page.get_by_role("button", name="Point 2 of measurement 1")
    handle.focus()
    page.keyboard.press("Delete")
    expect(page.locator(".label:not(.live)")).to_have_count(0)
    page.keyboard.press("Control+z")
    expect(page.locator(".label:not(.live)")).to_have_count(1)
    # No point leaves the photo.
    assert all(0 <= x + 0.5 <= 640 and 0 <= y + 0.5 <= 480 for x, y in read_marks(folder)[0].points)
    assert photo.watched.troubles == []
