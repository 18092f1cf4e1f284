"""What people do with a bench, as the study of faults has it done: each act in this process.

`prepare` makes the places before the acts; every act takes a copy of its place and must always come
to the same end.
"""

from __future__ import annotations

import html
import re
import shutil
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter

TEXT = """# kept by hand
[bench]
title = "Faults"
[[object]]
id = "slide"
kind = "ruled scale"
division = "10 um"
[[object]]
id = "edge"
kind = "edge"
[[instrument]]
id = "pad"
kind = "USB"
[[instrument.claim]]
kind = "field width"
value = "0.4 mm"
where = "box"
"""
LISTED = '\n[[capture]]\nfile = "captures/{}.png"\ninstrument = "pad"\nobject = "{}"\n'
CONFLICT = 4
"""An edit was told that someone else changed the same meanwhile, and wrote nothing."""
HOST, KEY = "127.0.0.1:8451", "a-key-for-scripts"


def prepare(room: Path) -> None:
    """`empty/` (a bench without captures), `filed/` (with two), `measured/` (and run), and photos to
    be filed and joined in `photos/` and `tiles/`."""
    photos, tiles = room / "photos", room / "tiles"
    photos.mkdir(parents=True)
    tiles.mkdir()
    _slide(photos / "a.png", 0)
    _slide(photos / "b.png", 5)
    for name in ("empty", "filed"):
        (room / name / "captures").mkdir(parents=True)
        (room / name / "bench.toml").write_text(TEXT)
    for name, thing in (("a", "slide"), ("b", "slide")):
        shutil.copy(photos / f"{name}.png", room / "filed" / "captures")
        with (room / "filed" / "bench.toml").open("a") as text:
            text.write(LISTED.format(name, thing))
    rng = np.random.default_rng(4)
    chip = gaussian_filter(rng.normal(size=(260, 440)), 1.5)
    chip = np.clip(128 + 90 * chip / chip.std() / 2, 0, 255).astype(np.uint8)
    for number, (x, y) in enumerate([(0, 0), (160, 4), (4, 60), (170, 56)]):
        Image.fromarray(chip[y : y + 200, x : x + 260]).save(tiles / f"t{number}.png")
    shutil.copytree(room / "filed", room / "measured")
    if run(room / "measured"):
        raise RuntimeError("the bench of this study cannot be measured")


def _slide(path: Path, shift: int) -> None:
    canvas = Image.new("L", (320 * 4, 200 * 4), 235)
    draw = ImageDraw.Draw(canvas)
    for line in range(28):
        x, long = 4 * (8 + shift) + 32 * line * 1.33, 300 if line % 5 else 420
        draw.rectangle([x - 4, 380 - long / 2, x + 4, 380 + long / 2], fill=40)
    small = np.asarray(canvas.resize((320, 200), Image.Resampling.BOX), dtype=float)
    noisy = small + np.random.default_rng(shift).normal(0, 1.5, small.shape)
    Image.fromarray(np.clip(noisy, 0, 255).astype(np.uint8)).save(path)


# ---- the acts ------------------------------------------------------------------------------------


def _command(*words: object) -> int:
    from glassay.cli import main

    sys.argv = ["glassay", *map(str, words)]
    try:
        main()
    except SystemExit as done:
        return int(done.code or 0) if not isinstance(done.code, str) else 1
    return 0


def add(place: Path) -> int:
    """File two photos."""
    photos = place.parent / "photos"
    return _command("add", place, photos / "a.png", photos / "b.png", "--instrument", "pad",
                    "--object", "slide")  # fmt: skip


def run(place: Path) -> int:
    """Measure both."""
    return _command("run", place, "--jobs", "1")


def run_apart(place: Path) -> int:
    """Measure both in processes of their own."""
    return _command("run", place, "--jobs", "2")


def report(place: Path) -> int:
    """Write the report."""
    return _command("report", place, "--jobs", "1")


def pack(place: Path) -> int:
    """Make an archive within the place."""
    return _command("pack", place, "--out", place / "out.zip", "--jobs", "1")


def mosaic(place: Path) -> int:
    """Join four photos."""
    photos = sorted((place.parent / "tiles").iterdir())
    return _command("mosaic", *photos, "--out", place / "mosaic", "--pixel-size", "1 um")


def edit(place: Path) -> int:
    """Save a form of the workbench."""
    with _workbench(place) as ask:
        page = ask.get("/edit/table", params={"place": "instrument.0"}).text
        found = re.search(r'name="origin" value="([^"]+)"', page)
        origin = html.unescape(found[1]) if found else ""
        given = {"place": "instrument.0", "origin": origin, "note": "kept"}
        status = ask.post("/edit/table", data=given).status_code
        return {303: 0, 409: CONFLICT}.get(int(status), 1)


def upload(place: Path) -> int:
    """Hand a photo to the workbench and confirm it."""
    with _workbench(place) as ask:
        begun = ask.post("/upload/begin")
        if begun.status_code != 200:
            return 1
        batch = begun.json()["batch"]
        query = {"batch": batch, "name": "a.png"}
        sent = ask.post("/upload/file", params=query,
                        content=(place.parent / "photos" / "a.png").read_bytes())  # fmt: skip
        if sent.status_code != 200:
            return 1
        form = {"batch": batch, "shown": "0", "take-0": "on", "object-0": "slide",
                "place-0": "pad|as is"}  # fmt: skip
        done = ask.post("/incoming", data=form)
        where = done.headers.get("location", "")
        while done.status_code in (200, 303) and "/filing" in where:
            done = ask.get(where)
            where = done.headers.get("location", where if done.status_code == 200 else "")
        return int(done.status_code != 303)


def _workbench(place: Path):  # type: ignore[no-untyped-def]
    from fastapi.testclient import TestClient

    from glassay.web import create_app

    app = create_app(place, "entry", KEY)
    headers = {"authorization": f"Bearer {KEY}"}
    return TestClient(app, base_url=f"http://{HOST}", headers=headers, follow_redirects=False)


Act = Callable[[Path], int]

ACTS: Mapping[str, tuple[str, Act]] = {
    "add": ("empty", add), "run": ("filed", run), "run in processes": ("filed", run_apart),
    "report": ("measured", report), "pack": ("measured", pack), "edit": ("measured", edit),
    "upload": ("empty", upload), "mosaic": ("empty", mosaic),
}  # fmt: skip
"""Each act by name, with the place it begins from."""
