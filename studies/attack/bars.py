"""Three-bar targets: whole, cropped so that numerals are cut, blurred, and things that look alike.

Groups follow MIL-STD-150A: element e of group g has 2^(g + (e - 1) / 6) line pairs a mm.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np

from studies.attack.case import CRASH, LOST, REFUSED, RIGHT, WRONG, Kind, Outcome, ask, nothing_there
from studies.attack.drawing import Image, canvas, exposed, fill, line, saved, some_quality, turned, words


def element(sheet: Image, x: float, y: float, width: float) -> float:
    """Three level and three upright bars, side by side; returns how wide both are."""
    long = 5 * width
    for n in range(3):
        fill(sheet, np.array([[x, y + 2 * n * width], [x + long, y + 2 * n * width],
                              [x + long, y + (2 * n + 1) * width], [x, y + (2 * n + 1) * width]]))  # fmt: skip
        left = x + 7 * width + 2 * n * width
        fill(sheet, np.array([[left, y], [left + width, y], [left + width, y + long],
                              [left, y + long]]))  # fmt: skip
    return 12 * width


def target(rng: np.random.Generator, group: int, width: float, *, numerals: bool = True,
           groups: int = 3) -> Image:  # fmt: skip
    """Element 1 of `group` has bars of `width` px. Elements 1 at the left below 2 to 6 at the right."""
    sheet = canvas(640, 480)
    x0 = 40.0
    for step in range(groups):
        bar = width / 2**step
        y = 60.0
        if numerals:
            words(sheet, str(group + step), (x0 + 9 * bar, y - 1.5 * bar), 5 * bar)
        for number in range(1, 7):
            size = bar / 2 ** ((number - 1) / 6)
            if numerals:
                words(sheet, str(number), (x0 - 4.5 * size, y + 5 * size), 5 * size)
            element(sheet, x0, y, size)
            y += 7 * size
        x0 += 21 * bar
    return sheet


def told(path: Path, group: int, scale: float, *more: object, good: bool) -> Outcome:
    """The group of the coarsest element told, and the pixel size (um/px) that follows from it."""
    answer = ask("bars", path, *more)
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    if not answer.measured or answer.value("pixel_size_x") is None:
        return Outcome(LOST if good else REFUSED, answer.reason[:120])
    size = answer.value("pixel_size_x")
    says = f"pixel_size_x {size:.5g} (u {answer.u('pixel_size_x'):.2g}), truth {scale:.5g} um/px"
    near = abs(size - scale) <= max(3 * answer.u("pixel_size_x"), 0.005 * scale)
    return Outcome(RIGHT if near else WRONG, f"group {group}: {says}")


def scale_of(group: int, width: float) -> float:
    """um a px when element 1 of the group has bars of `width` px."""
    return 1000 / (2 * 2**group) / width


def whole(rng: np.random.Generator, folder: Path) -> Outcome:
    group, width = int(rng.integers(-1, 6)), float(rng.uniform(7, 10))
    photo = exposed(turned(target(rng, group, width), float(rng.uniform(-8, 8))), rng, blur=0.8)
    return told(saved(photo, folder / "p", some_quality(rng)), group, scale_of(group, width), good=True)


def cropped(rng: np.random.Generator, folder: Path, *, how: str) -> Outcome:
    """Numerals cut by the rim, covered, or never there: no group may be told but the true one."""
    group, width = int(rng.integers(0, 6)), float(rng.uniform(7, 10))
    sheet = target(rng, group, width, numerals=how != "none")
    photo = exposed(sheet, rng, blur=0.8)
    left = round(40 - width * {"half": 2.0, "close": 0.7}.get(how, 5.0))
    top = round(60 - width * {"half": 3.5, "close": 0.7}.get(how, 5.0))
    if how == "covered":
        fill(sheet, np.array([[0, 0], [640, 0], [640, 58], [0, 58]]), 0.5)
        photo = exposed(sheet, rng, blur=0.8)
    elif how != "none":
        photo = np.ascontiguousarray(photo[max(0, top) :, max(0, left) :])
    return told(saved(photo, folder / "p", some_quality(rng)), group, scale_of(group, width), good=False)


def inner_only(rng: np.random.Generator, folder: Path) -> Outcome:
    """A box or a crop that leaves the second and third groups, whose numerals are still there."""
    group, width = int(rng.integers(0, 5)), float(rng.uniform(9, 11))
    photo = exposed(target(rng, group, width), rng, blur=0.6)
    cut = np.ascontiguousarray(photo[:, round(40 + 15 * width) :])
    cut = cv2.resize(cut, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    return told(saved(cut, folder / "p", some_quality(rng)), group, scale_of(group, width) / 2, good=False)


def misnumbered(rng: np.random.Generator, folder: Path) -> Outcome:
    """Numerals of an other kind beside bars: serials, dates. Nothing says which group it is."""
    group, width = int(rng.integers(0, 6)), float(rng.uniform(7, 10))
    sheet = target(rng, group, width, numerals=False)
    for _ in range(6):
        words(sheet, str(rng.integers(0, 99)), (float(rng.uniform(200, 600)), float(rng.uniform(250, 470))),
              float(rng.uniform(15, 45)))  # fmt: skip
    photo = exposed(sheet, rng, blur=0.8)
    return told(saved(photo, folder / "p", some_quality(rng)), group, scale_of(group, width), good=False)


def not_bars(rng: np.random.Generator, folder: Path) -> Outcome:
    """Stripes, letters E and m, and fences in threes."""
    sheet = canvas(640, 480)
    kind = int(rng.integers(3))
    for _ in range(14):
        x, y = float(rng.uniform(20, 560)), float(rng.uniform(40, 440))
        if kind == 0:
            words(sheet, "E" if rng.integers(2) else "m", (x, y), float(rng.uniform(15, 60)))
        elif kind == 1:
            for n in range(3):
                line(sheet, (x + 9 * n, y), (x + 9 * n, y + 40), 4)
        else:
            words(sheet, "1 2 3 4 5 6", (x, y), float(rng.uniform(12, 30)))
    path = saved(exposed(sheet, rng, blur=0.8), folder / "p", some_quality(rng))
    return nothing_there(ask("bars", path), "no target", "pixel_size_x")


KINDS: dict[str, Kind] = {
    "whole target": (16, whole),
    "numerals cut through by the rim": (14, partial(cropped, how="half")),
    "cropped to the bars": (10, partial(cropped, how="close")),
    "numerals of groups covered": (10, partial(cropped, how="covered")),
    "no numerals": (10, partial(cropped, how="none")),
    "inner groups only": (8, inner_only),
    "other numerals": (10, misnumbered),
    "no target": (10, not_bars),
}
