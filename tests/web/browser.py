"""Debian's Chromium, driven headless with a profile of its own for each browser."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import ClassVar

from playwright.sync_api import Browser, BrowserContext, Error, Page, expect, sync_playwright

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream",
]  # fmt: skip
PATIENCE_MS = 120_000
"""How long anything may take to appear: no test is decided by how busy the machine is."""
expect.set_options(timeout=PATIENCE_MS)
SLOW_CLICKS = """document.addEventListener("load", () => {
    const settings = window.OpenSeadragon?.DEFAULT_SETTINGS;
    if (settings) settings.clickTimeThreshold = 60000;
}, true);"""
"""A press and its release that a busy machine takes apart are a click all the same."""
AXE = Path(__file__).parent / "vendor" / "axe.min.js"


@contextmanager
def chromium(camera: Path | None = None) -> Iterator[Browser]:
    """A headless browser; `camera` is the film of its fake camera."""
    film = [] if camera is None else [f"--use-file-for-fake-video-capture={camera}"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=[*ARGUMENTS, *film])
        try:
            yield browser
        finally:
            browser.close()


class Watched:
    """A page whose errors and requests elsewhere are collected."""

    opened: ClassVar[list[BrowserContext]] = []
    """Whatever is open: a live page that nobody closes goes on to send its camera's frames."""

    @classmethod
    def close_all(cls) -> None:
        """Close every page, those too whose browser is gone."""
        while cls.opened:
            with suppress(Error):
                cls.opened.pop().close()

    def __init__(self, browser: Browser, address: str, **context: object) -> None:
        self.address = address
        self.troubles: list[str] = []
        self.page: Page = browser.new_context(**context).new_page()  # type: ignore[arg-type]
        self.opened.append(self.page.context)
        self.page.set_default_timeout(PATIENCE_MS)
        self.page.add_init_script(SLOW_CLICKS)
        self.page.on("pageerror", lambda error: self.troubles.append(str(error)))
        self.page.on(
            "console",
            lambda said: self.troubles.append(said.text) if said.type == "error" else None,
        )
        self.page.on("request", lambda request: self._look(request.url))

    def _look(self, url: str) -> None:
        if not url.startswith((self.address, "blob:", "data:")):
            self.troubles.append(f"asked {url}")

    def drawn(self) -> None:
        """Until what was due by now is drawn: viewers move on with the frames of the screen."""
        self.page.evaluate(
            "() => new Promise((good) => requestAnimationFrame(() => requestAnimationFrame(good)))"
        )

    def until(self, so: Callable[[], object]) -> None:
        """Wait until something is so."""
        begun = time.monotonic()
        while not so():
            assert time.monotonic() - begun < PATIENCE_MS / 1000
            self.page.wait_for_timeout(50)

    def faults(self) -> list[str]:
        """Serious accessibility faults that axe-core finds on the page (WCAG 2.2 A and AA)."""
        # The page's own content policy forbids adding scripts; the driver may run them.
        self.page.evaluate(AXE.read_text(encoding="utf-8"))
        found = self.page.evaluate("axe.run(document)")
        return [
            f"{one['id']}: {node['html'][:120]}"
            for one in found["violations"] if one["impact"] in ("serious", "critical")
            for node in one["nodes"]
        ]  # fmt: skip
