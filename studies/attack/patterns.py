"""More that repeats and is no scale: grilles, louvres, cloth, nets, tables, type; drawn, then bent."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import cv2
import numpy as np

from studies.attack.case import Kind, Outcome, ask, nothing_there
from studies.attack.drawing import (
    FINER,
    Image,
    canvas,
    disc,
    exposed,
    fill,
    line,
    saved,
    some_quality,
    turned,
    words,
)

WIDE, HIGH = 640, 480
Rng = np.random.Generator


def grille(sheet: Image, rng: Rng, step: float) -> None:
    """Bars with a collar on every fourth, fifth or sixth, and two rails."""
    every, collar = int(rng.integers(4, 7)), float(rng.uniform(0.6, 0.9)) * step
    for n in range(-1, int(WIDE / step) + 2):
        line(sheet, (n * step, -9), (n * step, HIGH + 9), 0.3 * step, 0.15)
        if n % every == 0:
            left, right = n * step - collar / 2, n * step + collar / 2
            fill(sheet, np.array([[left, 215], [right, 215], [right, 250], [left, 250]]), 0.15)
    for y in (40, 440):
        line(sheet, (-9, y), (WIDE + 9, y), 12, 0.15)


def spiked_fence(sheet: Image, rng: Rng, step: float) -> None:
    """Pickets with points, two rails, and a post at every so many, thick and tall."""
    every = int(rng.choice([5, 6, 8, 10]))
    for n in range(-1, int(WIDE / step) + 2):
        x, wide, top = n * step, 0.35 * step, 150.0
        if n % every == 0:
            wide, top = 0.8 * step, 110.0
        fill(sheet, np.array([[x - wide / 2, top], [x, top - wide], [x + wide / 2, top],
                              [x + wide / 2, 420], [x - wide / 2, 420]]), 0.25)  # fmt: skip
    for y in (200, 370):
        line(sheet, (-9, y), (WIDE + 9, y), 8, 0.3)


def louvre(sheet: Image, rng: Rng, step: float) -> None:
    """Slats that shade from light to dark, held by two upright bars."""
    y = np.arange(sheet.shape[0]) / FINER
    sheet[:] = (0.25 + 0.6 * ((y / step) % 1) ** float(rng.uniform(0.6, 2)))[:, None]
    for x in (150, 480):
        line(sheet, (x, -9), (x, HIGH + 9), 10, 0.2)


def tartan(sheet: Image, rng: Rng, step: float) -> None:
    """Cloth with a sett of stripes in both directions, as woven threads over and under."""
    sett = [float(v) for v in rng.uniform(0.2, 0.9, int(rng.integers(4, 9)))]
    y, x = np.mgrid[0 : sheet.shape[0], 0 : sheet.shape[1]] / (FINER * step)
    warp, weft = (
        np.array(sett)[x.astype(int) % len(sett)],
        np.array(sett)[y.astype(int) % len(sett)],
    )
    over = (np.floor(6 * x) + np.floor(6 * y)) % 2 == 0
    sheet[:] = np.where(over, warp, weft)


def gauze(sheet: Image, rng: Rng, step: float) -> None:
    """Threads of uneven thickness, two together at every few, in both directions."""
    every = int(rng.choice([4, 5, 6]))
    for axis, (length, far) in enumerate(((WIDE, HIGH), (HIGH, WIDE))):
        for n in range(int(length / step) + 2):
            at = (n + 0.03 * float(rng.normal())) * step
            for extra in (0.0, 0.3 * step)[: 2 if n % every == 0 else 1]:
                ends = ((at + extra, -9), (at + extra, far + 9))
                if axis:
                    ends = ((-9, at + extra), (far + 9, at + extra))
                line(sheet, *ends, step * float(rng.uniform(0.12, 0.2)), 0.3)


def chain_link(sheet: Image, rng: Rng, step: float) -> None:
    for n in range(-60, 120):
        for sign in (1, -1):
            x = n * step
            line(sheet, (x, -9), (x + sign * (HIGH + 18), HIGH + 9), 0.1 * step, 0.3)
    for n in range(0, WIDE, 210):
        line(sheet, (n, -9), (n, HIGH + 9), 9, 0.2)


def corrugated(sheet: Image, rng: Rng, step: float) -> None:
    x = np.arange(sheet.shape[1]) / (FINER * step)
    sheet[:] = (0.5 + 0.35 * np.sin(2 * np.pi * x) + 0.05 * np.sin(4 * np.pi * x))[None]
    for y in (120, 330):
        for n in range(0, int(WIDE / step), int(rng.choice([2, 4, 5]))):
            disc(sheet, ((n + 0.25) * step, y), 0.15 * step, 0.1)


def music(sheet: Image, rng: Rng, step: float) -> None:
    """Staves of five lines with notes; bar lines."""
    step = min(step, 11.0)
    for top in np.arange(30, HIGH, 9 * step):
        for n in range(5):
            line(sheet, (20, top + n * step), (WIDE - 20, top + n * step), 1.2, 0.15)
        for x in np.arange(40, WIDE - 40, 22):
            y = float(top + step * rng.integers(0, 9) / 2)
            disc(sheet, (float(x), y), 0.45 * step, 0.1)
            line(sheet, (float(x) + 4, y), (float(x) + 4, y - 3 * step), 1.2, 0.1)
        for x in range(20, WIDE, 120):
            line(sheet, (x, top), (x, top + 4 * step), 1.5, 0.1)


def table(sheet: Image, rng: Rng, step: float) -> None:
    """A printed form: boxes for single letters, some filled, a gap at every fourth or fifth."""
    every, step = int(rng.choice([4, 5])), max(step, 14.0)
    for y in range(40, HIGH - 40, 60):
        for n in range(int((WIDE - 40) / step)):
            line(sheet, (20 + n * step, y), (20 + n * step, y + 26), 2.0 if n % every == 0 else 1.0)
            if rng.uniform() < 0.4:
                words(sheet, str(rng.integers(10)), (24 + n * step, y + 21), 0.7 * step)
        for edge in (y, y + 26):
            line(sheet, (20, edge), (WIDE - 20, edge), 1.0)


def typed(sheet: Image, rng: Rng, step: float) -> None:
    """Letters of one width: strokes in a row, a longer one here and there."""
    text = str(rng.choice(["||||'", "iiiil", "nnnnh", "1111|", "mmmmp", "ttttf"]))
    size = max(step, 9.0) * 1.6
    for y in range(40, HIGH, int(2.2 * size)):
        words(sheet, text * 40, (12, y), size, face="DejaVuSansMono.ttf")


def basket(sheet: Image, rng: Rng, step: float) -> None:
    y, x = np.mgrid[0 : sheet.shape[0], 0 : sheet.shape[1]] / (FINER * step)
    strand = 0.5 + 0.4 * np.abs(np.sin(np.pi * np.where((x // 3 + y // 3) % 2 == 0, x, y)))
    sheet[:] = strand * (0.9 + 0.1 * np.sin(0.7 * x + 0.3 * y))


def dots(sheet: Image, rng: Rng, step: float) -> None:
    """A print's raster: dots whose size follows a picture that shades across."""
    y, x = np.mgrid[0 : sheet.shape[0], 0 : sheet.shape[1]] / (FINER * min(step, 12.0))
    shade = 0.5 + 0.4 * np.sin(x / 9 + float(rng.uniform(0, 6))) * np.cos(y / 11)
    wave = 0.25 * (2 + np.cos(2 * np.pi * (x + y)) + np.cos(2 * np.pi * (x - y)))
    sheet[:] = np.where(wave > shade, 0.85, 0.1)


