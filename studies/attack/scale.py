"""Rulings and grids, good and hard: each drawn with a known number of px a division."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np

from studies.attack.case import Kind, Outcome, ask, nothing_there, number, offers
from studies.attack.drawing import (
    Image,
    canvas,
    disc,
    exposed,
    line,
    saved,
    some_quality,
    turned,
    words,
)

WIDE, HIGH = 640, 480
UM = 10.0


def told(path: Path, period: float, *more: object, good: bool, bound: float = 0.004,
         division: float = UM) -> Outcome:  # fmt: skip
    """The pixel size of a photo whose division is `period` px; a slide is good to 0.2 %."""
    answer = ask("scale", path, "--division", f"{division}um", *more)
    return number(answer, "pixel_size", division / period, good=good, bound=bound)


def ruling(sheet: Image, rng: np.random.Generator, period: float, thick: float, *, levels: bool = True,
           count: int | None = None, numerals: bool = True, base: float | None = None,
           missing: float = 0.0) -> None:  # fmt: skip
    """A level scale: every tenth line longest, every fifth longer, with numerals at the tenths."""
    high, wide = sheet.shape[0] / 4, sheet.shape[1] / 4
    across = wide * 0.8 if count is None else period * (count - 1)
    start = (wide - across) / 2 + rng.uniform(-0.4, 0.4)
    foot = high * 0.62 if base is None else base
    short = max(2.2 * period, 0.12 * high)
    for n in range(int(across / period) + 1):
        if rng.uniform() < missing:
            continue
        more = (2.0 if n % 10 == 0 else 1.5 if n % 5 == 0 else 1.0) if levels else 1.5
        x = start + n * period
        line(sheet, (x, foot), (x, foot - short * more), thick)
        if numerals and levels and n % 10 == 0:
            words(sheet, str(n // 10), (x - 4, foot + 22), min(16.0, 1.8 * period))


def good_scale(rng: np.random.Generator, folder: Path) -> Outcome:
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(5, 28))
    ruling(sheet, rng, period, period * float(rng.uniform(0.15, 0.3)))
    photo = exposed(
        turned(sheet, float(rng.uniform(-20, 20))), rng, blur=float(rng.uniform(0.4, 1.2))
    )
    return told(saved(photo, folder / "p", some_quality(rng)), period, good=True)


def half_px(rng: np.random.Generator, folder: Path) -> Outcome:
    """Nearly level and a period near n + 1/2 px: even and odd lines meet the px differently."""
    sheet, period = canvas(WIDE, HIGH), int(rng.integers(6, 20)) + float(rng.normal(0.5, 0.01))
    ruling(sheet, rng, period, period * float(rng.uniform(0.18, 0.26)))
    turn = float(rng.choice([-1, 1]) * rng.uniform(0.1, 0.6))
    photo = exposed(turned(sheet, turn), rng, blur=float(rng.uniform(0.4, 0.8)))
    return told(saved(photo, folder / "p", some_quality(rng)), period, good=True)


def thick_sharp(rng: np.random.Generator, folder: Path) -> Outcome:
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(20, 50))
    ruling(
        sheet, rng, period, period * float(rng.uniform(0.42, 0.58)), numerals=bool(rng.integers(2))
    )
    photo = exposed(
        turned(sheet, float(rng.uniform(-6, 6))), rng, blur=float(rng.uniform(0.1, 0.5))
    )
    return told(saved(photo, folder / "p", some_quality(rng)), period, good=True)


def few_lines_distorted(rng: np.random.Generator, folder: Path) -> Outcome:
    """Eight to twenty-two lines behind an eyepiece: the middle's pixel size is the truth."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(26, 60))
    ruling(sheet, rng, period, period * 0.22, base=HIGH * float(rng.uniform(0.4, 0.75)))
    bend = float(rng.choice([-1, 1]) * rng.uniform(0.02, 0.06))
    photo = exposed(turned(sheet, float(rng.uniform(-8, 8)), bend), rng, blur=0.8)
    return told(saved(photo, folder / "p", some_quality(rng)), period, good=False)


