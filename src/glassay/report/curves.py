"""Curves: what small charts show, legible without colour."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Style = Literal["main", "thin", "dashed", "dotted", "points", "squares"]
Tick = tuple[float, str]

WIDTH, HEIGHT = 400.0, 230.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 10.0, 14.0, 38.0
"""Size of a chart and of its margins, in units of its own; text is 12 of them high."""


LETTER = 6.0
"""Usual width of a letter, in the same units."""


@dataclass(frozen=True)
class Curve:
    """One line (or row of points). `low` and `high`, where given, are a band around it."""

    x: Sequence[float] | npt.NDArray[np.float64]
    y: Sequence[float] | npt.NDArray[np.float64]
    style: Style = "main"
    low: Sequence[float] | npt.NDArray[np.float64] | None = None
    high: Sequence[float] | npt.NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Chart:
    """Curves over one pair of axes.

    `marks` are upright lines with their words, `levels` level ones. `log_x` and `log_y` make an
    axis logarithmic. `words` say what there is to see; readers who cannot see it get them too.
    """

    words: str
    x_label: str
    y_label: str
    x_range: tuple[float, float]
    y_range: tuple[float, float]
    curves: tuple[Curve, ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    marks: tuple[Tick, ...] = ()
    levels: tuple[Tick, ...] = ()
    log_x: bool = False
    log_y: bool = False

    def x(self, value: float) -> float:
        """Place of a value across the chart."""
        return LEFT + (WIDTH - LEFT - RIGHT) * _share(value, self.x_range, self.log_x)

    def y(self, value: float) -> float:
        """Place of a value down the chart."""
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * _share(value, self.y_range, self.log_y)

    def path(self, curve: Curve) -> str:
        """The line as SVG path data; gaps where the data has none, cut at the ends."""
        return self._joined(list(curve.x), list(curve.y))

    def band(self, curve: Curve) -> str:
        """The outline of the band as SVG path data, "" without one."""
        if curve.low is None or curve.high is None:
            return ""
        low, high = self.x_range
        inside = [
            p for p in zip(curve.x, curve.low, curve.high, strict=True) if low <= p[0] <= high
        ]
        x = [p[0] for p in inside]
        outline = self._joined(
            [*x, *x[::-1]], [p[1] for p in inside] + [p[2] for p in inside[::-1]]
        )
        return f"{outline}Z" if outline else ""

    def placed_marks(self) -> list[tuple[float, str, float, bool]]:
        """Each mark: place across, words, how far down they and the line start, words to the left.

        Words go to the right where there is room. Every line starts at its own words, and the rows
        are such that words seldom cross a line.
        """
        right = [m for m in self.marks if self.x(m[0]) + 4 + LETTER * len(m[1]) <= WIDTH - RIGHT]
        left = [m for m in self.marks if m not in right]
        rows = [
            *((m, True) for m in sorted(left, reverse=True)),
            *((m, False) for m in sorted(right)),
        ]
        return [
            (self.x(at), text, 13.0 * row, is_left)
            for row, ((at, text), is_left) in enumerate(rows)
        ]

    def places(self, curve: Curve) -> list[tuple[float, float, float, float]]:
        """Each point of a row: x, y, and the ends of its band (y again without one)."""
        y = list(curve.y)
        low = y if curve.low is None else list(curve.low)
        high = y if curve.high is None else list(curve.high)
        return [
            (self.x(a), self.y(b), self.y(c), self.y(d))
            for a, b, c, d in zip(curve.x, y, low, high, strict=True)
        ]

    def _joined(self, x: Sequence[float], y: Sequence[float]) -> str:
        parts, pen = [], "M"
        low, high = self.x_range
        for a, b in zip(x, y, strict=True):
            if a is None or b is None or not low <= a <= high or not math.isfinite(b):
                pen = "M"
                continue
            parts.append(f"{pen}{self.x(a):.1f} {self.y(b):.1f}")
            pen = "L"
        return "".join(parts)


def _share(value: float, ends: tuple[float, float], is_log: bool) -> float:
    low, high = ends
    if is_log:
        value = max(value, 1e-12)
        low, high, value = math.log(low), math.log(high), math.log(value)
    # A little beyond the axes and no further: what is off the chart is cut off there.
    return min(max((value - low) / (high - low), -0.02), 1.02)


def decades(low: float, high: float) -> tuple[Tick, ...]:
    """Ticks at the powers of ten from `low` to `high`."""
    first, last = math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9)
    every = max(1, math.ceil((last - first) / 5))
    return tuple((10.0**n, power_of(n)) for n in range(first, last + 1, every))


def power_of(n: int) -> str:
    """A power of ten: "10\u207b\u2074", or as a plain number where that is short."""
    raised = str(n).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"10{raised}" if abs(n) > 3 else f"{10.0**n:g}"


def steps(low: float, high: float, step: float) -> tuple[Tick, ...]:
    """Ticks at the multiples of `step` from `low` to `high`."""
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    places = [n * step for n in range(first, last + 1)]
    return tuple((at, f"{at:g}".replace("-", "\u2212")) for at in places)


def even_step(span: float, most: int = 5) -> float:
    """The least of 1, 2 and 5 times a power of ten that cuts a span into at most `most` parts."""
    power = 10.0 ** math.floor(math.log10(span / most))
    return next(n * power for n in (1, 2, 5, 10) if n * power * most >= span * 0.999999)