def crossing(sheet: Image, rng: Rng, step: float) -> None:
    """Stripes of paint on a road, worn, and a kerb."""
    for n in range(int(WIDE / step) + 1):
        top, foot = (float(y + 3 * rng.normal()) for y in (140, 360))
        line(sheet, (n * step, top), (n * step, foot), 0.5 * step, 0.95)
    line(sheet, (-9, 100), (WIDE + 9, 100), 8, 0.4)


def courses(sheet: Image, rng: Rng, step: float) -> None:
    """Brick in running bond, each brick of its own shade, every fifth course of headers."""
    high = max(step, 12.0)
    for row in range(int(HIGH / high) + 1):
        long = (1.3 if row % 5 == 0 else 2.8) * high
        x = -long * (0.5 if row % 2 else 0.0)
        while x < WIDE:
            shade, m = 0.35 + 0.1 * float(rng.normal()), 0.07 * high
            fill(sheet, np.array([[x + m, row * high + m], [x + long - m, row * high + m],
                                  [x + long - m, (row + 1) * high - m], [x + m, (row + 1) * high - m]]),
                 float(np.clip(shade, 0.1, 0.8)))  # fmt: skip
            x += long


def gear(sheet: Image, rng: Rng, step: float) -> None:
    """Teeth or marks around a dial, every fifth longer, of which an arc is in view."""
    radius, middle = float(rng.uniform(500, 1500)), np.array([WIDE / 2, 0.0])
    middle[1] = HIGH / 2 + radius
    for n in range(-60, 61):
        angle = n * step / radius
        way = np.array([np.sin(angle), -np.cos(angle)])
        reach = 60 if n % 5 == 0 else 35
        line(
            sheet, tuple(middle + radius * way), tuple(middle + (radius + reach) * way), 0.2 * step
        )


DRAWN: dict[str, Callable[[Image, Rng, float], None]] = {
    "grille": grille, "spiked fence": spiked_fence, "louvre": louvre, "tartan": tartan,
    "gauze": gauze, "chain link": chain_link, "corrugated sheet": corrugated, "music": music,
    "form": table, "typed": typed, "basket": basket, "raster of dots": dots,
    "road crossing": crossing, "brick courses": courses, "dial": gear,
}  # fmt: skip


def pattern(rng: Rng, folder: Path, *, what: str) -> Outcome:
    """One of them, turned, sometimes seen askew, in uneven light."""
    sheet = canvas(WIDE, HIGH)
    DRAWN[what](sheet, rng, float(np.exp(rng.uniform(np.log(7), np.log(34)))))
    sheet = turned(sheet, float(rng.uniform(-20, 20)), float(rng.uniform(-0.02, 0.02)))
    if rng.uniform() < 0.4:
        high, wide = sheet.shape
        lean = rng.uniform(-0.12, 0.12, (4, 2)) * np.array([wide, high])
        to = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], np.float32)
        warp = cv2.getPerspectiveTransform(to, (to + lean).astype(np.float32))
        sheet = cv2.warpPerspective(sheet, warp, (wide, high), borderMode=cv2.BORDER_REFLECT)
    light = np.linspace(1, float(rng.uniform(0.5, 1)), sheet.shape[1], dtype=np.float32)[None]
    photo = exposed(sheet * light, rng, blur=float(rng.uniform(0.4, 1.4)))
    path = saved(photo, folder / "p", some_quality(rng))
    return nothing_there(ask("scale", path, "--division", "10um"), what, "pixel_size")


KINDS: dict[str, Kind] = {name: (5, partial(pattern, what=name)) for name in DRAWN}