def dirty(rng: np.random.Generator, folder: Path) -> Outcome:
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(6, 20))
    ruling(sheet, rng, period, period * 0.2, missing=0.04)
    for _ in range(60):
        place = (float(rng.uniform(0, WIDE)), float(rng.uniform(0, HIGH)))
        disc(sheet, place, float(rng.uniform(0.7, 7)), float(rng.uniform(0.1, 0.7)))
    photo = exposed(turned(sheet, float(rng.uniform(-8, 8))), rng, blur=0.8, noise=0.02)
    return told(saved(photo, folder / "p", some_quality(rng)), period, good=False)


def grid_of_lines(rng: np.random.Generator, folder: Path, *, bounds: int, cells: bool,
                  bend: float = 0.0) -> Outcome:  # fmt: skip
    """A counting chamber: every fifth line is single, double or triple; specks and cells over it."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(14, 34))
    thick, off = max(0.8, period * 0.06), rng.uniform(0, period, 2)
    apart = period * 0.16
    for axis, (length, far) in enumerate(((WIDE, HIGH), (HIGH, WIDE))):
        for n in range(-4, int(length / period) + 4):
            places = [0.0]
            if n % 5 == 0:
                places = [[0.0], [-apart / 2, apart / 2], [-apart, 0.0, apart]][bounds - 1]
            for extra in places:
                x = off[axis] + n * period + extra
                ends = ((x, -9), (x, far + 9)) if axis == 0 else ((-9, x), (far + 9, x))
                line(sheet, *ends, thick, 0.25)
    for _ in range(int(rng.integers(40, 110)) if cells else 0):
        place = (float(rng.uniform(0, WIDE)), float(rng.uniform(0, HIGH)))
        size = period * float(rng.uniform(0.08, 0.25))
        disc(sheet, place, size, 0.95)
        disc(sheet, place, size, 0.3, size / 4)
    share = float(rng.choice([-1, 1])) * bend
    photo = exposed(turned(sheet, float(rng.uniform(-8, 8)), share), rng, blur=0.7)
    path = saved(photo, folder / "p", some_quality(rng))
    more = () if bounds > 1 else ("--pattern", "grid")  # nothing but its word tells a plain grid
    return told(path, period, *more, good=not bend, division=50)


def boundary_in_a_box(rng: np.random.Generator, folder: Path) -> Outcome:
    """A box about a triple boundary line that runs along the ruling: its three strokes are no scale."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(24, 40))
    for n in range(-2, int(WIDE / period) + 2):
        line(sheet, (n * period, -9), (n * period, HIGH + 9), 1.5, 0.3)
    y, apart = HIGH * 0.5, period * float(rng.uniform(0.12, 0.2))
    for n in range(int(rng.integers(3, 5))):
        line(sheet, (-9, y + n * apart), (WIDE + 9, y + n * apart), 1.3, 0.3)
    photo = exposed(turned(sheet, float(rng.uniform(-4, 4))), rng)
    path = saved(photo, folder / "p", some_quality(rng))
    high = int(rng.integers(60, 140))
    return told(path, period, "--box", f"80,{int(y - high / 2)},{WIDE - 160},{high}", good=False)


def boxed(rng: np.random.Generator, folder: Path) -> Outcome:
    """A box that cuts a good scale anywhere, to as few as five lines."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(8, 24))
    ruling(sheet, rng, period, period * 0.22)
    photo = exposed(turned(sheet, float(rng.uniform(-5, 5))), rng)
    wide = int(period * rng.uniform(4.5, 14))
    x = int(rng.uniform(80, WIDE - 80 - wide))
    box = f"{x},{int(HIGH * 0.3)},{wide},{int(HIGH * 0.4)}"
    return told(saved(photo, folder / "p", some_quality(rng)), period, "--box", box, good=False)


def plain(rng: np.random.Generator, folder: Path) -> Outcome:
    """A ruling without longer lines or numerals; the person says so where the command asks."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(6, 26))
    ruling(sheet, rng, period, period * 0.3, levels=False)
    photo = exposed(turned(sheet, float(rng.uniform(-12, 12))), rng)
    more = ["--plain-ruling"] if offers("scale", "--plain-ruling") else []
    return told(saved(photo, folder / "p", some_quality(rng)), period, *more, good=True)


