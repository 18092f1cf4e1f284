"""Lattices: pixels with and without a colour mosaic, screens, weave, hexagons, lattices in lattices,
dies whose surroundings come close to the border."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from studies.attack.case import (
    CRASH,
    LOST,
    REFUSED,
    RIGHT,
    WRONG,
    Answer,
    Kind,
    Outcome,
    ask,
    worst,
)
from studies.attack.drawing import (
    FINER,
    Image,
    exposed,
    photographed_in_colour,
    saved,
    screen,
    some_quality,
    turned,
)
from studies.attack.scenes import PHOTOS, library_photo

WIDE, HIGH = 480, 400
Rng = np.random.Generator


def pitch_told(answer: Answer, true: tuple[float, ...], *, good: bool) -> Outcome:
    """Both pitches have to be among those that the drawing has, to 0.3 % or 3 u."""
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    if not answer.measured or answer.value("pitch_x") is None:
        return Outcome(LOST if good else REFUSED, answer.reason[:160])
    for key in ("pitch_x", "pitch_y"):
        value, u = answer.value(key), answer.u(key)
        if not any(abs(value - one) <= max(3 * u, 0.003 * one) for one in true):
            says = (
                f"{key} {value:.5g} (u {u:.2g}), truth {' or '.join(f'{one:.5g}' for one in true)}"
            )
            return Outcome(WRONG, says)
    return Outcome(RIGHT)


def no_mosaic(answer: Answer) -> Outcome:
    """A thing without colours holds no colour mosaic, or that is not claimed."""
    if answer.measured and answer.value("mosaic_period_x") is not None:
        return Outcome(
            WRONG, f"told a colour mosaic, period {answer.value('mosaic_period_x'):.5g} px"
        )
    return Outcome(RIGHT)


def axes() -> tuple[Image, Image]:
    """Places in px of the photo over the finer sheet."""
    y, x = np.mgrid[0 : HIGH * FINER, 0 : WIDE * FINER].astype(np.float32)
    return (x + 0.5) / FINER, (y + 0.5) / FINER


def windows(pitch: float, alternating: float = 0.0) -> Image:
    """Square bright pixels with dark streets; `alternating` differs every second one, as weave does."""
    x, y = axes()
    u, v = x / pitch, y / pitch
    open_ = (np.abs(u % 1 - 0.5) < 0.36) & (np.abs(v % 1 - 0.5) < 0.36)
    odd = (np.floor(u) + np.floor(v)) % 2
    return np.where(open_, 0.7 - alternating * odd, 0.2).astype(np.float32)


def photo_of(sheet: Image, rng: Rng, folder: Path, degrees: float = 8) -> Path:
    turn = float(rng.uniform(-degrees, degrees))
    photo = exposed(turned(sheet, turn, fill=0.2), rng, blur=float(rng.uniform(0.6, 1.0)))
    return saved(photo, folder / "p", some_quality(rng))


def grey(rng: Rng, folder: Path) -> Outcome:
    pitch = float(rng.uniform(6, 20))
    answer = ask("array", photo_of(windows(pitch), rng, folder))
    return worst(pitch_told(answer, (pitch,), good=True), no_mosaic(answer))


def weave(rng: Rng, folder: Path) -> Outcome:
    """Every second cell is darker: threads over and under. Either step may be told, no mosaic."""
    pitch = float(rng.uniform(7, 18))
    answer = ask("array", photo_of(windows(pitch, float(rng.uniform(0.1, 0.35))), rng, folder, 4))
    step = (pitch, pitch * 2**0.5, 2 * pitch)
    return worst(pitch_told(answer, step, good=False), no_mosaic(answer))


def diagonal(rng: Rng, folder: Path) -> Outcome:
    """A grey chessboard of dots: a lattice turned by 45 degrees. Half its step is nowhere."""
    pitch, (x, y) = float(rng.uniform(9, 20)), axes()
    u, v = x / pitch, y / pitch
    dot = ((u % 1 - 0.5) ** 2 + (v % 1 - 0.5) ** 2 < 0.12) & ((np.floor(u) + np.floor(v)) % 2 > 0)
    answer = ask("array", photo_of(np.where(dot, 0.7, 0.2).astype(np.float32), rng, folder, 5))
    return worst(pitch_told(answer, (pitch * 2**0.5,), good=False), no_mosaic(answer))


def lcd(rng: Rng, folder: Path) -> Outcome:
    pitch = float(rng.uniform(8, 24))
    shown = np.full((HIGH * FINER, WIDE * FINER), 0.9, np.float32)
    photo = photographed_in_colour(
        screen(shown, rng, pitch), rng, blur=float(rng.uniform(0.5, 1.2))
    )
    answer = ask("array", saved(photo, folder / "p", some_quality(rng)))
    return pitch_told(answer, (pitch,), good=False)


def hexagons(rng: Rng, folder: Path) -> Outcome:
    """Discs in a hexagonal lattice of step a: rows are a sqrt(3) / 2 apart."""
    a, (x, y) = float(rng.uniform(9, 22)), axes()
    sheet = np.full(x.shape, 0.2, np.float32)
    for shift in (0.0, 0.5):
        u, v = x / a + shift, y / (a * 3**0.5) + shift
        sheet[((u % 1 - 0.5) ** 2 + 3 * (v % 1 - 0.5) ** 2) < 0.1] = 0.7
    answer = ask("array", photo_of(sheet, rng, folder, 5))
    return pitch_told(answer, (a, a * 3**0.5 / 2, a * 3**0.5), good=True)


def hexagonal_array(rng: Rng, folder: Path) -> Outcome:
    """A rectangle of hexagonal sites on plain ground: its rows are a sqrt(3) / 2 apart."""
    a, wide, high = float(rng.uniform(7, 10)), 560, 460
    columns, rows = int(wide * 0.7 / a), int(high * 0.7 / (a * 3**0.5 / 2))
    y, x = (np.mgrid[0 : high * FINER, 0 : wide * FINER].astype(np.float32) + 0.5) / FINER
    x0, y0 = (wide - columns * a) / 2, (high - rows * a * 3**0.5 / 2) / 2
    sheet = np.full(x.shape, 0.35, np.float32)
    within = (x > x0) & (x < wide - x0) & (y > y0) & (y < high - y0)
    sheet[within] = 0.15
    row = np.floor((y - y0) / (a * 3**0.5 / 2))
    u = ((x - x0) / a + 0.5 * (row % 2)) % 1 - 0.5
    v = ((y - y0) / (a * 3**0.5 / 2)) % 1 - 0.5
    sheet[within & (u**2 + 0.75 * v**2 < 0.12)] = 0.65
    answer = ask("array", saved(exposed(sheet, rng, blur=0.6), folder / "p", 95))
    seen = pitch_told(answer, (a,), good=False)
    for key, true in (("columns", columns), ("rows", rows)):
        told = answer.value(key)
        if told is not None and abs(told - true) > max(3 * answer.u(key), 0.01 * true):
            says = f"{key} {told:.5g} (u {answer.u(key):.2g}), truth {true}"
            seen = worst(seen, Outcome(WRONG, says))
    return seen


def running_bond(rng: Rng, folder: Path) -> Outcome:
    """Cells shifted by half in every second row, as bricks: no pitch but the drawing's."""
    pitch, (x, y) = float(rng.uniform(8, 18)), axes()
    high = pitch * float(rng.uniform(0.5, 1.0))
    row = np.floor(y / high)
    u, v = (x / pitch + 0.5 * (row % 2)) % 1, (y / high) % 1
    sheet = np.where((np.abs(u - 0.5) < 0.38) & (np.abs(v - 0.5) < 0.36), 0.7, 0.2)
    answer = ask("array", photo_of(sheet.astype(np.float32), rng, folder, 4))
    true = (pitch, high, 2 * high, float(np.hypot(pitch / 2, high)))
    return worst(pitch_told(answer, true, good=False), no_mosaic(answer))


