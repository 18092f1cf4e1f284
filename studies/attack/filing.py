"""Benches whose photos are filed wrongly: no verdict may say the contrary of what is true."""

from __future__ import annotations

import json
import shutil
from functools import partial
from pathlib import Path

import cv2
import numpy as np

from studies.attack.case import CRASH, LOST, REFUSED, RIGHT, WRONG, Kind, Outcome, say, worst
from studies.attack.drawing import canvas, exposed, saved, turned
from studies.attack.scale import ruling

WIDE, HIGH = 640, 480
Rng = np.random.Generator
HEAD = """[bench]
title = "attack"
[[object]]
id = "slide"
kind = "ruled scale"
division = "{division}"
{more}
[[instrument]]
id = "cam"
kind = "compound"
name = "made up"
[instrument.chain]
objective = "{objective:.4g}x"
sensor_pitch = "3.45 um"
sensor_pixels = "640 x 480"
"""
CLAIM = """[[instrument.claim]]
id = "{id}"
kind = "{kind}"
value = "{value}"
where = "box"
"""
CAPTURE = """[[capture]]
file = "captures/{file}"
instrument = "cam"
object = "{object}"
{more}
"""


def slide(rng: Rng, period: float, *, round_field: bool = False) -> np.ndarray:
    sheet = canvas(WIDE, HIGH)
    ruling(sheet, rng, period, period * 0.22, base=HIGH * float(rng.uniform(0.5, 0.65)))
    photo = exposed(turned(sheet, float(rng.uniform(-3, 3))), rng, blur=0.7)
    if round_field:
        mask = np.zeros_like(photo)
        cv2.circle(mask, (WIDE // 2, HIGH // 2), 225, 255, -1, cv2.LINE_AA)
        photo = (photo * (mask / 255.0) + 3).astype(np.uint8)
    return photo


def claims(true_px: float, rng: Rng) -> dict[str, tuple[str, str, bool]]:
    """Claims well to either side of the truth: kind, value, whether it is kept."""
    wide = WIDE * true_px / 1000
    near, far = float(rng.uniform(1.15, 1.6)), float(rng.uniform(3, 8))
    return {
        "wide-kept": ("field width", f"{wide / near:.3f} mm", True),
        "wide-kept-by-far": ("field width", f"{wide / far:.4f} mm", True),
        "wide-missed": ("field width", f"{wide * near:.3f} mm", False),
        "wide-missed-by-far": ("field width", f"{wide * far:.3f} mm", False),
        "px-kept": ("pixel size", f"{true_px * near:.3f} um", True),
        "px-kept-by-far": ("pixel size", f"{true_px * far:.3f} um", True),
        "px-missed": ("pixel size", f"{true_px / near:.4f} um", False),
        "px-missed-by-far": ("pixel size", f"{true_px / far:.4f} um", False),
    }


def judged(bench: Path, stated: dict[str, tuple[str, str, bool]], *, good: bool) -> Outcome:
    """Every verdict beside the truth."""
    answer = say("run", bench, "--json", "--jobs", 1)
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    if "verdicts" not in answer.data:
        return Outcome(LOST if good else REFUSED, answer.reason[:160])
    said = {one["claim"]: one["verdict"] for one in answer.data["verdicts"]}
    seen = Outcome(RIGHT if good else REFUSED)
    wrong = []
    for claim, (_, value, kept) in stated.items():
        if said.get(claim) in ("met", "not met"):
            if (said[claim] == "met") != kept:
                wrong.append(f"{claim} ({value}): {said[claim]}")
        elif good:
            seen = worst(seen, Outcome(LOST, f"{claim} ({value}): {said.get(claim)}"))
    return Outcome(WRONG, "; ".join(wrong)) if wrong else seen


def bench_of(rng: Rng, folder: Path, *, how: str) -> Outcome:
    period = float(rng.uniform(8, 16))
    true_px = 10 / period
    stated = claims(true_px, rng)
    bench = folder / "bench"
    (bench / "captures").mkdir(parents=True)
    one, two = slide(rng, period), slide(rng, period)
    captures = [("a", one, "slide", ""), ("b", two, "slide", "")]
    division, more = "10 um", ""
    factor = float(rng.uniform(1.7, 3.5))
    if how in ("tenfold", "tenth", "mil"):
        division = {"tenfold": "100 um", "tenth": "1 um", "mil": "25.4 um"}[how]
    elif how == "mixed zoom":
        captures[1] = ("b", slide(rng, period / factor), "slide", "")
    elif how == "other zoom":  # the chain is stated rightly, all photos were taken at another zoom
        captures = [(name, slide(rng, period / factor), "slide", "") for name in "ab"]
    elif how in ("crop", "crop beside whole"):
        cut = np.ascontiguousarray(one[60:400, 150 : 150 + int(WIDE / factor)])
        captures = [("a", cut, "slide", "")]
        if how == "crop beside whole":
            captures.append(("b", two, "chip", ""))
            more = '[[object]]\nid = "chip"\nkind = "chip"'
    elif how == "round field":
        captures = [("a", slide(rng, period / factor, round_field=True), "slide", "")]
    elif how == "two objects":
        more = '[[object]]\nid = "coarse"\nkind = "ruled scale"\ndivision = "100 um"'
        captures = [("a", one, "slide", 'id = "a1"'), ("a", one, "coarse", 'id = "a2"')]
    elif how == "reduced":  # sent through a messenger that made it smaller
        small = cv2.resize(one, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
        captures = [("a", small, "slide", "")]
    elif how == "framed":  # a screenshot of the photo, or the photo in a letterbox
        wide, high = (int(v) for v in rng.integers(30, 200, 2))
        sides = (0, 0) if rng.integers(2) else (wide, wide)
        value = float(rng.choice([0, 255, 40, 200]))
        framed = cv2.copyMakeBorder(one, high, high, *sides, cv2.BORDER_CONSTANT, value=value)
        captures = [("a", framed, "slide", "")]
    text = HEAD.format(division=division, more=more, objective=3.45 / true_px)
    for key, (kind, value, _) in stated.items():
        text += CLAIM.format(id=key, kind=kind, value=value)
    for name, photo, thing, extra in captures:
        path = saved(photo, bench / "captures" / name, 95)
        text += CAPTURE.format(file=path.name, object=thing, more=extra)
    (bench / "bench.toml").write_text(text)
    return judged(bench, stated, good=how == "rightly")


def changed(rng: Rng, folder: Path, *, measured_before: bool) -> Outcome:
    """A capture is filed by `add`, then another photo takes its place under the same name."""
    period, factor = float(rng.uniform(9, 16)), float(rng.uniform(1.7, 3))
    stated = claims(10 / period, rng)
    bench = folder / "bench"
    bench.mkdir()
    text = HEAD.format(division="10 um", more="", objective=3.45 * period / 10)
    for key, (kind, value, _) in stated.items():
        text += CLAIM.format(id=key, kind=kind, value=value)
    (bench / "bench.toml").write_text(text)
    path = saved(slide(rng, period), folder / "a", 95)
    added = say("add", bench, path, "--instrument", "cam", "--object", "slide", "--yes")
    if added.status:
        return Outcome(CRASH, f"add: {added.err[-140:]}")
    if measured_before:
        say("run", bench, "--json", "--jobs", 1)
    filed = next((bench / "captures").rglob("a.jpg"))
    shutil.copy(saved(slide(rng, period / factor), folder / "c", 95), filed)
    return judged(bench, stated, good=False)


def refiled(rng: Rng, folder: Path) -> Outcome:
    """`add` of a photo that is filed already, under a second object: asked, or refused, not taken."""
    bench = folder / "bench"
    bench.mkdir()
    more = '[[object]]\nid = "coarse"\nkind = "ruled scale"\ndivision = "100 um"'
    (bench / "bench.toml").write_text(HEAD.format(division="10 um", more=more, objective=4.0))
    path = saved(slide(rng, 12.0), folder / "a", 95)
    for thing in ("slide", "coarse"):
        say("add", bench, path, "--instrument", "cam", "--object", thing, "--yes")
    filed = (bench / "bench.toml").read_text().count("[[capture]]")
    return Outcome(REFUSED if filed == 1 else WRONG, f"one photo filed {filed} times by add --yes")


def engraved(rng: Rng, folder: Path) -> Outcome:
    """A field number is engraved without unit: 18 means 18 mm."""
    number = int(rng.integers(16, 27))
    plain = say(
        "chain", "--objective", "4x", "--eyepiece", "10x", "--field-number", number, "--json"
    )
    if plain.status == 1:
        return Outcome(CRASH, plain.err[-140:])
    if plain.status:
        return Outcome(LOST, f"--field-number {number}: {plain.reason[:120]}")
    field = json.loads(plain.out)["findings"]["object_field"]["value"]
    right = abs(field / (1000 * number / 4) - 1) < 1e-6
    return Outcome(RIGHT if right else WRONG, f"field number {number}: object field {field:.4g} um")


WAYS = ("tenfold", "tenth", "mil", "mixed zoom", "other zoom", "crop", "crop beside whole",
        "round field", "two objects", "reduced", "framed")  # fmt: skip
KINDS: dict[str, Kind] = {
    "filed rightly": (6, partial(bench_of, how="rightly")),
    **{f"filed wrongly, {how}": (4, partial(bench_of, how=how)) for how in WAYS},
    "capture changed since filed": (4, partial(changed, measured_before=False)),
    "capture changed since measured": (4, partial(changed, measured_before=True)),
    "one photo added under two objects": (3, refiled),
    "field number as engraved": (4, engraved),
}
