"""Writing over inputs, names that no folder takes, and damaged or unusual files."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import PIL.Image

from studies.attack.case import CRASH, LOST, REFUSED, RIGHT, WRONG, Answer, Kind, Outcome, say
from studies.attack.drawing import canvas, exposed, saved
from studies.attack.edge import square
from studies.attack.filing import HEAD
from studies.attack.match import chip, view
from studies.attack.scale import ruling

Rng = np.random.Generator


def scale_photo(rng: Rng) -> np.ndarray:
    sheet = canvas(400, 300)
    ruling(sheet, rng, 12.0, 2.6)
    return exposed(sheet, rng)


def inputs(command: str, rng: Rng, folder: Path) -> tuple[list[Path], list[object]]:
    """Photos that `command` can measure, and its words but for what it writes."""
    if command == "edge":
        path = saved(exposed(square(rng, 0.1, 0.7), rng), folder / "p", None)
        return [path], ["edge", path]
    if command == "match":
        sheet = chip(rng)
        paths = [saved(view(sheet, rng, (700, 700), 1.1, 0), folder / "a", None),
                 saved(view(sheet, rng, (760, 720), 1.2, 5), folder / "b", None)]  # fmt: skip
        return paths, ["match", *paths]
    if command in ("noise", "repeat", "native"):
        light = square(rng, 0.1, 0.7)
        paths = [saved(exposed(light, rng, noise=0.02), folder / f"p{n}", None) for n in range(2)]
        return paths, [command, *paths]
    if command == "field":
        path = saved(exposed(canvas(400, 300, 0.5), rng), folder / "p", None)
        return [path], ["field", path]
    path = saved(scale_photo(rng), folder / "p", None)
    return [path], [command, path, *(["--division", "10um"] if command == "scale" else [])]


def over_input(rng: Rng, folder: Path, *, command: str, how: str) -> Outcome:
    """`--figure` names an input: itself, through a link, a hard link, or dots in its path."""
    paths, words = inputs(command, rng, folder)
    was = {path: path.read_bytes() for path in paths}
    victim = paths[-1]
    out = victim
    if how == "link":
        out = folder / "link.png"
        out.symlink_to(victim)
    elif how == "hard link":
        out = folder / "hard.png"
        os.link(victim, out)
    elif how == "dots":
        (folder / "sub").mkdir()
        out = folder / "sub" / ".." / victim.name
    answer = say(*words, "--figure", out)
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-140:])
    spoilt = [path.name for path, data in was.items() if path.read_bytes() != data]
    if spoilt:
        return Outcome(WRONG, f"{command} --figure ({how}) replaced the photo {spoilt[0]}")
    return Outcome(
        REFUSED if answer.status == 2 else RIGHT, f"{command}, {how}: status {answer.status}"
    )


def name_of_bench(rng: Rng, folder: Path, *, name: str) -> Outcome:
    was = Path.cwd()
    os.chdir(folder)
    try:
        before = set(folder.iterdir())
        answer = say("new", name)
        after = set(folder.iterdir())
    finally:
        os.chdir(was)
    if answer.status == 1:
        return Outcome(CRASH, f"new {name[:20]!r}: {answer.err[:100]}")
    left = after != before
    return Outcome(
        WRONG if left or not answer.status else REFUSED, f"new {name[:20]!r}: {answer.status}"
    )


def damaged(rng: Rng, folder: Path, *, how: str) -> Outcome:
    """A scale of 12 px a division, spoilt: what is told is right, or refused; never a traceback."""
    photo, path = scale_photo(rng), folder / "p.jpg"
    saved(photo, path, 92)
    data = bytearray(path.read_bytes())
    good, said_needed = False, False
    if how == "cut":
        path.write_bytes(data[: int(len(data) * rng.uniform(0.2, 0.8))])
    elif how == "middle":
        start = int(len(data) * rng.uniform(0.3, 0.6))
        data[start : start + 1500] = rng.integers(0, 255, 1500, dtype=np.uint8).tobytes()
        path.write_bytes(data[: max(len(data), start)])
        said_needed = True
    elif how == "bits":
        for place in rng.integers(len(data) // 4, len(data) - 4, 12):
            data[place] ^= 1 << int(rng.integers(8))
        path.write_bytes(data)
    elif how == "empty":
        path.write_bytes(b"")
    elif how == "words":
        path.write_text("this is no photo\n" * 40)
    elif how == "noise":
        path.write_bytes(rng.bytes(5000))
    elif how == "other ending":
        path = saved(photo, folder / "q", None).rename(folder / "q.jpg")
    elif how == "16 bit":
        path = folder / "p.tif"
        cv2.imwrite(str(path), photo.astype(np.uint16) * 257)
    elif how == "palette":
        path = folder / "p.gif"
        PIL.Image.fromarray(photo).convert("P").save(path)
    elif how == "inks":
        PIL.Image.fromarray(photo).convert("RGB").convert("CMYK").save(path)
    elif how == "see-through":
        path = folder / "p.png"
        PIL.Image.fromarray(photo).convert("RGBA").save(path)
        good = True
    elif how == "two px":
        saved(photo[:2, :2], path, 92)
    elif how == "one row":
        saved(photo[150:151], path, 92)
    elif how == "folder":
        path = folder / "d.jpg"
        path.mkdir()
    elif how == "not a number":
        import tifffile

        path = folder / "n.tif"
        light = photo.astype(np.float32) / 255
        light[::7] = np.nan
        tifffile.imwrite(path, light)
    answer = say("scale", path, "--division", "10um", "--json")
    return _sorted(answer, how, good, said_needed)


def _sorted(answer: Answer, how: str, good: bool, said_needed: bool) -> Outcome:
    if answer.status == 1:
        return Outcome(CRASH, f"{how}: {answer.err[:140]}")
    if not answer.measured:
        return Outcome(LOST if good else REFUSED, f"{how}: {answer.reason[:100]}")
    told = answer.value("pixel_size")
    if abs(told * 12 / 10 - 1) > 0.01:
        return Outcome(WRONG, f"{how}: {told:.4g} um/px, truth {10 / 12:.4g}")
    if said_needed and not any("damage" in note or "cut" in note for note in answer.notes):
        return Outcome(WRONG, f"{how}: measured, and the damage is not said")
    return Outcome(RIGHT)


def preview_over(rng: Rng, folder: Path) -> Outcome:
    path = saved(scale_photo(rng), folder / "p", None)
    was = path.read_bytes()
    answer = say("preview", path, "--pixel-size", "1um", "--na", "0.1", "--out", path)
    if answer.status == 1:
        return Outcome(CRASH, answer.err[:140])
    return Outcome(
        REFUSED if path.read_bytes() == was else WRONG, f"preview --out: {answer.err[:90]}"
    )


def plate_over(rng: Rng, folder: Path) -> Outcome:
    """A page written into `captures/`, over what is filed there."""
    bench = folder / "bench"
    bench.mkdir()
    (bench / "bench.toml").write_text(HEAD.format(division="10 um", more="", objective=4.0))
    path = saved(scale_photo(rng), folder / "a", None)
    say("add", bench, path, "--instrument", "cam", "--object", "slide", "--yes")
    filed = next((bench / "captures").rglob("a.png"))
    was = filed.read_bytes()
    answer = say("report", bench, "--out", filed)
    if answer.status == 1:
        return Outcome(CRASH, answer.err[:140])
    kept = filed.is_file() and filed.read_bytes() == was
    return Outcome(REFUSED if kept else WRONG, f"report --out onto a capture: {answer.err[:90]}")


COMMANDS = ("scale", "edge", "match", "noise", "native", "field")
DAMAGES = ("cut", "middle", "bits", "empty", "words", "noise", "other ending", "16 bit", "palette",
           "inks", "see-through", "two px", "one row", "folder", "not a number")  # fmt: skip
KINDS: dict[str, Kind] = {
    **{f"figure onto its input: {command}, {how}": (1, partial(over_input, command=command, how=how))
       for command in COMMANDS
       for how in (("itself",) if command == "match" else ("itself", "link", "hard link", "dots"))},
    "out onto its input: preview": (1, preview_over),
    "out onto its input: report": (1, plate_over),
    "name of a bench: 300 letters": (1, partial(name_of_bench, name="x" * 300)),
    "name of a bench: empty": (1, partial(name_of_bench, name="")),
    "name of a bench: blank": (1, partial(name_of_bench, name="   ")),
    **{f"damaged: {how}": (5 if how in ("cut", "middle", "bits") else 1, partial(damaged, how=how))
       for how in DAMAGES},
}  # fmt: skip
