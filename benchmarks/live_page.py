"""The live page in headless Chromium at 1920 x 1080: how late it tells, and what a recording keeps.

The browser's fake camera shows a film of a ruled scale, 30 frames/s. Late: from when the camera's frame
came into the browser (`captureTime` of its own clock, else when it was put up) to when what it tells is
on the page. Kept: frames of the filed recording over those that the camera put up meanwhile. Camera,
encoder, browser and workbench share the processors here; a real camera leaves them more.
"""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from playwright.sync_api import Browser, Page
from studies.live_mosaic import FULL, Hand, stage_of
from tests.web.browser import Watched, chromium
from tests.web.fake_camera import film_scale, film_stage

from benchmarks.web import served
from glassay.bench.document.read import load_bench
from glassay.imaging.clip import open_clip
from glassay.simulate.stage import Rest

SIZE = (1920, 1080)
WATCHED_S = 20.0
RECORDED_S = 20.0
MOST_LATE_MS = 300.0
BENCH = """[[object]]
id = "slide"
kind = "ruled scale"
division = "10 um"
[[object]]
id = "chip"
kind = "chip"
[[instrument]]
id = "i"
kind = "USB"
price = { list = "99 EUR" }
[[instrument.setting]]
id = "near"
"""
LISTEN = """() => {
    window.late = [];
    const video = document.getElementById("video");
    let drawn = 0, latest = null;
    const see = (now, frame) => {
        latest = frame;
        video.requestVideoFrameCallback(see);
    };
    video.requestVideoFrameCallback(see);
    const copy = VideoFrame.prototype.copyTo;
    VideoFrame.prototype.copyTo = function (...rest) {
        drawn = latest ? latest.captureTime ?? latest.presentationTime : 0;
        return copy.call(this, ...rest);
    };
    const ask = window.fetch;
    window.fetch = async (address, how) => {
        const of = drawn;
        const answer = await ask(address, how);
        if (!String(address).startsWith("/live/frame")) return answer;
        const text = await answer.text();
        // the page has drawn what it was told by the next picture of the screen
        requestAnimationFrame(() => { if (of) window.late.push(performance.now() - of); });
        return new Response(text, {status: answer.status, headers: answer.headers});
    };
}"""


SHOWN = "document.getElementById('video').getVideoPlaybackQuality().totalVideoFrames"


def _watch(page: Page, what: str) -> str:
    page.evaluate("window.late = []")
    before = page.evaluate(SHOWN)
    page.wait_for_timeout(1000 * WATCHED_S)
    found, shown = page.evaluate("window.late"), page.evaluate(SHOWN) - before
    late = np.percentile(found, [50, 95, 100])
    rate = len(found) / WATCHED_S
    return (
        f"  {what}: {len(found)} frames told in {WATCHED_S:.0f} s ({rate:.1f}/s) of {shown} that the"
        f" camera put up, late by"
        f" {late[0]:.0f} ms (median), {late[1]:.0f} (95 %), {late[2]:.0f} (most)"
        f"   target {MOST_LATE_MS:.0f} ms"
    )


def _record(page: Page, folder: Path) -> str:
    page.get_by_role("button", name="Record a clip").click()
    begun, before = time.perf_counter(), page.evaluate(SHOWN)
    page.wait_for_timeout(1000 * RECORDED_S)
    shown, passed = page.evaluate(SHOWN) - before, time.perf_counter() - begun
    page.get_by_role("button", name="Stop recording").click()
    page.locator("#taken li a").first.wait_for(timeout=60_000)
    clip = load_bench(folder).captures[-1]
    frames = open_clip(folder / clip.files[0]).frames()
    times = [one.time_s for one in frames if one.time_s is not None]
    kept = (len(times) - 1) / (times[-1] - times[0])
    steps = np.diff(times)
    return (
        f"  recorded {passed:.0f} s: the camera put up {shown / passed:.1f} frames/s, the clip holds"
        f" {len(times)} frames over {times[-1] - times[0]:.1f} s = {kept:.1f} frames/s; longest gap"
        f" {1e3 * steps.max():.0f} ms ({clip.note})"
    )


def _live(browser: Browser, port: int, thing: str) -> Watched:
    """A page that is let in and sees the camera, which shows `thing`."""
    watched = Watched(browser, f"http://127.0.0.1:{port}")
    page = watched.page
    page.goto(f"{watched.address}/?token=entry")
    page.goto(f"{watched.address}/live")
    page.get_by_label("It shows", exact=True).select_option(thing)
    page.evaluate(LISTEN)
    page.get_by_role("button", name="Start the camera").click()
    page.wait_for_selector("#live[data-seen]")
    return watched


def _scale(root: Path) -> list[str]:
    film = film_scale(root / "scale.y4m", frames=24, size=SIZE)
    folder = _bench(root / "scale")
    with served(folder) as port, chromium(film) as browser:
        watched = _live(browser, port, "chip")
        page = watched.page
        lines = [_watch(page, "no scale asked for")]
        page.get_by_label("It shows", exact=True).select_option("slide")
        page.wait_for_selector("#live[data-seen=scale]")
        lines += [_watch(page, "the scale measured beside"), _record(page, folder)]
        assert not watched.troubles, watched.troubles
    return lines


def _mosaic(root: Path) -> list[str]:
    """A film of a moved stage, 10 frames/s; it begins anew when it ends."""
    kind = FULL[0]
    stage = stage_of(kind)
    rests = [Rest(*one) for one in Hand(kind, stage).targets]
    film = film_stage(root / "stage.y4m", stage, rests)
    folder = _bench(root / "mosaic")
    with served(folder) as port, chromium(film) as browser:
        watched = _live(browser, port, "chip")
        page = watched.page
        page.get_by_role("button", name="Begin a live mosaic").click()
        page.wait_for_selector("#live[data-views]")
        line = _watch(page, "a live mosaic, camera at 10/s")
        counts = page.locator("#map-counts").inner_text()
        assert not watched.troubles, watched.troubles
    return [f"{line} ({counts})"]


def _bench(folder: Path) -> Path:
    (folder / "captures").mkdir(parents=True)
    (folder / "bench.toml").write_text(BENCH)
    return folder


def report() -> str:
    """The printed table."""
    cv2.setNumThreads(1)
    load = os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as folder:
        lines = _scale(Path(folder)) + _mosaic(Path(folder))
    head = (
        f"live page, {SIZE[0]} x {SIZE[1]} (load {load:.1f} before, {os.getloadavg()[0]:.1f} after)"
    )
    return "\n".join([head, *lines])


if __name__ == "__main__":
    print(report())
