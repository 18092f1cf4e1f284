"""`python -m studies.soak.browsers [--minutes 120] [--hands 8]`: people with browsers edit one bench.

Each has a browser profile of its own (contexts of one Chromium), and acts on the pages of
`glassay open` on the loopback address with a pause between; a second program keeps measurements beside.
Every few minutes all of them pause, and what they were told is kept is looked for in the bench's files
and on the pages. Exit status 1 when anything is missing, mixed, or was answered wrongly.
"""

from __future__ import annotations

import argparse
import asyncio
import re
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import psutil
from PIL import Image
from playwright.async_api import async_playwright

from glassay.bench.document.read import load_bench
from glassay.bench.keeping.marks import read_marks
from studies.soak.__main__ import ANOTHER_PROGRAM
from studies.soak.visitor import SHARED_PHOTO, Visitor

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update",
             "--disable-sync"]  # fmt: skip
LOOK_EVERY_S = 300.0


def main() -> None:
    """Soak, look, and tell."""
    parser = argparse.ArgumentParser(prog="python -m studies.soak.browsers", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0, help="how long (at most 180)")
    parser.add_argument("--hands", type=int, default=8, help="browsers at once (at most 12)")
    parser.add_argument("--every", type=float, default=LOOK_EVERY_S, help="s from look to look")
    parser.add_argument("--pause", type=float, default=10.0, help="s from act to act of one person")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as room:
        folder = Path(room) / "bench"
        hands = min(options.hands, 12)
        _make_bench(folder, hands)
        options.seconds, options.hands = 60 * min(options.minutes, 180.0), hands
        sys.exit(asyncio.run(_soak(folder, options)))


def _make_bench(folder: Path, hands: int) -> None:
    (folder / "captures").mkdir(parents=True)
    rng = np.random.default_rng(0)
    lines = ['# kept by nobody in particular\n[bench]\ntitle = "Soak"\n',
             '\n[[object]]\nid = "slide"\nkind = "ruled scale"\ndivision = "10 um"\n',
             '\n[[object]]\nid = "chip"\nkind = "chip"\n']  # fmt: skip
    lines += [f'\n[[instrument]]\nid = "hand-{n}"\nkind = "USB"\n' for n in range(hands)]
    lines.append('\n[[instrument]]\nid = "shared"\nkind = "USB"\n')
    names = [SHARED_PHOTO, *(f"captures/own-{n}.png" for n in range(hands))]
    for name, owner in zip(names, ["shared", *(f"hand-{n}" for n in range(hands))], strict=True):
        lines.append(f'\n[[capture]]\nfile = "{name}"\ninstrument = "{owner}"\nobject = "chip"\n')
        shades = rng.integers(0, 255, (480, 640), dtype=np.uint8)
        Image.fromarray(shades).save(folder / name)
    (folder / "bench.toml").write_text("".join(lines))


async def _soak(folder: Path, options: argparse.Namespace) -> int:
    words = [str(Path(sys.executable).with_name("glassay")), "open", str(folder), "--no-browser"]
    said = folder.parent / "said"
    with said.open("w") as told:
        server = subprocess.Popen(words, stdout=told, stderr=subprocess.STDOUT)
    try:
        entry = _address(said, server)
        return await _visit(folder, entry, options, server)
    finally:
        server.terminate()
        server.wait(30)
        words_said = re.sub(r"token=\S+", "token=...", said.read_text())
        print(f"the workbench itself said:\n{words_said}", flush=True)


def _address(said: Path, server: subprocess.Popen[bytes]) -> str:
    for _ in range(1200):  # a busy machine takes its time
        found = re.search(r"http://127\S+", said.read_text())
        if found:
            return found[0]
        if server.poll() is not None:
            break
        time.sleep(0.25)
    raise SystemExit(f"the workbench did not start: {said.read_text()}")


async def _visit(
    folder: Path, entry: str, options: argparse.Namespace, server: subprocess.Popen[bytes]
) -> int:
    address = entry.partition("/?")[0]
    people = [Visitor(address, number, options.hands, options.pause)
              for number in range(options.hands)]  # fmt: skip
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        for one in people:
            entry = await one.enter(browser, entry)
        program = [
            sys.executable,
            "-c",
            ANOTHER_PROGRAM,
            str(folder),
            str(options.seconds),
            SHARED_PHOTO,
        ]
        another = subprocess.Popen(program, stdout=subprocess.PIPE, text=True)
        going, ended = asyncio.Event(), asyncio.Event()
        going.set()
        working = [asyncio.create_task(one.work(going, ended)) for one in people]
        watch = Watch(folder, people, server)
        until = time.monotonic() + options.seconds
        while time.monotonic() < until:
            await asyncio.sleep(min(options.every, max(0.0, until - time.monotonic())))
            going.clear()
            await asyncio.gather(*(one.idle.wait() for one in people))
            await asyncio.gather(*(one.settle() for one in people))
            await watch.look()
            going.set()
        ended.set()
        await asyncio.gather(*working)
        by_another, _ = another.communicate(timeout=120)
        await watch.look(int(by_another or 0))
        await browser.close()
    return watch.end()


