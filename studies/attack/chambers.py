"""Counting chambers as they are photographed: part of the ruling, behind an eyepiece, round fields.

Each is drawn px by px from where the px lies on the chamber: through a lens with radial distortion
whose higher terms and axis are its own, seen a little askew, at a known number of px a division.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import erf

from studies.attack.case import Kind, Outcome, ask, number
from studies.attack.drawing import Image, saved

WIDE, HIGH = 960, 680
DIVISION_UM = 50.0
Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Lens:
    """r_d = r (1 + k r^2 + q k^2 r^4) about an axis (x, y) px from the middle, radii in half diagonals;
    `lean` is the change of scale from the middle to the corner, along and across."""

    k: float = 0.0
    q: float = 0.0
    axis: tuple[float, float] = (0.0, 0.0)
    lean: tuple[float, float] = (0.0, 0.0)

    def back(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Where a perfect lens would show what stands at (x, y) px from the middle."""
        half = np.hypot(WIDE, HIGH) / 2
        a, b = (x - self.axis[0]) / half, (y - self.axis[1]) / half
        seen = np.hypot(a, b)
        r = seen.copy()
        for _ in range(40):  # a fixed point: slow, and unlike the method's own
            r = seen / (1 + self.k * r**2 + self.q * self.k**2 * r**4)
        share = r / np.maximum(seen, 1e-9)
        a, b = a * share + self.axis[0] / half, b * share + self.axis[1] / half
        away = 1 + self.lean[0] * a + self.lean[1] * b
        return half * a / away, half * b / away

    @property
    def scale(self) -> float:
        """How many px of the photo's middle a px of a perfect lens is shown on."""
        x, y = self.back(np.array([0.0, 0.5, 0.0]), np.array([0.0, 0.0, 0.5]))
        area = (x[1] - x[0]) * (y[2] - y[0]) - (x[2] - x[0]) * (y[1] - y[0])
        return float(0.5 / np.sqrt(area))


def strokes(structure: str) -> list[tuple[float, int]]:
    """Lines of one direction: place in divisions and strokes (1, 2 or 3)."""
    if structure == "improved":  # 3 mm: squares of 1/4 mm, in the middle 1/20 mm in groups of four
        outer = [5 * n for n in (*range(4), *range(9, 13))]
        lines = [(float(n), 3 if n % 20 == 0 else 1) for n in outer]
        return lines + [(20.0 + n, 3 if n % 4 == 0 else 1) for n in range(21)]
    every, many = {"fives, double": (5, 2), "fives, triple": (5, 3), "fours, triple": (4, 3),
                   "tens, double": (10, 2)}[structure]  # fmt: skip
    return [(float(n), many if n % every == 0 else 1) for n in range(61)]


def ink(at: Array, lines: list[tuple[float, int]], wide: float, blur: float) -> Array:
    """How much of the lines' contrast stands at places `at` (divisions)."""
    total = np.zeros_like(at)
    apart = 0.13
    for place, many in lines:
        for stroke in range(many):
            middle = place + (stroke - (many - 1) / 2) * apart
            near = np.abs(at - middle) < wide + 5 * blur
            away = at[near] - middle
            total[near] += 0.5 * (
                erf((away + wide / 2) / (blur * 1.414)) - erf((away - wide / 2) / (blur * 1.414))
            )
    return np.minimum(total, 1.0)


def photo(rng: np.random.Generator, structure: str, period: float, lens: Lens, *,
          middle: tuple[float, float], turn: float, blur_px: float = 0.8, contrast: float = 0.3,
          round_field: float = 0.0, dirt: int = 30, vignette: float = 0.15) -> Image:  # fmt: skip
    """Linear light (height, width); `middle` is what of the chamber stands in the photo's middle."""
    y, x = np.mgrid[0:HIGH, 0:WIDE].astype(np.float64)
    x, y = x - (WIDE - 1) / 2, y - (HIGH - 1) / 2
    far = np.hypot(x, y) / (np.hypot(WIDE, HIGH) / 2)
    a, b = lens.back(x, y)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    u, v = (a * c + b * s) / period + middle[0], (b * c - a * s) / period + middle[1]
    lines = strokes(structure)
    wide, blur = 0.06, blur_px / period
    first, last = lines[0][0] - 0.4, 60.4
    drawn = np.maximum(
        ink(u, lines, wide, blur) * ((v > first) & (v < last)),
        ink(v, lines, wide, blur) * ((u > first) & (u < last)),
    )
    light = 0.4 * (1 + contrast * drawn * rng.choice([1.0, -1.0]))
    for _ in range(dirt):
        size = period * float(rng.uniform(0.05, 0.25))
        px, py = rng.uniform(-WIDE / 2, WIDE / 2), rng.uniform(-HIGH / 2, HIGH / 2)
        blob = np.exp(-(((x - px) ** 2 + (y - py) ** 2) / size**2))
        light *= 1 + float(rng.uniform(-0.6, 0.6)) * blob
    light *= 1 - vignette * far**2
    if round_field:
        edge = round_field * HIGH / 2
        off = (lens.axis[0], lens.axis[1])
        light *= 0.5 * (1 - erf((np.hypot(x - off[0], y - off[1]) - edge) / 2.0))
    light += rng.normal(0, 0.006, light.shape) * np.sqrt(np.maximum(light, 0) + 0.01)
    return np.clip(light, 0, 1)


