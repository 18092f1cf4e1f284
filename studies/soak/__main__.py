"""`python -m studies.soak [--minutes 5] [--hands 8]`: several people edit one bench at once.

Beside them a second program keeps measurements by hand in the same bench. At the end all that the
workbench said it keeps is looked for in the bench's own files. Exit status 1 when anything is missing,
mixed, or was answered otherwise than with a page or a conflict.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections import Counter
from pathlib import Path

import numpy as np
import uvicorn
from PIL import Image

from glassay.bench.document.read import load_bench
from glassay.bench.keeping.marks import read_marks
from glassay.web import create_app
from glassay.web.listening import config_of, listen
from studies.soak.hand import PHOTO, Hand

ANOTHER_PROGRAM = """
import sys, time
from pathlib import Path
from glassay.bench.keeping.marks import add_mark, make_mark
until = time.monotonic() + float(sys.argv[2])
count = 0
while time.monotonic() < until:
    count += 1
    mark = make_mark(sys.argv[3], "distance", [(1, count), (90, count)], pointing_px=0.5,
                     note="another program")
    add_mark(Path(sys.argv[1]), mark)
    time.sleep(max(2.0, float(sys.argv[2]) / 100))
print(count)
"""
"""At most about a hundred measurements, however long it takes: one photo holds 500."""


def main() -> None:
    """Soak, look, and tell."""
    parser = argparse.ArgumentParser(prog="python -m studies.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=5.0, help="how long (at most 180)")
    parser.add_argument("--hands", type=int, default=8, help="people at once (at most 16)")
    options = parser.parse_args()
    seconds, hands = 60 * min(options.minutes, 180.0), min(options.hands, 16)
    with tempfile.TemporaryDirectory() as room:
        folder = Path(room) / "bench"
        _make_bench(folder, hands)
        lost = _soak(folder, hands, seconds)
    sys.exit(1 if lost else 0)


def _make_bench(folder: Path, hands: int) -> None:
    (folder / "captures").mkdir(parents=True)
    lines = ['# kept by nobody in particular\n[bench]\ntitle = "Soak"\n',
             '\n[[object]]\nid = "slide"\nkind = "ruled scale"\ndivision = "10 um"\n',
             '\n[[object]]\nid = "chip"\nkind = "chip"\n']  # fmt: skip
    lines += [f'\n[[instrument]]\nid = "hand-{n}"\nkind = "USB"\n' for n in range(hands)]
    lines.append(f'\n[[capture]]\nfile = "{PHOTO}"\ninstrument = "hand-0"\nobject = "slide"\n')
    (folder / "bench.toml").write_text("".join(lines))
    rng = np.random.default_rng(0)
    Image.fromarray(rng.integers(0, 255, (480, 640), dtype=np.uint8)).save(folder / PHOTO)


def _soak(folder: Path, hands: int, seconds: float) -> int:
    listener = listen("127.0.0.1", (0,))
    address = f"http://127.0.0.1:{listener.getsockname()[1]}"
    app = create_app(folder, "first")
    server = uvicorn.Server(config_of(app))
    serving = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    serving.start()
    entries = ["first"]
    people = []
    for number in range(hands):
        people.append(Hand(address, entries[-1], number, folder))
        entries.append(app.state.keys.another_entry())
    words = [sys.executable, "-c", ANOTHER_PROGRAM, str(folder), str(seconds), PHOTO]
    another = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    until = time.monotonic() + seconds
    working = [threading.Thread(target=one.work, args=(until,)) for one in people]
    for one in working:
        one.start()
    for one in working:
        one.join()
    told, _ = another.communicate(timeout=120)
    server.should_exit = True
    serving.join(30)
    return _tell(folder, people, int(told or 0), seconds)


def _tell(folder: Path, people: list[Hand], by_another: int, seconds: float) -> int:
    marks = {mark.id: (*mark.points[0], *mark.points[1]) for mark in read_marks(folder)}
    data = tomllib.loads((folder / "bench.toml").read_text())
    bench = load_bench(folder)  # raises where it is no bench any more
    kept = Counter((folder / name).read_bytes() for c in bench.captures for name in c.files)
    wrong: list[str] = []
    for number, one in enumerate(people):
        ledger, table = one.ledger, data["instrument"][number]
        wrong += [f"hand {number}: {trouble}" for trouble in ledger.troubles]
        wrong += [f"hand {number}: mark {mark} is not as it was kept" for mark, points
                  in ledger.marks.items() if marks.get(mark) != points]  # fmt: skip
        claims = [claim["value"] for claim in table.get("claim", [])]
        if claims != ledger.claims:
            wrong.append(f"hand {number}: claims {claims}, not {ledger.claims}")
        if table.get("note", "") != ledger.note:
            wrong.append(f"hand {number}: note {table.get('note')!r}, not {ledger.note!r}")
        wrong += [f"hand {number}: a photo is filed {kept[p]} times" for p in ledger.photos
                  if kept[p] != 1]  # fmt: skip
    own = sum(len(one.ledger.marks) for one in people)
    if len(marks) != own + by_another:
        wrong.append(f"{len(marks)} marks, not {own} of the hands and {by_another} of the program")
    if not (folder / "bench.toml").read_text().startswith("# kept by nobody"):
        wrong.append("the comment at the top is gone")
    acts = sum((one.ledger.told for one in people), Counter())
    print(f"{len(people)} hands, {seconds / 60:.1f} min, {sum(acts.values())} acts:"
          f" {', '.join(f'{name} {count}' for name, count in sorted(acts.items()))}")  # fmt: skip
    print(f"marks {own} + {by_another} by another program, photos "
          f"{sum(len(one.ledger.photos) for one in people)}; lost, mixed or badly told:"
          f" {len(wrong)}")  # fmt: skip
    for line in wrong[:40]:
        print(f"  {line}")
    return len(wrong)


if __name__ == "__main__":
    main()
