"""Edges of a known lens, stored by tone curves that nobody states, and edges that mislead."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import brentq

from studies.attack.case import Kind, Outcome, ask, nothing_there, number
from studies.attack.drawing import canvas, disc, exposed, fill, line, saved, stored, turned

WIDE, HIGH = 420, 340
Rng = np.random.Generator


def frequency_50(blur: float) -> float:
    """Where a Gaussian blur (px) and a square px together keep half, cycles/px."""

    def kept(f: float) -> float:
        return float(np.exp(-2 * (np.pi * blur * f) ** 2) * np.sinc(f) - 0.5)

    return float(brentq(kept, 1e-4, 0.99))


def square(rng: Rng, low: float, high: float):
    sheet = canvas(WIDE, HIGH, low)
    fill(
        sheet, np.array([[90, 70], [WIDE - 90, 70], [WIDE - 90, HIGH - 70], [90, HIGH - 70]]), high
    )
    return turned(sheet, float(rng.choice([-1, 1]) * rng.uniform(3, 12)), fill=low)


def toned(rng: Rng, folder: Path, *, curve: str, good: bool) -> Outcome:
    blur = float(rng.uniform(0.7, 2.5))
    sheet = square(rng, float(rng.uniform(0.02, 0.2)), float(rng.uniform(0.55, 0.9)))
    low_noise = float(rng.uniform(0.002, 0.01))
    if curve == "s":  # a camera's own contrast curve above sRGB
        photo = exposed(sheet, rng, blur=blur, noise=low_noise).astype(float) / 255
        bent = photo + 0.12 * np.sin(2 * np.pi * (photo - 0.5))
        photo = np.round(255 * np.clip(bent, 0, 1)).astype(np.uint8)
    else:
        gamma = None if curve == "srgb" else float(curve)
        photo = exposed(sheet, rng, blur=blur, noise=low_noise, gamma=gamma)
    path = saved(photo, folder / "p", [None, 95][int(rng.integers(2))])
    stated = ["--tone", "srgb"] if curve == "srgb" else []
    return number(
        ask("edge", path, *stated), "frequency_50", frequency_50(blur), good=good, bound=0.02
    )


def clipped(rng: Rng, folder: Path) -> Outcome:
    """Light far beyond full scale: the edge is cut off, and looks sharper than it is."""
    blur = float(rng.uniform(1.2, 2.5))
    path = saved(
        exposed(square(rng, 0.05, float(rng.uniform(1.3, 4))), rng, blur=blur), folder / "p", None
    )
    return number(ask("edge", path), "frequency_50", frequency_50(blur), good=False, bound=0.03)


def soft_thing(rng: Rng, folder: Path) -> Outcome:
    """The lens is sharp, the thing is not: a shadow's border. What is told is no more than the lens."""
    sheet = cv2.GaussianBlur(square(rng, 0.1, 0.7), (0, 0), 24)
    path = saved(exposed(sheet, rng, blur=0.7), folder / "p", None)
    true = frequency_50(float(np.hypot(0.7, 6)))  # of the picture; the edge's own softness is in it
    return number(ask("edge", path), "frequency_50", true, good=False, bound=0.03)


def bent(rng: Rng, folder: Path) -> Outcome:
    """Round holes: no straight edge, or a right answer all the same."""
    sheet, blur = canvas(WIDE, HIGH, 0.1), float(rng.uniform(0.7, 1.6))
    for _ in range(5):
        middle = (float(rng.uniform(60, 360)), float(rng.uniform(60, 280)))
        disc(sheet, middle, float(rng.uniform(25, 55)), 0.7)
    path = saved(exposed(sheet, rng, blur=blur, noise=0.005), folder / "p", None)
    return number(ask("edge", path), "frequency_50", frequency_50(blur), good=False, bound=0.02)


def thin(rng: Rng, folder: Path) -> Outcome:
    """Lines a few px wide: their two edges overlap in the blur."""
    sheet, blur = canvas(WIDE, HIGH, 0.75), float(rng.uniform(1.0, 2.0))
    for n in range(5):
        line(sheet, (40 + 75 * n, 20), (60 + 75 * n, 320), float(rng.uniform(2, 6)), 0.1)
    path = saved(exposed(sheet, rng, blur=blur, noise=0.005), folder / "p", None)
    return number(ask("edge", path), "frequency_50", frequency_50(blur), good=False, bound=0.02)


def shaken(rng: Rng, folder: Path) -> Outcome:
    """Blur along one axis only: the answer along each axis has to be that axis's."""
    blur, long = 0.7, float(rng.uniform(3, 6))
    sheet = cv2.blur(square(rng, 0.1, 0.7), (round(long * 4), 1))
    path = saved(exposed(sheet, rng, blur=blur, noise=0.005), folder / "p", None)
    answer = ask("edge", path)

    def kept(f: float) -> float:
        return float(np.exp(-2 * (np.pi * blur * f) ** 2) * np.sinc(f) * np.sinc(f * long) - 0.5)

    low, high = float(brentq(kept, 1e-4, 0.9 / long)), frequency_50(blur)
    told = answer.value("frequency_50") if answer.measured else None
    if told is not None and 0.97 * low <= told <= 1.03 * high:
        return Outcome("right")
    return number(answer, "frequency_50", low, good=False, bound=0.02)


def blank(rng: Rng, folder: Path) -> Outcome:
    photo = stored(0.5 + rng.normal(0, 0.02, (HIGH, WIDE)) + np.linspace(-0.2, 0.2, WIDE))
    return nothing_there(ask("edge", saved(photo, folder / "p", 90)), "a gradient", "frequency_50")


KINDS: dict[str, Kind] = {
    "sRGB, stated": (14, partial(toned, curve="srgb", good=True)),
    "power law 1.8, unstated": (12, partial(toned, curve="1.8", good=False)),
    "power law 2.6, unstated": (10, partial(toned, curve="2.6", good=False)),
    "linear, unstated": (10, partial(toned, curve="1.0", good=False)),
    "contrast curve, unstated": (10, partial(toned, curve="s", good=False)),
    "clipped": (10, clipped),
    "shadow's border": (6, soft_thing),
    "round holes": (8, bent),
    "thin lines": (8, thin),
    "shaken along one axis": (8, shaken),
    "gradient": (4, blank),
}