def numbered_ruler(rng: np.random.Generator, folder: Path) -> Outcome:
    """A ruler in inches: halves, quarters, eighths, sixteenths. The finest line is the division."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(7, 22))
    for n in range(int(WIDE * 0.9 / period)):
        level = next(k for k in (4, 3, 2, 1, 0) if n % 2**k == 0)
        x = WIDE * 0.05 + n * period
        line(sheet, (x, HIGH * 0.3), (x, HIGH * (0.36 + 0.04 * level)), max(1.0, period * 0.12))
        if level == 4:
            words(sheet, str(n // 16 + 1), (x + 5, HIGH * 0.6), 24)
    photo = exposed(turned(sheet, float(rng.uniform(-8, 8))), rng)
    return told(saved(photo, folder / "p", some_quality(rng)), period, good=False)


def vernier(rng: np.random.Generator, folder: Path) -> Outcome:
    """Two scales that touch, 9 against 10: either may be told, never a third."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(10, 20))
    for n in range(int(WIDE * 0.85 / period)):
        long = 1.5 if n % 5 == 0 else 1.0
        line(sheet, (50 + n * period, 240), (50 + n * period, 240 - 50 * long), 1.8)
    for n in range(11):
        line(sheet, (90 + n * period * 0.9, 241), (90 + n * period * 0.9, 285), 1.8)
    path = saved(exposed(sheet, rng), folder / "p", some_quality(rng))
    answer = ask("scale", path, "--division", "10um")
    one = number(answer, "pixel_size", UM / period, good=False, bound=0.004)
    two = number(answer, "pixel_size", UM / period / 0.9, good=False, bound=0.004)
    return two if two.sort == "right" else one


def scale_over_scene(rng: np.random.Generator, folder: Path) -> Outcome:
    """A good scale beside a stronger regular pattern (a fence, a louvre) of another period."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(7, 14))
    ruling(sheet, rng, period, period * 0.2, base=HIGH * 0.4)
    other = period * float(rng.uniform(1.6, 2.7))
    for n in range(int(WIDE * 0.7 / other)):
        line(sheet, (90 + n * other, HIGH * 0.6), (90 + n * other, HIGH * 0.9), other * 0.5, 0.05)
    photo = exposed(turned(sheet, float(rng.uniform(-5, 5))), rng)
    return told(saved(photo, folder / "p", some_quality(rng)), period, good=False)


def leaning(rng: np.random.Generator, folder: Path) -> Outcome:
    """A slide that leans: the spacing changes along it. The pixel size at the middle is the truth."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(8, 24))
    ruling(sheet, rng, period, period * 0.22)
    high, wide = sheet.shape
    lean = float(rng.choice([-1, 1]) * rng.uniform(0.01, 0.06))
    y, x = np.mgrid[0:high, 0:wide].astype(np.float32)
    u = (x - wide / 2) / (wide / 2)
    away = 1 + lean * u  # the plane (u, v) seen at (u, v) / (1 - lean u)
    back_x, back_y = wide / 2 + (x - wide / 2) / away, high / 2 + (y - high / 2) / away
    seen = cv2.remap(sheet, back_x, back_y, cv2.INTER_LINEAR, borderValue=0.85)
    path = saved(exposed(seen, rng, blur=0.7), folder / "p", some_quality(rng))
    return told(path, period, good=False)


def two_scales(rng: np.random.Generator, folder: Path) -> Outcome:
    """Two scales of two divisions, one across the other: either may be told, never a third."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(8, 16))
    other = period * float(rng.uniform(1.2, 1.9))
    ruling(sheet, rng, period, period * 0.22, base=HIGH * 0.35)
    upright = canvas(HIGH, WIDE)
    ruling(upright, rng, other, other * 0.2, base=WIDE * 0.9, numerals=False)
    sheet = np.minimum(sheet, upright.T[::-1])
    path = saved(exposed(sheet, rng), folder / "p", some_quality(rng))
    answer = ask("scale", path, "--division", "10um")
    one, two = (
        number(answer, "pixel_size", UM / p, good=False, bound=0.004) for p in (period, other)
    )
    return two if two.sort == "right" else one


def mirrored_twice(rng: np.random.Generator, folder: Path) -> Outcome:
    """A second picture of the scale from the cover glass's other face, shifted and fainter."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(8, 24))
    ruling(sheet, rng, period, period * 0.2)
    by = (float(rng.uniform(0.15, 0.85)) * period, float(rng.uniform(-6, 6)))
    move = np.array([[1, 0, 4 * by[0]], [0, 1, 4 * by[1]]])
    ghost = cv2.warpAffine(sheet, move, sheet.shape[::-1], borderValue=0.85)
    share = float(rng.uniform(0.1, 0.45))
    photo = exposed((1 - share) * sheet + share * ghost, rng, blur=0.7)
    return told(saved(photo, folder / "p", some_quality(rng)), period, good=False)


