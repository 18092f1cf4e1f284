"""One person at the workbench in a real browser: acts on its pages, and writes down what they told.

Only what a page answered counts as kept: a value goes into the ledger once the workbench said so.
"""

from __future__ import annotations

import asyncio
import io
import json
import random
import re
from collections import Counter
from collections.abc import Coroutine
from dataclasses import dataclass, field
from urllib.parse import parse_qs, urlsplit

import numpy as np
from PIL import Image
from playwright.async_api import Browser, Page, Request, Response, expect

SHARED_PHOTO = "captures/scale.png"
PATIENCE_MS = 120_000
"""What the machine may take for one thing: others use it as well."""
SETTLES_MS = 1500
"""After the last arrow key a moved point is handed over within half of that."""
MOST_CLAIMS, MOST_MARKS, MOST_PHOTOS = 8, 25, 15
"""Of one person at a time, so that the bench stays one that people have."""
POINTINGS = ("0.4", "0.001", "1.5", "2 0.7")

BUSY = "is being written by another program"
"""What a person is told, and nothing is written, who waited half a minute for others to write."""
MARKS_WRITTEN_AT = ("/capture/mark", "/capture/mark/change", "/capture/unmark")

Kept = tuple[str, tuple[tuple[float, ...], ...], tuple[float, ...]]


@dataclass
class Ledger:
    """What the workbench told one person."""

    marks: dict[str, Kept] = field(default_factory=dict)
    """Id, and photo, points and pointing as they were handed over."""
    claims: list[str] = field(default_factory=list)
    notes: dict[str, str] = field(default_factory=dict)
    """Place of a table of one's own, and its note."""
    photos: list[bytes] = field(default_factory=list)
    titles: list[tuple[str, str]] = field(default_factory=list)
    """Saved titles of the bench, which all share: the one that it was put in place of, and it."""
    offers: list[tuple[str, str]] = field(default_factory=list)
    """The same of the claims of the instrument that all share; "" for none."""
    told: Counter[str] = field(default_factory=Counter)
    conflicts: int = 0
    troubles: list[str] = field(default_factory=list)


