"""The live page in a real browser, whose camera films a ruled scale of known size."""

from __future__ import annotations

import io
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("playwright.sync_api")

from PIL import Image
from playwright.sync_api import Browser, Page, Route, expect
from tests.web.browser import CHROMIUM, Watched, chromium
from tests.web.conftest import Served
from tests.web.fake_camera import HEIGHT, PIXEL_SIZE_UM, WIDTH, film_scale

from glassay.bench.document.read import load_bench
from glassay.imaging.clip import open_clip

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="Chromium is not installed"),
]


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    film = film_scale(tmp_path_factory.mktemp("film") / "scale.y4m", frames=24)
    with chromium(film) as started:
        yield started


Serve = Callable[[Path], Served]
REFUSED = "responded with a status of"


def patient(route: Route) -> None:
    """The page, which does not take a busy machine for a camera that has stopped, nor for a scale that
    went out of view."""
    script = route.fetch().text()
    for one in ("STALLED_MS = 3000", "SCALE_LASTS_MS = 4000"):
        assert one in script
        script = script.replace(one, one.partition("=")[0] + "= 300000")
    route.fulfill(body=script, content_type="text/javascript")


@pytest.fixture(autouse=True)
def _a_scale_lasts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("glassay.web.watch.SCALE_LASTS_S", 300.0)


def watching(browser: Browser, served: Served, *, planes: bool = False) -> Watched:
    """The live page, its camera started. The driver keeps all that a page sends, and a script that is
    changed on the way leads every request through it: frames go as JPEGs, a tenth as large, unless
    `planes` are wanted."""
    watched = Watched(browser, served.address, viewport={"width": 1280, "height": 900})
    if not planes:
        watched.page.add_init_script("delete window.VideoFrame")
    watched.page.route(re.compile(r"/live\.js"), patient)
    watched.page.goto(served.entry)
    watched.page.goto(served.address + "/live")
    watched.page.get_by_role("button", name="Start the camera").click()
    return watched


def take(watched: Watched, button: str, said: str) -> None:
    """Take photos, again where the page says so: the film's few frames come round, and one that is
    filed already is refused."""
    page = watched.page
    pressed, guide = page.get_by_role("button", name=button), page.locator("#guide")
    for _ in range(5):
        pressed.click()
        expect(pressed).to_be_enabled()  # it is not while they are taken and filed
        if said in guide.inner_text():
            return
        expect(guide).to_contain_text("is filed already")
        watched.until(
            lambda: any(REFUSED in one for one in watched.troubles)
        )  # the browser says so
        (told,) = (one for one in watched.troubles if REFUSED in one)
        watched.troubles.remove(told)
    pytest.fail(f"{button}: {guide.inner_text()}")


