"""The phone's page in a real browser at the size of a phone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api")

from playwright.sync_api import Browser, Route, expect
from tests.bench.slides import draw_slide
from tests.web.browser import CHROMIUM, Watched
from tests.web.conftest import Served
from tests.web.test_photos_from_the_phone import picture

from glassay.bench.keeping.filing import start_bench
from glassay.web.incoming import Incoming
from glassay.web.phone.serve import PhonePage

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="Chromium is not installed"),
]


def test_photos_are_handed_over_across_an_interruption(browser: Browser, tmp_path: Path) -> None:
    start_bench(tmp_path / "bench")
    slide, apple, large = (tmp_path / name for name in ("eyepiece.png", "IMG_1.heic", "48.jpg"))
    draw_slide(slide, pixel_size_um=1)
    picture(apple)
    picture(large, (8000, 6000))
    photos = [slide, apple, large]
    opened = PhonePage(tmp_path / "bench", "127.0.0.1", 60)
    try:
        watched = Watched(
            browser, f"http://{opened.host}", viewport={"width": 360, "height": 740},
            device_scale_factor=3, is_mobile=True, has_touch=True,
        )  # fmt: skip
        page = watched.page
        page.goto(opened.url)
        assert "token" not in page.url
        failed = []

        def broken(route: Route) -> None:
            if len(failed) < 2:
                failed.append(route.request.url)
                route.abort("connectionreset")
            else:
                route.continue_()

        page.route("**/piece**", broken)
        page.get_by_label("Pick photos or clips").set_input_files(photos)
        expect(page.get_by_role("status")).to_have_text("3 of 3 handed over.")
        assert len(failed) == 2
        expect(page.get_by_role("listitem").first).to_contain_text("handed over")
        second = Watched(browser, f"http://{opened.host}")
        second.page.goto(opened.url)
        expect(second.page.get_by_text("This needs a new code")).to_be_visible()
        incoming = Incoming((tmp_path / "bench").resolve())
        ((batch, count),) = incoming.batches()
        assert count == 3
        kept = {one.named: (one.path.read_bytes(), one.trouble) for one in incoming.waiting(batch)}
        assert kept == {one.name: (one.read_bytes(), "") for one in photos}
        assert [one for one in watched.troubles if "ERR_CONNECTION_RESET" not in one] == []
    finally:
        opened.close()
        opened.wait(60)


def test_the_phone_s_pages_and_the_code_s_are_clear_at_360_px_in_light_and_dark(
    browser: Browser, serve: Callable[..., Served], folder: Path
) -> None:
    opened = PhonePage(folder, "127.0.0.1", 60)
    size = {"width": 360, "height": 740}
    faults = {}

    def look(what: str, watched: Watched) -> None:
        for scheme in ("light", "dark"):
            watched.page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            faults[what, scheme] = watched.faults()
            assert watched.page.evaluate("document.documentElement.scrollWidth") <= 360, what

    try:
        served = serve(folder, phone=opened)
        bench = Watched(browser, served.address, viewport=size)
        bench.page.goto(served.entry)
        bench.page.goto(served.address + "/phone")
        expect(bench.page.get_by_role("img", name="The code holds the address")).to_be_visible()
        look("the code", bench)
        code = bench.page.get_by_label("The address in the code").input_value()
        phone = Watched(
            browser, f"http://{opened.host}", viewport=size, is_mobile=True, has_touch=True
        )
        phone.page.goto(code)
        look("photos are picked", phone)
        phone.page.get_by_label("Pick photos or clips").set_input_files(
            [folder / "captures" / "near.png", folder / "bench.toml"]
        )
        expect(phone.page.get_by_role("listitem")).to_have_count(2)
        expect(phone.page.get_by_role("listitem").first).to_contain_text("handed over")
        look("one was taken, one was not", phone)
        stranger = Watched(browser, f"http://{opened.host}", viewport=size, is_mobile=True)
        stranger.page.goto(code)
        look("a code that was used", stranger)
        bench.page.reload()
        bench.page.get_by_role("link", name="Say what they show").click()
        expect(bench.page.get_by_role("heading", name="What do these show?")).to_be_visible()
        look("what came is named", bench)
    finally:
        opened.close()
        opened.wait(60)
    assert {key: found for key, found in faults.items() if found} == {}