def nested(rng: Rng, folder: Path) -> Outcome:
    """Every eighth column and row is darker: a lattice in a lattice. The finer is the pixels'."""
    pitch, every = float(rng.uniform(7, 14)), int(rng.choice([4, 8, 16]))
    x, y = axes()
    sheet = windows(pitch)
    sheet[(np.floor(x / pitch) % every == 0) | (np.floor(y / pitch) % every == 0)] *= 0.7
    answer = ask("array", photo_of(sheet, rng, folder))
    return worst(pitch_told(answer, (pitch, pitch * every), good=True), no_mosaic(answer))


def mosaic_sheet(pitch: float, wide: int, high: int) -> Image:
    """Pixels under red, green, green, blue, BGR."""
    y, x = (np.mgrid[0 : high * FINER, 0 : wide * FINER].astype(np.float32) + 0.5) / FINER
    u, v = x / pitch, y / pitch
    open_ = ((u % 1 - 0.5) ** 2 + (v % 1 - 0.5) ** 2) < 0.18
    place = (np.floor(u) % 2 + np.floor(v) % 2).astype(int)  # 0 red, 1 green, 2 blue
    sheet = np.full((*x.shape, 3), 0.12, np.float32)
    for colour, channel in ((0, 2), (1, 1), (2, 0)):
        sheet[..., channel] += 0.5 * (open_ & (place == colour)) + 0.04 * open_
    return sheet


