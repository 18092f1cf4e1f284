"""Pairs of photos of one chip, of two chips, and of repeating chips, each with its own distortion."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from studies.attack.case import Kind, Outcome, ask, nothing_there, number, worst
from studies.attack.drawing import saved, stored
from studies.attack.scenes import library_photo

WIDE, HIGH = 480, 380
Rng = np.random.Generator


def chip(rng: Rng, *, repeats: bool = False) -> NDArray[np.float32]:
    """Blocks, wires and pads at random; with `repeats` one small block all over."""
    side = 260 if repeats else 1500
    sheet = np.full((side, side), 0.25, np.float32)
    for _ in range(60 if repeats else 700):
        x, y = (int(v) for v in rng.integers(0, side, 2))
        w, h = (int(v) for v in rng.integers(4, 110, 2) // (1, int(rng.integers(1, 12))) + 2)
        if rng.integers(2):
            w, h = h, w
        cv2.rectangle(sheet, (x, y), (x + w, y + h), float(rng.uniform(0.05, 0.9)), -1)
    return np.tile(sheet, (6, 6))[:1500, :1500] if repeats else sheet


def view(sheet: NDArray[np.float32], rng: Rng, middle: tuple[float, float], scale: float,
         degrees: float, bend: float = 0.0) -> NDArray[np.uint8]:  # fmt: skip
    """`scale` samples of the chip a px, turned, with `bend` of distortion at the corner."""
    y, x = np.mgrid[0:HIGH, 0:WIDE].astype(np.float32)
    x, y = x - (WIDE - 1) / 2, y - (HIGH - 1) / 2
    grow = scale * (1 + bend * (x**2 + y**2) / (WIDE**2 / 4 + HIGH**2 / 4))
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    map_x = (middle[0] + grow * (c * x + s * y)).astype(np.float32)
    map_y = (middle[1] + grow * (c * y - s * x)).astype(np.float32)
    soft = cv2.GaussianBlur(sheet, (0, 0), max(0.5, 0.6 * scale))
    seen = cv2.remap(soft, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return stored(seen * rng.uniform(0.8, 1.1) + rng.normal(0, 0.01, seen.shape))


def pair(rng: Rng, folder: Path, *, overlap: tuple[float, float], bend: float = 0.0,
         repeats: bool = False, ratio: tuple[float, float] = (0.7, 1.4),
         good: bool) -> Outcome:  # fmt: skip
    """Two views that share a part; the ratio of pixel sizes and the turn are known."""
    sheet = chip(rng, repeats=repeats)
    first, second = 1.1, 1.1 * float(rng.uniform(*ratio))
    turn = float(rng.uniform(-25, 25))
    shared = float(rng.uniform(*overlap))
    off = (1 - shared) * WIDE * (first + second) / 2
    way = rng.uniform(-0.4, 0.4)
    here = (750 - off / 2, 750.0)
    there = (750 + off / 2, 750 + off * np.tan(way) / 4)
    one = view(sheet, rng, here, first, 0.0, bend * float(rng.choice([-1, 1])))
    two = view(sheet, rng, there, second, turn, bend * float(rng.choice([-1, 1])))
    paths = [saved(one, folder / "a", 92), saved(two, folder / "b", 92)]
    answer = ask("match", *paths)
    right = number(answer, "scale_ratio", second / first, good=good)
    return worst(right, number(answer, "rotation", turn, good=good))


def strangers(rng: Rng, folder: Path, *, repeats: bool) -> Outcome:
    """Two chips, or far places of one: nothing is shared."""
    one, two = chip(rng, repeats=repeats), chip(rng, repeats=repeats)
    paths = [saved(view(one, rng, (750, 750), 1.1, 0), folder / "a", 92),
             saved(view(two, rng, (700, 760), 1.3, 10), folder / "b", 92)]  # fmt: skip
    return nothing_there(ask("match", *paths), "two chips", "scale_ratio")


def of_photograph(rng: Rng, folder: Path, *, bend: float, mirrored: bool = False) -> Outcome:
    """Two views of a photograph shipped with a library; `mirrored`, the second is turned over."""
    image = library_photo(TEXTURED[int(rng.integers(len(TEXTURED)))])
    grey = (image.mean(2) if image.ndim == 3 else image).astype(np.float32) / 255 * 0.85 + 0.03
    sheet = cv2.resize(grey, (1500, 1500), interpolation=cv2.INTER_CUBIC)
    first, second = 1.1, 1.1 * float(rng.uniform(0.85, 1.2))
    turn, shared = float(rng.uniform(-25, 25)), float(rng.uniform(0.25, 0.7))
    off = (1 - shared) * WIDE * (first + second) / 2
    one = view(sheet, rng, (750 - off / 2, 750), first, 0, float(rng.uniform(-bend, bend)))
    two = view(sheet, rng, (750 + off / 2, 750), second, turn, float(rng.uniform(-bend, bend)))
    if mirrored:
        two = np.ascontiguousarray(two[:, ::-1])
    answer = ask("match", saved(one, folder / "a", 92), saved(two, folder / "b", 92))
    if mirrored:
        return nothing_there(answer, "one photo is turned over", "scale_ratio")
    right = number(answer, "scale_ratio", second / first, good=False)
    return worst(right, number(answer, "rotation", turn, good=False))


TEXTURED = ("astronaut", "brick", "camera", "coffee", "coins", "grass", "gravel", "rocket",
            "china.jpg", "clock", "chelsea", "hubble_deep_field")  # fmt: skip


KINDS: dict[str, Kind] = {
    "wide overlap": (5, partial(pair, overlap=(0.6, 0.9), good=True)),
    "narrow overlap": (6, partial(pair, overlap=(0.18, 0.3), ratio=(0.9, 1.1), good=False)),
    "narrow overlap, distortion": (
        8, partial(pair, overlap=(0.2, 0.4), ratio=(0.9, 1.1), bend=0.01, good=False)),
    "wide overlap, distortion": (5, partial(pair, overlap=(0.6, 0.9), bend=0.01, good=False)),
    "repeating chip": (3, partial(pair, overlap=(0.5, 0.9), repeats=True, good=False)),
    "photograph": (6, partial(of_photograph, bend=0.0)),
    "photograph, distortion": (14, partial(of_photograph, bend=0.01)),
    "photograph, turned over": (4, partial(of_photograph, bend=0.0, mirrored=True)),
    "two chips": (3, partial(strangers, repeats=False)),
    "two repeating chips": (2, partial(strangers, repeats=True)),
}  # fmt: skip
