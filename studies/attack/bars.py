"""Three-bar targets: whole, cropped so that numerals are cut, blurred, and things that look alike.

Groups follow MIL-STD-150A: element e of group g has 2^(g + (e - 1) / 6) line pairs a mm.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np

from studies.attack.case import (
    CRASH,
    LOST,
    REFUSED,
    RIGHT,
    WRONG,
    Kind,
    Outcome,
    ask,
    nothing_there,
)
from studies.attack.drawing import (
    Image,
    canvas,
    exposed,
    fill,
    line,
    saved,
    some_quality,
    turned,
    words,
)


def element(sheet: Image, x: float, y: float, width: float) -> float:
    """Three level and three upright bars, side by side; returns how wide both are."""
    long = 5 * width
    for n in range(3):
        top, foot = y + 2 * n * width, y + (2 * n + 1) * width
        fill(sheet, np.array([[x, top], [x + long, top], [x + long, foot], [x, foot]]))
        left = x + 7 * width + 2 * n * width
        fill(sheet, np.array([[left, y], [left + width, y], [left + width, y + long],
                              [left, y + long]]))  # fmt: skip
    return 12 * width


WIDE, HIGH = 430, 360
LEFT, TOP = 60.0, 45.0
"""Of the outer layer, px."""
GAP = 1.5


def layer(sheet: Image, group: int, at: tuple[float, float], width: float, numerals: str) -> None:
    """An even group and the odd one after it: 2 to 6 at the left, 1 at the lower right, odd right."""
    x, y = at
    right = x + 28 * width
    for column, bar, first in ((group, width, 2), (group + 1, width / 2, 1)):
        foot = y
        for number in range(first, 7):
            size = bar / 2 ** ((number - 1) / 6)
            left = x if column == group else right - 12 * size
            element(sheet, left, foot, size)
            if numerals in ("all", "elements"):
                beside = left - 4.2 * size if column == group else right + 1.5 * size
                words(sheet, str(number), (beside, foot + 4.4 * size), 5 * size)
            foot += (5 + GAP) * size
        if numerals in ("all", "groups"):
            words(sheet, str(column), ((x + 5 * bar) if column == group else right - 7 * bar,
                                       y - 1.2 * bar), 5 * bar)  # fmt: skip
    element(sheet, right - 12 * width, y + 19 * width, width)
    if numerals in ("all", "elements"):
        words(sheet, "1", (right + 1.5 * width, y + 23.4 * width), 5 * width)


def target(group: int, width: float, numerals: str = "all") -> Image:
    """Three layers; bars of element 1 of `group` (even) are `width` px."""
    sheet, at = canvas(WIDE, HIGH), (LEFT, TOP)
    for step in range(3):
        bar = width / 4**step
        layer(sheet, group + 2 * step, at, bar, numerals)
        at = (at[0] + 12.4 * bar, at[1] + 6.5 * bar)
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


def some_target(rng: np.random.Generator) -> tuple[int, float]:
    return 2 * int(rng.integers(-1, 3)), float(rng.uniform(8, 11))


def whole(rng: np.random.Generator, folder: Path) -> Outcome:
    group, width = some_target(rng)
    photo = exposed(turned(target(group, width), float(rng.uniform(-8, 8))), rng, blur=0.7)
    return told(
        saved(photo, folder / "p", some_quality(rng)), group, scale_of(group, width), good=True
    )


def cropped(rng: np.random.Generator, folder: Path, *, how: str) -> Outcome:
    """Numerals cut by the rim, covered, or never there: no group may be told but the true one."""
    group, width = some_target(rng)
    sheet = target(group, width, {"none": "none", "elements": "elements"}.get(how, "all"))
    if how == "covered":  # the outer groups' numerals lie under tape
        fill(sheet, np.array([[0, 0], [WIDE, 0], [WIDE, TOP - 3], [0, TOP - 3]]), 0.5)
    photo = exposed(sheet, rng, blur=0.7)
    if how in ("half", "close"):
        off = width * float(rng.uniform(1.2, 4) if how == "half" else rng.uniform(0.3, 0.8))
        photo = np.ascontiguousarray(photo[int(TOP - off) :, int(LEFT - off) :])
    return told(
        saved(photo, folder / "p", some_quality(rng)), group, scale_of(group, width), good=False
    )


def inner_only(rng: np.random.Generator, folder: Path) -> Outcome:
    """Only the middle of the target, enlarged: outer elements are cut by the rim, inner ones whole."""
    group, width = some_target(rng)
    x, y = int(LEFT + 11.2 * width), int(TOP - 2 * width)
    photo = exposed(target(group, width), rng, blur=0.5)
    cut = np.ascontiguousarray(photo[max(0, y) : y + int(20 * width), x : x + int(17 * width)])
    cut = cv2.resize(cut, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    return told(
        saved(cut, folder / "p", some_quality(rng)), group, scale_of(group, width) / 2, good=False
    )


def misnumbered(rng: np.random.Generator, folder: Path) -> Outcome:
    """Numerals of another kind around the bars: serials, dates. Nothing says which group it is."""
    group, width = some_target(rng)
    sheet = target(group, width, "none")
    for _ in range(8):
        x = float(rng.choice([rng.uniform(0, LEFT - 30), rng.uniform(WIDE - 60, WIDE - 30)]))
        words(sheet, str(rng.integers(0, 9)), (x, float(rng.uniform(30, HIGH))), 5 * width)
    for x in rng.uniform(LEFT, WIDE - 80, 3):
        words(
            sheet,
            str(rng.integers(0, 9)),
            (float(x), TOP - 6),
            5 * width * float(rng.uniform(0.4, 1)),
        )
    photo = exposed(sheet, rng, blur=0.7)
    return told(
        saved(photo, folder / "p", some_quality(rng)), group, scale_of(group, width), good=False
    )


def not_bars(rng: np.random.Generator, folder: Path) -> Outcome:
    """Stripes, letters E and m, and fences in threes."""
    sheet = canvas(WIDE, HIGH)
    kind = int(rng.integers(3))
    for _ in range(14):
        x, y = float(rng.uniform(20, 380)), float(rng.uniform(40, 320))
        if kind == 0:
            words(sheet, "E" if rng.integers(2) else "m", (x, y), float(rng.uniform(15, 60)))
        elif kind == 1:
            for n in range(3):
                line(sheet, (x + 9 * n, y), (x + 9 * n, y + 40), 4)
        else:
            words(sheet, "1 2 3 4 5 6", (x, y), float(rng.uniform(12, 30)))
    path = saved(exposed(sheet, rng, blur=0.8), folder / "p", some_quality(rng))
    return nothing_there(ask("bars", path), "no target", "pixel_size_x")


def turned_over(rng: np.random.Generator, folder: Path, *, how: str) -> Outcome:
    """The target seen from behind (numerals mirrored), on its side, or upside down."""
    group, width = some_target(rng)
    photo = exposed(target(group, width), rng, blur=0.7)
    photo = photo[:, ::-1] if how == "mirrored" else np.rot90(photo, int(rng.integers(1, 4)))
    path = saved(np.ascontiguousarray(photo), folder / "p", some_quality(rng))
    return told(path, group, scale_of(group, width), good=False)


def squeezed(rng: np.random.Generator, folder: Path) -> Outcome:
    """Made oblong by a wrong ratio of sides, as some apps save: the pixel size along x is the truth."""
    group, width = some_target(rng)
    photo = exposed(target(group, width), rng, blur=0.7)
    factor = float(rng.uniform(1.1, 1.34))
    wide = cv2.resize(photo, None, fx=factor, fy=1, interpolation=cv2.INTER_CUBIC)
    share = wide.shape[1] / photo.shape[1]
    path = saved(wide, folder / "p", some_quality(rng))
    return told(path, group, scale_of(group, width) / share, good=False)


KINDS: dict[str, Kind] = {
    "whole target": (8, whole),
    "numerals cut through by the rim": (10, partial(cropped, how="half")),
    "cropped to the bars": (6, partial(cropped, how="close")),
    "numerals of groups covered": (4, partial(cropped, how="covered")),
    "numerals of elements only": (4, partial(cropped, how="elements")),
    "no numerals": (4, partial(cropped, how="none")),
    "inner groups only": (6, inner_only),
    "other numerals": (6, misnumbered),
    "no target": (6, not_bars),
    "mirrored": (6, partial(turned_over, how="mirrored")),
    "on its side or upside down": (6, partial(turned_over, how="turned")),
    "squeezed along one axis": (5, squeezed),
}
