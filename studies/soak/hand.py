"""One person at the workbench: does this and that, and writes down what was said to be kept."""

from __future__ import annotations

import html
import io
import random
import re
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import httpx2
import numpy as np
from PIL import Image

PHOTO = "captures/scale.png"
PAUSE_S = (0.15, 0.6)
"""Between two acts: people are slower; this keeps the machine usable."""
MOST_CLAIMS, MOST_MARKS, MOST_PHOTOS = 12, 40, 25
"""Of one person at a time, so that the bench stays one that people have."""


@dataclass
class Ledger:
    """What the workbench said it keeps, for one person."""

    marks: dict[str, tuple[float, ...]] = field(default_factory=dict)
    claims: list[str] = field(default_factory=list)
    note: str = ""
    photos: list[bytes] = field(default_factory=list)
    told: Counter[str] = field(default_factory=Counter)
    troubles: list[str] = field(default_factory=list)


class Hand:
    """A person with a browser of their own, who edits instrument number `number`."""

    def __init__(self, address: str, entry: str, number: int, folder: Path) -> None:
        self.ledger = Ledger()
        self._number = number
        self._folder = folder
        self._rng = random.Random(number)
        self._count = 0
        self._client = httpx2.Client(
            base_url=address, headers={"origin": address}, timeout=60, follow_redirects=False
        )
        answer = self._client.get("/", params={"token": entry})
        assert answer.status_code == 303, answer.text

    def work(self, until: float) -> None:
        """Go on until then."""
        acts = [(self.mark, 5), (self.move, 3), (self.unmark, 2), (self.note, 4), (self.claim, 3),
                (self.reword, 3), (self.unclaim, 1), (self.photo, 1), (self.look, 6)]  # fmt: skip
        names, weights = zip(*acts, strict=True)
        while time.monotonic() < until:
            act = self._rng.choices(names, weights)[0]
            try:
                self.ledger.told[act.__name__] += bool(act())
            except Exception as error:  # the study's point: every trouble is told
                self.ledger.troubles.append(f"{act.__name__}: {type(error).__name__}: {error}")
            time.sleep(self._rng.uniform(*PAUSE_S))
        self._client.close()

    # ---- marks -----------------------------------------------------------------------------------

    def mark(self) -> bool:
        """Keep a measurement by hand."""
        if len(self.ledger.marks) >= MOST_MARKS:
            return self.unmark()
        points = self._points()
        told = self._post("/capture/mark", self._in_form(points))
        self.ledger.marks[told.json()["id"]] = points
        return True

    def move(self) -> bool:
        """Move the points of one's own."""
        if not self.ledger.marks:
            return False
        mark, points = self._rng.choice(list(self.ledger.marks)), self._points()
        self._post("/capture/mark/change", {**self._in_form(points), "mark": mark})
        self.ledger.marks[mark] = points
        return True

    def unmark(self) -> bool:
        """Remove one's own."""
        if not self.ledger.marks:
            return False
        mark = self._rng.choice(list(self.ledger.marks))
        self._post("/capture/unmark", {"id": PHOTO, "mark": mark})
        del self.ledger.marks[mark]
        return True

    def _points(self) -> tuple[float, ...]:
        x, y = self._rng.randrange(0, 200), self._rng.randrange(0, 400)
        return (float(x), float(y), float(x + self._rng.randrange(50, 300)), float(y))

    @staticmethod
    def _in_form(points: tuple[float, ...]) -> dict[str, str]:
        x0, y0, x1, y1 = points
        return {
            "id": PHOTO,
            "kind": "distance",
            "points": f"{x0},{y0} {x1},{y1}",
            "pointing": "0.5",
        }

    # ---- tables ----------------------------------------------------------------------------------

    def note(self) -> bool:
        """Write a note on one's own instrument."""
        self._count += 1
        text = f"hand {self._number}, note {self._count}"
        if self._save(f"instrument.{self._number}", {"note": text}):
            self.ledger.note = text
            return True
        return False

    def claim(self) -> bool:
        """Add a claim."""
        if len(self.ledger.claims) >= MOST_CLAIMS:
            return self.unclaim()
        value = self._value()
        given = {"kind": "field width", "value": value, "where": "box"}
        if self._save(f"instrument.{self._number}.claim.new", given):
            self.ledger.claims.append(value)
            return True
        return False

    def reword(self) -> bool:
        """Change one of one's own claims; others shift places meanwhile."""
        if not self.ledger.claims:
            return False
        index, value = self._rng.randrange(len(self.ledger.claims)), self._value()
        if self._save(f"instrument.{self._number}.claim.{index}", {"value": value}):
            self.ledger.claims[index] = value
            return True
        return False

    def unclaim(self) -> bool:
        """Remove one of one's own claims."""
        if not self.ledger.claims:
            return False
        index = self._rng.randrange(len(self.ledger.claims))
        place = f"instrument.{self._number}.claim.{index}"
        answer = self._post("/edit/remove", {"place": place, "origin": self._origin(place)})
        if answer.headers["location"] == f"/edit/table?place=instrument.{self._number}":
            del self.ledger.claims[index]
            return True
        return False

    def _value(self) -> str:
        self._count += 1
        return f"{1 + self._number}.{self._count:04d} mm"

    def _origin(self, place: str) -> str:
        page = self._get("/edit/table", place=place).text
        found = re.search(r'name="origin" value="([^"]+)"', page)
        assert found is not None, page[:300]
        return html.unescape(found[1])

    def _save(self, place: str, given: dict[str, str]) -> bool:
        form = {"place": place, "origin": self._origin(place), **given}
        answer = self._client.post("/edit/table", data=form)
        if answer.status_code == 409:
            return False  # told, and not written
        assert answer.status_code == 303, f"{answer.status_code} {answer.text[:300]}"
        return True

    # ---- photos and looking ----------------------------------------------------------------------

    def photo(self) -> bool:
        """Hand a photo over and file it."""
        if len(self.ledger.photos) >= MOST_PHOTOS:
            return False
        self._count += 1
        shade = np.full(
            (24, 32, 3), (self._number, self._count % 256, self._count // 256), np.uint8
        )
        stream = io.BytesIO()
        Image.fromarray(shade).save(stream, "PNG")
        batch = self._post("/upload/begin", {}).json()["batch"]
        name = f"hand-{self._number}.png"  # one name for all: each must get a place of its own
        answer = self._client.post(
            "/upload/file", params={"batch": batch, "name": name}, content=stream.getvalue()
        )
        assert answer.status_code == 200, answer.text
        form = {"batch": batch, "shown": "0", "take-0": "on", "object-0": "chip",
                "place-0": f"hand-{self._number}|as is"}  # fmt: skip
        answer = self._client.post("/incoming", data=form)
        filing = answer.headers.get("location", "")
        for _ in range(120):  # a busy machine: the filing has a page of its own
            if answer.status_code == 200 or "/filing" in answer.headers.get("location", ""):
                time.sleep(0.5)
                answer = self._get(filing, check=False)
        assert answer.headers.get("location") == "/captures", answer.text[:300]
        self.ledger.photos.append(stream.getvalue())
        return True

    def look(self) -> bool:
        """Open a page or a picture."""
        address = self._rng.choice([
            "/", "/captures", f"/capture?id={PHOTO}", "/edit", "/api/marks", "/marks.csv",
            f"/tile?id={PHOTO}&level=9&x=0&y=0", f"/thumb?id={PHOTO}", f"/capture/marks?id={PHOTO}",
        ])  # fmt: skip
        self._get(address)
        return True

    def _get(self, address: str, check: bool = True, **query: str) -> httpx2.Response:
        answer = self._client.get(address, params=query or None)
        if check:
            assert answer.status_code == 200, f"{address}: {answer.status_code} {answer.text[:300]}"
        return answer

    def _post(self, address: str, form: dict[str, str]) -> httpx2.Response:
        answer = self._client.post(address, data=form, headers={"accept": "application/json"})
        told = f"{address}: {answer.status_code} {answer.text[:300]}"
        assert answer.status_code in (200, 303), told
        return answer