def developed(light: Image) -> npt.NDArray[np.uint8]:
    return np.asarray(np.rint(255 * light ** (1 / 2.2)), dtype=np.uint8)


def chamber(
    rng: np.random.Generator, folder: Path, *, structure: str, k: tuple[float, float] = (0, 0),
    lean: float = 0.0, aside: bool = False, round_field: bool = False, soft: bool = False,
    quality: tuple[int, int] = (70, 96), good: bool = True, **more: Any,
) -> Outcome:  # fmt: skip
    """One photo; its truth is the px of a division in its middle."""
    period = float(rng.uniform(14, 26))
    bend = float(rng.choice([-1, 1]) * rng.uniform(*k)) if k[1] else 0.0
    axis = (float(rng.normal(0, 15)), float(rng.normal(0, 15)))
    lens = Lens(bend, float(rng.uniform(-2, 4)), axis if k[1] else (0.0, 0.0),
                (float(rng.normal(0, lean)), float(rng.normal(0, lean))))  # fmt: skip
    span = WIDE / period
    if structure == "improved":
        middle = (float(rng.uniform(18, 30)), float(rng.uniform(18, 42)))
        if aside:  # the fine lines of one direction stand on one side of the photo
            middle = (20 - float(rng.uniform(-0.1, 0.15)) * span, float(rng.uniform(8, 20)))
    else:
        middle = (float(rng.uniform(20, 40)), float(rng.uniform(20, 40)))
        if aside:
            middle = (float(rng.uniform(-0.1, 0.1)) * span, float(rng.uniform(20, 40)))
    light = photo(
        rng, structure, period, lens, middle=middle, turn=float(rng.uniform(-9, 9)),
        blur_px=float(rng.uniform(1.5, 2.5) if soft else rng.uniform(0.6, 1.2)),
        round_field=float(rng.uniform(0.95, 1.25)) if round_field else 0.0, **more,
    )  # fmt: skip
    path = saved(developed(light), folder / "p", int(rng.integers(*quality)))
    answer = ask("scale", path, "--division", f"{DIVISION_UM:g}um")
    return number(answer, "pixel_size", DIVISION_UM / (period * lens.scale), good=good, bound=0.004)


KINDS: dict[str, Kind] = {
    "fives, double": (4, partial(chamber, structure="fives, double")),
    "fives, triple": (4, partial(chamber, structure="fives, triple")),
    "fours, triple": (4, partial(chamber, structure="fours, triple")),
    "tens, double": (4, partial(chamber, structure="tens, double")),
    "improved ruling": (5, partial(chamber, structure="improved")),
    "ruling in part of the field": (4, partial(chamber, structure="fives, triple", aside=True)),
    "improved, in part of the field": (4, partial(chamber, structure="improved", aside=True)),
    "soft": (4, partial(chamber, structure="fours, triple", soft=True)),
    "JPEG 40 to 60": (4, partial(chamber, structure="fives, double", quality=(40, 60))),
    "many specks": (4, partial(chamber, structure="fours, triple", dirt=250)),
    "faint": (4, partial(chamber, structure="fives, triple", contrast=0.07)),
    "vignetted": (3, partial(chamber, structure="fives, double", vignette=0.7)),
    "round field": (4, partial(chamber, structure="fives, triple", round_field=True)),
    "eyepiece, 2 to 6 %": (
        5, partial(chamber, structure="fours, triple", k=(0.02, 0.06), round_field=True, lean=0.004),
    ),
    "eyepiece, 6 to 25 %, whole ruling": (
        6, partial(chamber, structure="fours, triple", k=(0.06, 0.25), round_field=True, lean=0.004),
    ),
    "eyepiece, 6 to 25 %, ruling aside": (
        8, partial(chamber, structure="improved", k=(0.06, 0.25), round_field=True, lean=0.004,
                    aside=True, good=False),
    ),
    "askew": (4, partial(chamber, structure="fives, triple", lean=0.02)),
}  # fmt: skip