class Visitor:
    """A person in a browser profile of their own, who owns instrument and capture `number`."""

    def __init__(self, address: str, number: int, shared: int, pause_s: float) -> None:
        self.ledger = Ledger()
        self.number = number
        self.idle = asyncio.Event()
        self._address = address
        self._shared = shared
        self._pause_s = 0.8 * pause_s, 1.2 * pause_s
        self._rng = random.Random(number)
        self._count = 0
        self._heeding: set[asyncio.Task[None]] = set()
        self._asked: set[Request] = set()
        self.page: Page

    async def enter(self, browser: Browser, entry: str) -> str:
        """Come in by an address that lets in once; returns one for somebody else."""
        context = await browser.new_context(viewport={"width": 1100, "height": 800})
        self.page = await context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.page.on("pageerror", lambda error: self._trouble(f"script: {error}"))
        self.page.on("response", self._look)
        self.page.on("request", self._ask)
        self.page.on("requestfinished", lambda one: self._asked.discard(one))
        self.page.on("requestfailed", lambda one: self._asked.discard(one))
        await self.page.goto(entry)
        await self.page.get_by_role("button", name="Let in another browser").click()
        return await self.page.get_by_label("The address").input_value()

    def _trouble(self, words: str) -> None:
        self.ledger.troubles.append(words)

    def _ask(self, request: Request) -> None:
        if request.method == "POST":
            self._asked.add(request)

    def _look(self, answer: Response) -> None:
        path = urlsplit(answer.url).path
        gone = answer.status == 400 and path == "/edit/table" and answer.request.method == "GET"
        if answer.status >= 400 and answer.status != 409 and not gone:
            self._later(self._tell(answer))
        elif answer.request.resource_type == "fetch" and path in MARKS_WRITTEN_AT:
            self._heed(answer)

    async def work(self, going: asyncio.Event, ended: asyncio.Event) -> None:
        """Act, at a person's pace, while it is going and until it has ended."""
        acts = [(self.mark, 6), (self.move, 3), (self.back, 2), (self.unmark, 1), (self.numbers, 2),
                (self.note, 3), (self.claim, 2), (self.reword, 2), (self.unclaim, 1),
                (self.photo, 1), (self.title, 3), (self.offer, 3), (self.look, 2)]  # fmt: skip
        names, weights = zip(*acts, strict=True)
        await asyncio.sleep(self._rng.uniform(0, self._pause_s[1]))
        while not ended.is_set():
            self.idle.set()
            await going.wait()
            self.idle.clear()
            act = self._rng.choices(names, weights)[0]
            try:
                self.ledger.told[act.__name__] += bool(await act())
            except Exception as error:  # the study's point: every trouble is told
                self._trouble(f"{act.__name__}: {type(error).__name__}: {str(error)[:300]}")
            self.idle.set()
            await asyncio.sleep(self._rng.uniform(*self._pause_s))
        self.idle.set()

    # ---- marks -----------------------------------------------------------------------------------

    async def _at_photo(self, name: str = "") -> str:
        """Stand at a photo: the one that is open, or one of two."""
        url = urlsplit(self.page.url)
        here = parse_qs(url.query).get("id", [""])[0] if url.path == "/capture" else ""
        if here and not name and self._rng.random() < 0.8:
            return here
        name = name or self._rng.choice([SHARED_PHOTO, self.own_photo])
        await self.page.goto(f"{self._address}/capture?id={name}")
        await self.page.wait_for_selector("#viewer[data-ready=yes]")
        return name

    @property
    def own_photo(self) -> str:
        """The capture that was there from the start and is this person's."""
        return f"captures/own-{self.number}.png"

    def _own_here(self, photo: str) -> list[str]:
        return [id for id, (name, _, _) in self.ledger.marks.items() if name == photo]

    async def mark(self) -> bool:
        """Point at the two ends of a distance with the mouse."""
        if len(self.ledger.marks) >= MOST_MARKS:
            return await self.unmark()
        await self._at_photo()
        await self.page.get_by_role("button", name="Distance").click()
        frame = await self.page.locator("#viewer").bounding_box()
        assert frame is not None
        ends = [(frame["x"] + frame["width"] * self._rng.uniform(low, low + 0.2),
                 frame["y"] + frame["height"] * self._rng.uniform(0.25, 0.75))
                for low in (0.25, 0.55)]  # fmt: skip
        # Handles of others lie on the photo; a click on one of them sets no point.
        await self.page.keyboard.press("Escape")
        await self.page.get_by_role("button", name="Distance").click()
        free = "([x, y]) => !document.elementFromPoint(x, y).closest('.handle, .label')"
        for end in ends:
            if not await self.page.evaluate(free, end):
                return False
        async with self.page.expect_response(_writes_marks) as answer:
            await self.page.mouse.click(*ends[0])
            await self.page.wait_for_timeout(400)
            await self.page.mouse.click(*ends[1])
        await answer.value
        await self.settle()
        return True

    async def move(self) -> bool:
        """Move a point of one's own with the arrow keys."""
        photo = await self._at_photo()
        own = self._own_here(photo)
        if not own:
            return False
        mark = self._rng.choice(own)
        handle = self.page.locator(f'[data-handle="{mark} 0"]')
        high = self.ledger.marks[mark][1][0][1] < 240  # the middle of the photo: none leaves it
        async with self.page.expect_response(_writes_marks) as answer:
            await handle.focus()
            for _ in range(3):
                await self.page.keyboard.press("Shift+ArrowDown" if high else "Shift+ArrowUp")
        await answer.value
        await self.settle()
        return True

    async def back(self) -> bool:
        """Take the last step back."""
        await self._at_photo()
        button = self.page.get_by_role("button", name="Undo")
        if await button.is_disabled():
            return False
        async with self.page.expect_response(_writes_marks) as answer:
            await button.click()
        await answer.value
        await self.settle()
        return True

    async def unmark(self) -> bool:
        """Remove a measurement of one's own in the table."""
        photo = await self._at_photo()
        own = self._own_here(photo)
        if not own:
            return False
        form = self.page.locator(f'#marks-table form:has([value="{self._rng.choice(own)}"])')
        async with self.page.expect_response(_writes_marks) as answer:
            await form.get_by_role("button").click()
        await answer.value
        await self.settle()
        return True

    async def numbers(self) -> bool:
        """Set points and the uncertainty of pointing by their numbers."""
        if len(self.ledger.marks) >= MOST_MARKS:
            return await self.unmark()
        photo = await self._at_photo()
        before = await self._marks_here()
        x, y = self._rng.randrange(0, 200), self._rng.randrange(0, 400)
        points, pointing = (
            ((float(x), float(y)), (x + 100.5, y + 3.25)),
            self._rng.choice(POINTINGS),
        )
        await self.page.get_by_text("Set points by their numbers").click()
        await self.page.get_by_label("Points, in px").fill(" ".join(f"{a},{b}" for a, b in points))
        await self.page.get_by_label("Uncertainty of pointing").fill(pointing)
        await self.page.locator("#mark-note").fill(f"by {self.number}")
        await self.page.get_by_role("button", name="Keep it").click()
        await expect(self.page.get_by_text("The measurement is kept.")).to_be_visible(
            timeout=PATIENCE_MS
        )
        wanted = ([list(one) for one in points], f"by {self.number}")
        (new,) = [one["id"] for one in await self._marks_here()
                  if one["id"] not in {b["id"] for b in before}
                  and (one["points"], one["note"]) == wanted]  # fmt: skip
        self.ledger.marks[new] = (photo, points, _pointing_of(pointing))
        return True

    async def _marks_here(self) -> list[dict[str, object]]:
        held = await self.page.locator("#viewer").get_attribute("data-viewer")
        return list(json.loads(held or "{}")["marks"])

    def _heed(self, answer: Response) -> None:
        """Write down what a step at the viewer was answered, whoever waits for it."""
        form = {key: value[0] for key, value in parse_qs(answer.request.post_data or "").items()}
        if answer.url.endswith("/unmark"):
            self.ledger.marks.pop(form["mark"], None)
            return
        points = tuple(tuple(map(float, one.split(","))) for one in form["points"].split())
        kept = (form["id"], points, _pointing_of(form["pointing"]))
        if "mark" in form:
            self.ledger.marks[form["mark"]] = kept
            return

        async def name_it() -> None:
            self.ledger.marks.setdefault((await answer.json())["id"], kept)

        self._later(name_it())

    def _later(self, work: Coroutine[None, None, None]) -> None:
        task = asyncio.create_task(work)
        self._heeding.add(task)
        task.add_done_callback(self._heeding.discard)

    async def _tell(self, answer: Response) -> None:
        words = " ".join(re.sub("<[^>]*>", " ", await answer.text()).split())
        if BUSY in words:  # told, and nothing is written
            self.ledger.told["turned away, as another one was writing"] += 1
        else:
            self._trouble(f"{answer.status} for {urlsplit(answer.url).path}: {words[-300:]}")

    async def settle(self) -> None:
        """Until all that was done is answered and written down."""
        await self.page.wait_for_timeout(SETTLES_MS)
        while self._asked:
            await asyncio.sleep(0.2)
        await asyncio.gather(*self._heeding)

    # ---- tables ----------------------------------------------------------------------------------

    async def _open(self, place: str) -> None:
        await self.page.goto(f"{self._address}/edit/table?place={place}")

    async def _origin(self, key: str) -> str:
        """What the workbench believes to have shown in a field of the open form."""
        held = await self.page.locator("form.slip [name=origin]").get_attribute("value")
        return str(json.loads(held or "[]")[2].get(key, ""))

    async def _save(self) -> bool:
        """Press the button; False where a conflict was told, and then nothing may be written."""
        words = await self._press("Save")
        if words.startswith("Saved."):
            return True
        if BUSY in words:
            return False
        assert "Nothing is saved yet" in words, words
        self.ledger.conflicts += 1
        return False

    async def _press(self, button: str) -> str:
        """Press a form's button, and read what the page that follows says."""
        async with self.page.expect_navigation():  # the page before may show a conflict as well
            await self.page.get_by_role("button", name=button).click()
        # The form's own remark on text that it found again is none of these.
        told = self.page.locator("main > p.said:first-child, div.trouble, main > h1 + p")
        return await told.first.inner_text()

    def _text(self, what: str) -> str:
        self._count += 1
        return f"{what} {self._count} of {self.number}"

    def _value(self) -> str:
        self._count += 1
        return f"{1 + self.number}.{self._count:05d} mm"

    async def note(self) -> bool:
        """A note on one's own instrument or capture."""
        place = self._rng.choice([f"instrument.{self.number}", f"capture.{1 + self.number}"])
        before = self.ledger.conflicts
        text = self._text("note")
        await self._open(place)
        await self.page.get_by_label("Note", exact=True).fill(text)
        if await self._save():
            self.ledger.notes[place] = text
            return True
        if self.ledger.conflicts > before:
            self._trouble(f"a conflict at {place}, which nobody else edits")
        return False

    async def claim(self) -> bool:
        """Add a claim to one's own instrument."""
        if len(self.ledger.claims) >= MOST_CLAIMS:
            return await self.unclaim()
        value = self._value()
        if await self._add_claim(self.number, value):
            self.ledger.claims.append(value)
            return True
        return False

    async def _add_claim(self, instrument: int, value: str) -> bool:
        await self._open(f"instrument.{instrument}")
        await self.page.get_by_role("link", name="Add a claim").click()
        await self.page.get_by_label("Kind").select_option("field width")
        await self.page.get_by_label("Value").fill(value)
        await self.page.get_by_label("Where it is stated").fill("box")
        return await self._save()

    async def reword(self) -> bool:
        """Change a claim of one's own."""
        if not self.ledger.claims:
            return False
        index, value = self._rng.randrange(len(self.ledger.claims)), self._value()
        await self._open(f"instrument.{self.number}.claim.{index}")
        await self.page.get_by_label("Value").fill(value)
        if await self._save():
            self.ledger.claims[index] = value
            return True
        return False

    async def unclaim(self) -> bool:
        """Remove a claim of one's own."""
        if not self.ledger.claims:
            return False
        index = self._rng.randrange(len(self.ledger.claims))
        await self._open(f"instrument.{self.number}.claim.{index}")
        told = await self._press("Remove this claim")
        if BUSY in told:
            return False
        assert told.startswith("Removed:"), told
        del self.ledger.claims[index]
        return True

    # ---- what all edit at once -------------------------------------------------------------------

    async def title(self) -> bool:
        """The bench's title: the form stays open for a while, so that others get in between."""
        await self._open("bench")
        text = self._text("title")
        await self.page.get_by_label("Title").fill(text)
        await self.page.wait_for_timeout(self._rng.randrange(500, 5000))
        before = await self._origin("title")
        saved = await self._save()
        if not saved and self._rng.random() < 0.5:  # told what stands there now, and insists
            before = await self._origin("title")
            await self.page.get_by_label("Title").fill(text)
            saved = await self._save()
        if saved:
            self.ledger.titles.append((before, text))
        return saved

    async def offer(self) -> bool:
        """A claim of the instrument that all share: added, changed or removed; their places move."""
        await self._open(f"instrument.{self._shared}")
        links = self.page.locator("section[aria-labelledby=h-claim] .entries a")
        many = await links.count()
        if many < 3 or (many < MOST_CLAIMS and self._rng.random() < 0.4):
            value = self._value()
            saved = await self._add_claim(self._shared, value)
            if saved:
                self.ledger.offers.append(("", value))
            return saved
        async with self.page.expect_navigation():
            await links.nth(self._rng.randrange(many)).click()
        if not await self.page.locator("form.slip [name=origin]").count():
            words = await self.page.locator("main").inner_text()
            assert "nothing (any more) at this place" in words, words  # removed in between
            return False
        before = await self._origin("value")
        if self._rng.random() < 0.35:
            await self.page.wait_for_timeout(self._rng.randrange(300, 4000))
            told = await self._press("Remove this claim")
            if told.startswith("Removed:"):
                self.ledger.offers.append((before, ""))
                return True
            assert "nothing is removed" in told or BUSY in told, told
            self.ledger.conflicts += 1
            return False
        value = self._value()
        await self.page.get_by_label("Value").fill(value)
        await self.page.wait_for_timeout(self._rng.randrange(300, 4000))
        if await self._save():
            self.ledger.offers.append((before, value))
            return True
        return False

    # ---- photos and looking ----------------------------------------------------------------------

    async def photo(self) -> bool:
        """Hand a small photo over, say what it shows, and file it."""
        if len(self.ledger.photos) >= MOST_PHOTOS:
            return await self.look()
        self._count += 1
        shade = (20 * self.number, self._count % 256, self._count // 256)
        stream = io.BytesIO()
        Image.fromarray(np.full((24, 32, 3), shade, np.uint8)).save(stream, "PNG")
        await self.page.goto(f"{self._address}/captures")
        await self.page.get_by_label("Drop photos and clips").set_input_files(
            {"name": "photo.png", "mimeType": "image/png", "buffer": stream.getvalue()}
        )  # one name for all: each must get a place of its own
        await self.page.get_by_role("button", name="Hand them over").click()
        await self.page.get_by_label("made with").select_option(f"hand-{self.number}|as is")
        await self.page.get_by_label("showing").select_option("chip")
        await self.page.get_by_role("button", name="File them").click()
        await expect(self.page.get_by_text("1 file is filed")).to_be_visible(timeout=PATIENCE_MS)
        self.ledger.photos.append(stream.getvalue())
        return True

    async def look(self) -> bool:
        """Open a page."""
        await self.page.goto(self._address + self._rng.choice(["/", "/captures", "/edit", "/run"]))
        return True

    # ---- looked for again in the page ------------------------------------------------------------

    async def missing_on_pages(self) -> list[str]:
        """What the ledger holds and the pages do not show; nobody may act meanwhile."""
        wrong = []
        for photo in (SHARED_PHOTO, self.own_photo):
            await self._at_photo(photo)
            shown = {one["id"]: one["points"] for one in await self._marks_here()}
            wrong += [f"mark {id} is not on the page of {photo}" for id in self._own_here(photo)
                      if shown.get(id) != [list(p) for p in self.ledger.marks[id][1]]]  # fmt: skip
            rows = await self.page.locator("#marks-table tbody tr").count()
            if rows != len(shown):
                wrong.append(f"{rows} rows for {len(shown)} marks of {photo}")
        for place, text in self.ledger.notes.items():
            await self._open(place)
            found = await self._origin("note")
            if found != text:
                wrong.append(f"{place} shows the note {found!r}, not {text!r}")
        await self._open(f"instrument.{self.number}")
        links = self.page.locator("section[aria-labelledby=h-claim] .entries a")
        claims = [one.removeprefix("field width ") for one in await links.all_inner_texts()]
        if claims != self.ledger.claims:
            wrong.append(f"the claims {claims} are shown, not {self.ledger.claims}")
        await self.page.goto(f"{self._address}/captures")
        shown_photos = await self.page.locator(
            f"section[aria-labelledby=c-hand-{self.number}] img"
        ).count()
        if shown_photos != len(self.ledger.photos) + 1:
            wrong.append(f"{shown_photos} photos are shown, not {len(self.ledger.photos) + 1}")
        return [f"hand {self.number}, page: {line}" for line in wrong]


def _writes_marks(answer: Response) -> bool:
    return urlsplit(answer.url).path in MARKS_WRITTEN_AT


def _pointing_of(text: str) -> tuple[float, ...]:
    """Of both ends: one number stands for all points."""
    values = tuple(map(float, text.split()))
    return values * 2 if len(values) == 1 else values
