"""The live mosaic in a real browser, whose camera films a die while a hand moves it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("playwright.sync_api")

from playwright.sync_api import Dialog, expect
from tests.web.browser import CHROMIUM, Watched, chromium
from tests.web.conftest import Served
from tests.web.fake_camera import film_stage

from glassay.bench.document.read import load_bench
from glassay.simulate import Camera, Die, Optics
from glassay.simulate.stage import MovedStage, Rest

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="Chromium is not installed"),
]

TINT = (84, 176)
COLOURS = """async () => {
    const mean = (picture, width, height) => {
        const canvas = Object.assign(document.createElement("canvas"), {width, height});
        const pen = canvas.getContext("2d");
        pen.drawImage(picture, 0, 0, width, height);
        const px = pen.getImageData(0, 0, width, height).data;
        const sum = [0, 0, 0];
        for (let n = 0; n < px.length; n += 4) for (let c = 0; c < 3; c += 1) sum[c] += px[n + c];
        return sum.map((one) => one / (width * height));
    };
    const name = sessionStorage.getItem("live-mosaic");
    const tile = new Image();
    tile.src = `/live/mosaic/tile?name=${name}&number=2`;
    await tile.decode();
    return [mean(document.getElementById("video"), 640, 360), mean(tile, 240, 135)];
}"""
"""Mean red, green and blue of the picture as the browser shows it, and of a view that was kept."""


def test_a_map_grows_survives_a_reload_and_is_filed(
    serve: Callable[[Path], Served], folder: Path, tmp_path: Path
) -> None:
    camera = Camera(640, 360, colour="grey", read_noise_e=8, jpeg_quality=92)
    stage = MovedStage(
        Die(1000, 500, seed=11, feature_um=3, pad_um=50, heron_um=80), (-510, -260, 510, 260), 1.0,
        camera, Optics(na=0.3),
    )  # fmt: skip
    film = film_stage(tmp_path / "die.y4m", stage, [Rest(380, 250), Rest(600, 255)], 20, TINT)
    served = serve(folder)
    with chromium(film) as browser:
        watched = Watched(browser, served.address, color_scheme="dark")
        page = watched.page
        page.goto(served.entry)
        page.goto(served.address + "/live")
        page.get_by_label("Instrument and setting").select_option("pad|near")
        page.get_by_label("It shows", exact=True).select_option("bare")
        page.get_by_role("button", name="Start the camera").press("Enter")
        begin = page.get_by_role("button", name="Begin a live mosaic")
        expect(begin).to_be_enabled()  # pressing does not wait for it
        begin.press("Enter")
        page.wait_for_selector("#live[data-views='2']")
        expect(page.locator("#map-counts")).to_contain_text("2 views on the map")
        assert watched.faults() == []
        shown, kept = page.evaluate(COLOURS)
        assert np.ptp(shown) > 40  # tinted
        assert np.abs(np.subtract(shown, kept)).max() < 4, (shown, kept)

        # leaving warns; the map is there again afterwards
        asked: list[str] = []

        def leave(dialog: Dialog) -> None:
            asked.append(dialog.type)
            dialog.accept()

        page.once("dialog", leave)
        page.reload()
        assert asked == ["beforeunload"]
        page.wait_for_selector("#live[data-views='2']")
        page.get_by_role("button", name="File its views").press("Enter")
        expect(page.get_by_text("Live mosaic filed")).to_be_visible()
        assert watched.troubles == []
    filed = load_bench(folder).captures[-1]
    assert (filed.instrument, filed.setting, filed.object) == ("pad", "near", "bare")
    assert len(filed.files) == 2