def thinned_out(rng: np.random.Generator, folder: Path) -> Outcome:
    """Made smaller by leaving px out, as web pages and quick previews do."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(14, 30))
    ruling(sheet, rng, period, period * 0.25)
    photo = exposed(turned(sheet, float(rng.uniform(-9, 9))), rng, blur=0.6)
    factor = float(rng.uniform(0.4, 0.9))
    small = cv2.resize(photo, None, fx=factor, fy=factor, interpolation=cv2.INTER_NEAREST)
    share = small.shape[1] / photo.shape[1]
    return told(saved(small, folder / "p", some_quality(rng)), period * share, good=False)


def white_on_dark(rng: np.random.Generator, folder: Path) -> Outcome:
    """Light lines on dark glass under light that falls off, with a bright spot from the ring light."""
    sheet, period = canvas(WIDE, HIGH), float(rng.uniform(6, 26))
    ruling(sheet, rng, period, period * float(rng.uniform(0.15, 0.3)))
    y, x = np.mgrid[-1 : 1 : HIGH * 4j, -1 : 1 : WIDE * 4j]
    spot = 0.25 * np.exp(-((x - rng.uniform(-1, 1)) ** 2 + (y - rng.uniform(-1, 1)) ** 2) / 0.03)
    light = (0.95 - sheet) * (1 - 0.4 * (x + rng.uniform(-0.4, 0.4)) ** 2) + spot
    photo = exposed(turned(light.astype(np.float32), float(rng.uniform(-90, 90)), fill=0.1), rng)
    return told(saved(photo, folder / "p", some_quality(rng)), period, good=True)


def empty(rng: np.random.Generator, folder: Path) -> Outcome:
    """Light and noise, with vignetting and dust, and nothing else."""
    y, x = np.mgrid[-1 : 1 : HIGH * 4j, -1 : 1 : WIDE * 4j]
    sheet = (0.8 - 0.3 * (x**2 + y**2)).astype(np.float32)
    path = saved(exposed(sheet, rng, noise=0.03), folder / "p", some_quality(rng))
    return nothing_there(ask("scale", path, "--division", "10um"), "an empty field", "pixel_size")


KINDS: dict[str, Kind] = {
    "good scale": (36, good_scale),
    "good scale, level, period of n + 1/2 px": (16, half_px),
    "plain ruling, said so": (16, plain),
    "thick sharp lines, about half the period": (24, thick_sharp),
    "few lines, distortion of percents": (24, few_lines_distorted),
    "dirty scale, lines missing": (20, dirty),
    "plain grid of lines, said so": (12, partial(grid_of_lines, bounds=1, cells=False)),
    "grid of lines, double boundaries": (12, partial(grid_of_lines, bounds=2, cells=False)),
    "grid of lines, triple boundaries, cells": (20, partial(grid_of_lines, bounds=3, cells=True)),
    "grid of lines, triple, distortion": (14, partial(grid_of_lines, bounds=3, cells=True, bend=0.045)),
    "box about a triple boundary line": (20, boundary_in_a_box),
    "box that cuts a scale": (24, boxed),
    "ruler of halves to sixteenths": (16, numbered_ruler),
    "vernier": (10, vernier),
    "scale beside a coarser pattern": (16, scale_over_scene),
    "empty field": (8, empty),
    "slide that leans": (10, leaning),
    "two scales across each other": (8, two_scales),
    "seen twice in glass": (10, mirrored_twice),
    "made smaller by leaving px out": (8, thinned_out),
    "light lines, uneven light": (8, white_on_dark),
}  # fmt: skip