def mosaic(rng: Rng, folder: Path) -> Outcome:
    pitch = float(rng.uniform(8, 18))
    photo = photographed_in_colour(mosaic_sheet(pitch, WIDE, HIGH), rng, blur=0.8)
    return pitch_told(ask("array", saved(photo, folder / "p", 95)), (pitch,), good=True)


def surrounded(rng: Rng, folder: Path) -> Outcome:
    """A whole die: even array, a plain margin of 5 %, then blocks of circuits out to the border."""
    wide, high = 900, 700
    columns, rows = int(rng.integers(90, 130)), int(rng.integers(70, 90))
    pitch = min(wide * 0.72 / columns, high * 0.72 / rows)
    x0, y0 = (wide - columns * pitch) / 2, (high - rows * pitch) / 2
    y, x = (np.mgrid[0 : high * 2, 0 : wide * 2].astype(np.float32) + 0.5) / 2
    blocks = cv2.resize(rng.uniform(0.1, 0.8, (28, 36)).astype(np.float32), (wide * 2, high * 2),
                        interpolation=cv2.INTER_NEAREST)  # fmt: skip
    margin = 0.05 * columns * pitch
    sheet = blocks
    inner = (
        (x > x0 - margin) & (x < wide - x0 + margin) & (y > y0 - margin) & (y < high - y0 + margin)
    )
    sheet[inner] = 0.35
    u, v = (x - x0) / pitch, (y - y0) / pitch
    within = (u > 0) & (u < columns) & (v > 0) & (v < rows)
    lit = within & (np.abs(u % 1 - 0.5) < 0.34) & (np.abs(v % 1 - 0.5) < 0.34)
    sheet[within] = 0.15
    sheet[lit] = 0.6
    photo = exposed(
        cv2.resize(sheet, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST), rng, blur=0.6
    )
    answer = ask("array", saved(photo, folder / "p", 95))
    seen = pitch_told(answer, (pitch,), good=True)
    for key, true in (("columns", columns), ("rows", rows)):
        told = answer.value(key)
        if told is None:
            seen = worst(seen, Outcome(LOST, f"no {key}: {' '.join(answer.notes)[:200]}"))
        elif abs(told - true) > max(3 * answer.u(key), 0.005 * true):
            seen = worst(
                seen, Outcome(WRONG, f"{key} {told:.5g} (u {answer.u(key):.2g}), truth {true}")
            )
    return seen


def no_lattice(rng: Rng, folder: Path) -> Outcome:
    name = PHOTOS[int(rng.integers(len(PHOTOS)))]
    image = cv2.resize(np.ascontiguousarray(library_photo(name)), (WIDE, HIGH))
    answer = ask("array", saved(image, folder / "p", some_quality(rng)))
    return pitch_told(answer, (), good=False)


KINDS: dict[str, Kind] = {
    "grey pixels": (10, grey),
    "weave": (10, weave),
    "dots of a chessboard, grey": (8, diagonal),
    "cells of a screen": (10, lcd),
    "hexagonal lattice": (10, hexagons),
    "hexagonal array, counted": (6, hexagonal_array),
    "rows shifted by half": (8, running_bond),
    "lattice in a lattice": (8, nested),
    "pixels under a colour mosaic": (8, mosaic),
    "array amid other circuits": (8, surrounded),
    "photographs": (10, no_lattice),
}