class Watch:
    """Compares what people were told with the bench, and prints a row for each time."""

    def __init__(
        self, folder: Path, people: Sequence[Visitor], server: subprocess.Popen[bytes]
    ) -> None:
        self._folder = folder
        self._people = people
        self._server = psutil.Process(server.pid)
        self._start = time.monotonic()
        self._wrong: list[str] = []
        print(" min   acts  saved  told conflicts  marks claims photos  wrong  server MB, CPU s"
              "  browser MB, CPU s", flush=True)  # fmt: skip

    async def look(self, by_another: int | None = None) -> None:
        """Nobody may act meanwhile; `by_another`: marks of the second program, once it is done."""
        wrong = self._on_disk(by_another)
        for one in self._people:
            wrong += await one.missing_on_pages()
            wrong += [f"hand {one.number}: {words}" for words in one.ledger.troubles]
            one.ledger.troubles = []
        self._wrong += wrong
        self._row()
        for line in wrong:
            print(f"      {line}", flush=True)

    def _on_disk(self, by_another: int | None) -> list[str]:
        text = (self._folder / "bench.toml").read_text()
        data = tomllib.loads(text)
        bench = load_bench(self._folder)  # raises where it is no bench any more
        filed = Counter((self._folder / f).read_bytes() for c in bench.captures for f in c.files)
        marks = {one.id: (one.capture, one.points, one.pointing_px)
                 for one in read_marks(self._folder)}  # fmt: skip
        wrong = [] if text.startswith("# kept by nobody") else ["the comment at the top is gone"]
        for one in self._people:
            ledger, table = one.ledger, data["instrument"][one.number]
            lost = [f"mark {id} is {marks.get(id)}, not {kept}" for id, kept
                    in ledger.marks.items() if marks.get(id) != kept]  # fmt: skip
            claims = [claim["value"] for claim in table.get("claim", [])]
            if claims != ledger.claims:
                lost.append(f"the claims are {claims}, not {ledger.claims}")
            for place, note in ledger.notes.items():
                kind, number = place.split(".")
                found = data[kind][int(number)].get("note", "")
                if found != note:
                    lost.append(f"the note of {place} is {found!r}, not {note!r}")
            lost += [f"a photo is filed {filed[p]} times" for p in ledger.photos if filed[p] != 1]
            wrong += [f"hand {one.number}: {line}" for line in lost]
        own = sum(len(one.ledger.marks) for one in self._people)
        if by_another is not None and len(marks) != own + by_another:
            wrong.append(f"{len(marks)} marks, not {own} and {by_another} of the program")
        photos = sum(len(one.ledger.photos) for one in self._people)
        if len(bench.captures) != photos + len(self._people) + 1:
            wrong.append(f"{len(bench.captures)} captures for {photos} photos filed")
        return wrong + self._shared(data)

    def _shared(self, data: dict[str, list[dict[str, object]]]) -> list[str]:
        """What all edit: each value was put in place of one other, so none was overwritten unseen."""
        wrong = []
        titles = [pair for one in self._people for pair in one.ledger.titles]
        offers = [pair for one in self._people for pair in one.ledger.offers]
        title = str(data["bench"]["title"])  # type: ignore[call-overload]
        claims = data["instrument"][len(self._people)].get("claim", [])
        for what, pairs, first, now in (
            ("titles", titles, ["Soak"], [title]),
            ("claims of all", offers, [], [str(one["value"]) for one in claims]),  # type: ignore[attr-defined]
        ):
            gone = Counter(before for before, _ in pairs if before)
            come = Counter([*first, *(after for _, after in pairs if after)])
            twice = [value for value, times in gone.items() if times > 1]
            if twice:
                wrong.append(f"{what}: {twice} gave way twice, so one edit was overwritten")
            if come - gone != Counter(now):
                wrong.append(f"{what}: {now}, and by what was told {list(come - gone)}")
        return wrong

    def _row(self) -> None:
        acts = sum((one.ledger.told for one in self._people), Counter[str]())
        saved = sum(count for name, count in acts.items() if name != "look")
        ledgers = [one.ledger for one in self._people]
        tree = self._server.parent()
        browser = [p for p in tree.children(recursive=True) if "chrom" in p.name()] if tree else []
        print(f"{(time.monotonic() - self._start) / 60:4.0f} {acts.total():6d} {saved:6d}"
              f" {sum(one.conflicts for one in ledgers):15d}"
              f" {sum(len(one.marks) for one in ledgers):6d}"
              f" {sum(len(one.claims) for one in ledgers):6d}"
              f" {sum(len(one.photos) for one in ledgers):6d} {len(self._wrong):6d}"
              f"  {_mb([self._server]):6.0f} {_cpu([self._server]):9.0f}"
              f"  {_mb(browser):7.0f} {_cpu(browser):9.0f}", flush=True)  # fmt: skip

    def end(self) -> int:
        """Print what was done, and all that was wrong; 1 where anything was."""
        acts = sum((one.ledger.told for one in self._people), Counter[str]())
        print(", ".join(f"{name} {count}" for name, count in sorted(acts.items())))
        print(f"lost, mixed or badly told: {len(self._wrong)}")
        for line in self._wrong[:100]:
            print(f"  {line}")
        return bool(self._wrong)


def _mb(processes: Sequence[psutil.Process]) -> float:
    """Resident memory; pages that processes share count once for each."""
    return sum(_of(one, lambda p: p.memory_info().rss) for one in processes) / 1e6


def _cpu(processes: Sequence[psutil.Process]) -> float:
    return sum(_of(one, lambda p: sum(p.cpu_times()[:2])) for one in processes)


def _of(process: psutil.Process, what: Callable[[psutil.Process], float]) -> float:
    try:
        return float(what(process))
    except psutil.NoSuchProcess:
        return 0.0


if __name__ == "__main__":
    main()