def test_the_live_microscope_is_measured_and_photographed(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    served = serve(folder)
    watched = watching(browser, served)
    page = watched.page
    page.wait_for_selector("#live[data-seen=scale]")
    told = page.locator("#m-pixel").inner_text()
    assert float(told.split()[0]) == pytest.approx(PIXEL_SIZE_UM, rel=0.002)
    expect(page.locator("#m-delivered")).to_contain_text("1280 × 720")
    expect(page.locator("#m-delivered")).to_contain_text("frames/s")
    for button, said in (("Take a photo", "Photo filed."), ("Repeat pair", "Repeat pair filed.")):
        take(watched, button, said)
    with page.expect_response(re.compile("piece=1")):  # two seconds of it have come
        page.get_by_role("button", name="Endurance run").click()
    track = "document.getElementById('video').srcObject.getTracks()[0]"
    page.evaluate(f"{track}.dispatchEvent(new Event('ended'))")
    expect(page.locator("#taken li")).to_have_count(3)
    captures = load_bench(folder).captures[-3:]
    assert [len(one.files) for one in captures] == [1, 2, 1]
    assert captures[2].files[0].endswith(".webm")
    assert captures[2].note.endswith("the camera was gone")
    assert watched.troubles == []


def test_a_focus_run_and_a_clip_are_taken_into_the_bench(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    served = serve(folder)
    watched = watching(browser, served)
    page = watched.page
    expect(page.locator("#m-delivered")).to_contain_text("frames/s")
    page.get_by_role("button", name="Focus run").click()
    expect(page.locator("#taken li")).to_have_count(1)
    with page.expect_response(re.compile("piece=1")):
        page.get_by_role("button", name="Record a clip").click()
    page.get_by_role("button", name="Stop recording").click()
    expect(page.locator("#taken li")).to_have_count(2)
    run, clip = load_bench(folder).captures[-2:]
    assert len(run.files) == 12
    assert len({(folder / name).read_bytes() for name in run.files}) > 1
    assert clip.files[0].endswith(".webm")
    facts = open_clip(folder / clip.files[0]).facts
    assert (facts.width, facts.height) == (1280, 720)
    assert watched.troubles == []


def bar_um_per_px(page: Page) -> float:
    """What a px of the screen is by the bar that is drawn: its words over its length."""
    shot = np.asarray(Image.open(io.BytesIO(page.locator("#burn").screenshot())).convert("L"))
    white = shot > 250
    run = max(
        (len(part) for row in white[shot.shape[0] // 2 : -2] for part in
         re.findall("1+", "".join("01"[int(one)] for one in row))), default=0,
    )  # fmt: skip
    assert run > 40, "no bar is drawn"
    # The longest of 1, 2 or 5 times a power of ten that fits into a quarter of the field.
    return 500.0 / run


@pytest.mark.parametrize("box", [(900, 300), (300, 600)])
def test_the_bar_is_as_long_as_the_picture_has_it_however_that_is_letterboxed(
    browser: Browser, serve: Serve, folder: Path, box: tuple[int, int]
) -> None:
    page = watching(browser, serve(folder)).page
    page.wait_for_selector("#live[data-seen=scale]")
    page.evaluate(
        """([w, h]) => {
            document.querySelector(".stage").style.width = `${w}px`;
            const video = document.getElementById("video").style;
            Object.assign(video, {height: `${h}px`, maxHeight: "none", visibility: "hidden"});
        }""", list(box),
    )  # fmt: skip
    shown = min(box[0] / WIDTH, box[1] / HEIGHT)
    page.wait_for_timeout(300)
    assert bar_um_per_px(page) == pytest.approx(PIXEL_SIZE_UM / shown, rel=0.02)


def test_a_live_scale_goes_with_its_object_its_setting_and_its_camera(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    watched = watching(browser, serve(folder))
    page = watched.page
    pixel, field = page.locator("#m-pixel"), page.locator("#m-field")
    drawn = """() => document.getElementById("burn").getContext("2d")
        .getImageData(0, 0, 1280, 720).data.some((one) => one > 0)"""
    choose = """(id, one) => {
        document.getElementById(id).value = one;
        document.getElementById(id).dispatchEvent(new Event("change"));
    }"""
    for act in (
        f"({choose})('object', 'bare')", f"({choose})('place', 'pad|far')",
        "document.getElementById('start').click()",  # it stops the camera
    ):  # fmt: skip
        page.wait_for_selector("#live[data-seen=scale]")
        assert page.evaluate(drawn)
        # In the same moment nothing is told any more; a moment later a new scale may be measured.
        told = page.evaluate(f"""() => {{
            {act};
            return [document.getElementById("m-pixel").textContent,
                document.getElementById("m-field").textContent, ({drawn})()];
        }}""")
        assert told == ["–", "–", False]
        page.get_by_label("It shows", exact=True).select_option("slide")
    page.wait_for_timeout(400)
    expect(pixel).to_have_text("–")  # an answer that came late changes nothing
    expect(field).to_have_text("–")
    assert watched.troubles == []


def another_entry(page: Page) -> str:
    """The address that lets one more browser in, as the workbench's foot gives it."""
    told = page.request.post(page.url.rpartition("/")[0] + "/another",
                             headers={"origin": page.url.rpartition("/")[0]}).text()  # fmt: skip
    return str(re.search(r'readonly value="([^"]+)"', told)[1])  # type: ignore[index]


def test_a_recording_tells_its_true_length_and_why_it_ended_and_is_never_orphaned(
    browser: Browser, serve: Serve, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = serve(folder)
    page = watching(browser, served).page
    expect(page.locator("#m-delivered")).to_contain_text("frames/s")

    def note() -> str:
        return load_bench(folder).captures[-1].note

    # The second piece and all after it are refused; what came before is filed, and no more claimed.
    pieces, end = re.compile(r"recording\?.*piece=[1-9]"), re.compile("recording/end")
    page.route(pieces, lambda route: route.abort("connectionreset"))
    begun = time.monotonic()
    page.get_by_role("button", name="Endurance run").click()
    expect(page.locator("#taken li")).to_contain_text("recorded live for")
    said = note()
    told = re.match(r"recorded live for ([\d.]+) s; a piece of it could", said)
    assert told is not None, said
    # A second went into the piece that was refused, and one more into handing it over again.
    assert float(told[1]) < time.monotonic() - begun - 1.5
    page.unroute(pieces)

    # The end cannot be told at first: it is offered again, and leaving warns meanwhile.
    refused: list[Route] = []
    page.route(end, lambda route: (refused.append(route), route.abort()))
    with page.expect_response(re.compile("piece=0")):
        page.get_by_role("button", name="Record a clip").click()
    page.get_by_role("button", name="Stop the camera").click()
    again = page.get_by_role("button", name="File it again")
    expect(again).to_be_visible()
    assert len(refused) == 1
    asked: list[str] = []
    page.once("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    with page.expect_event("dialog"):
        page.close(run_before_unload=True)
    assert asked == ["beforeunload"]
    page.unroute(end)
    again.click()
    expect(page.locator("#taken li").first).to_contain_text("stopped by hand")
    assert note().endswith("the camera was stopped by hand")

    # A page that is gone while it records leaves what came among the files that wait.
    page.get_by_role("button", name="Start the camera").click()
    with page.expect_response(re.compile("piece=0")):
        page.get_by_role("button", name="Record a clip").click()
    entry = another_entry(page)
    page.context.close()
    monkeypatch.setattr("glassay.web.recordings.LEFT_AFTER_S", 0.0)
    page = Watched(browser, served.address).page
    page.goto(entry)
    page.goto(served.address + "/captures")
    page.get_by_role("link", name="1 file: say what they show").click()
    expect(page.locator(".confirm li")).to_contain_text(re.compile(r"clip-\d+-\d+\.webm"))


def test_one_frame_is_on_its_way_while_another_is_judged_and_goes_with_what_changed(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    page = watching(browser, serve(folder)).page
    page.wait_for_selector("#live[data-seen=scale]")
    # the answer to one frame is held back until another one is sent, and then its object is changed
    page.evaluate(
        """() => {
            window.sent = [];
            let held = 0;
            const ask = window.fetch;
            window.fetch = async (address, how) => {
                if (!String(address).startsWith("/live/frame")) return ask(address, how);
                const number = window.sent.push(String(address));
                const changed = window.sent.findIndex((one) => one.includes("object=bare"));
                const live = document.getElementById("live");
                if (changed >= 0 && number === changed + 3) live.dataset.sent = "enough";
                const answer = await ask(address, how);
                const pause = () => new Promise((good) => setTimeout(good, 10));
                if (number > 2) return answer;
                while (window.sent.length < 2) await pause();
                held += 1;
                if (held === 1) {
                    const object = document.getElementById("object");
                    object.value = "bare";
                    object.dispatchEvent(new Event("change"));
                }
                while (held < 2) await pause();
                window.shown ??= document.getElementById("m-pixel").textContent;
                return answer;
            };
        }"""
    )
    page.wait_for_selector("#live[data-sent]")
    assert page.evaluate("window.shown") == "–"
    sent = [
        re.search(r"object=(\w+)&fresh=(\d)", one).groups()  # type: ignore[union-attr]
        for one in page.evaluate("window.sent.slice(0, 4)")
    ]
    assert sent == [("slide", "0"), ("slide", "0"), ("bare", "1"), ("bare", "0")]
    page.wait_for_selector("#live[data-seen=frame]")


def test_while_it_records_the_page_leaves_the_processor_to_the_recorder(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    page = watching(browser, serve(folder)).page
    page.wait_for_selector("#live[data-seen]")
    page.get_by_role("button", name="Record a clip").click()
    page.evaluate(
        """() => {
            window.asked = [];
            const ask = window.fetch;
            window.fetch = (address, how) => {
                if (String(address).startsWith("/live/frame")) {
                    window.asked.push(performance.now());
                    if (window.asked.length === 6) document.getElementById("live").dataset.asked = "6";
                }
                return ask(address, how);
            };
        }"""
    )
    page.wait_for_selector("#live[data-asked]")
    page.get_by_role("button", name="Stop recording").click()
    # two were under way when it began, and those after it has ended follow each other closely again
    gaps = np.diff(page.evaluate("window.asked.slice(0, 6)"))[2:]
    assert gaps.min() > 490
    expect(page.locator("#taken li a")).to_have_count(1)


def test_a_browser_that_hands_over_no_planes_sends_jpegs(
    browser: Browser, serve: Serve, folder: Path
) -> None:
    page = watching(browser, serve(folder), planes=True).page
    page.wait_for_selector("#live[data-seen=scale]")
    with page.expect_request(re.compile("/live/frame")) as as_planes:
        pass
    assert "layout=I420" in as_planes.value.url
    page.evaluate("() => { delete window.VideoFrame; }")
    with page.expect_request(
        lambda one: "/live/frame" in one.url and "layout" not in one.url
    ) as as_jpeg:
        pass
    assert as_jpeg.value.headers["content-type"] == "image/jpeg"
    answer = as_jpeg.value.response()
    assert answer is not None
    assert answer.json()["width"] == 1280
