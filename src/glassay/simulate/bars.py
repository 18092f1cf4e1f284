"""The three-bar resolving power target of MIL-STD-150A."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from glassay.simulate.geometry import Image, Points
from glassay.simulate.lettering import Font, add_lettering
from glassay.simulate.paint import View, add_rectangle, blend

Box = tuple[float, float, float, float]

# Proportions of the layout, in widths of the bars concerned; spacing is common practice.
_BLOCK_GAP = 1.7
_ROW_GAP = 3.2
_LAYER_WIDTH = 27.0
_INNER_SHIFT = 3.0


@dataclass(frozen=True)
class BarElement:
    """Three bars each way: `upright` bars vary along x, `level` bars along y. Boxes in um."""

    group: int
    element: int
    upright: Box
    level: Box

    @property
    def frequency_lp_mm(self) -> float:
        """Line pairs per mm (MIL-STD-150A)."""
        return float(2 ** (self.group + (self.element - 1) / 6))

    @property
    def bar_width_um(self) -> float:
        """Width of one bar and of one space; the bars are five widths long."""
        return 500 / self.frequency_lp_mm


@dataclass(frozen=True)
class BarTarget:
    """Layers of two groups each, the first from `first_group` (even) on, each layer a quarter of
    the size of the one around it, with solid square and numerals. Its middle is at (0, 0)."""

    first_group: int = 2
    layers: int = 2
    bars: float = 0.9
    ground: float = 0.06
    numerals: bool = True
    font: Font = "bold"

    def __post_init__(self) -> None:
        if self.first_group % 2 or self.layers < 1:
            raise ValueError("the outer layer of a bar target begins with an even group")

    def elements(self) -> tuple[BarElement, ...]:
        """Every element with its place."""
        found: list[BarElement] = []
        for layer in range(self.layers):
            found += self._layer(layer)
        return tuple(found)

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        cover = np.zeros(view.shape, dtype=view.x.dtype)
        for element in self.elements():
            _add_bars(view, cover, element.upright, element.bar_width_um, "upright")
            _add_bars(view, cover, element.level, element.bar_width_um, "level")
        for layer in range(self.layers):
            x, y, unit = self._frame(layer)
            left = x + 13.6 * unit
            side = 4.5 * unit
            top = y + 5 * 2 ** (-1 / 6) * unit - side
            add_rectangle(view, cover, (left, top, left + side, top + side))
            if self.numerals:
                self._number(view, cover, layer)
        return blend(np.full(view.shape, self.ground, dtype=view.x.dtype), cover, self.bars)

    def marks_um(self) -> dict[str, Points]:
        """ "upright" and "level": middles of each element's blocks, in the order of `elements`."""

        def middles(kind: Literal["upright", "level"]) -> Points:
            boxes = np.array([getattr(e, kind) for e in self.elements()])
            return np.stack([boxes[:, [0, 2]].mean(axis=1), boxes[:, [1, 3]].mean(axis=1)], axis=1)

        return {"upright": middles("upright"), "level": middles("level")}

    def facts(self) -> dict[str, float | str]:
        """First and last group."""
        return {
            "first_group": float(self.first_group),
            "last_group": float(self.first_group + 2 * self.layers - 1),
        }

    def _frame(self, layer: int) -> tuple[float, float, float]:
        """Top left corner of a layer and the bar width of its first element, um."""
        unit = 500 / 2.0 ** (self.first_group + 2 * layer)
        widths = 2.0 ** (-np.arange(1, 6) / 6)
        height = float(5 * widths.sum() + _ROW_GAP * widths[:-1].sum())
        shift = sum(_INNER_SHIFT * unit * 4.0**k for k in range(1, layer + 1))
        return shift - _LAYER_WIDTH / 2 * unit, -height / 2 * unit, unit

    def _layer(self, layer: int) -> list[BarElement]:
        x, y, unit = self._frame(layer)
        group = self.first_group + 2 * layer
        right = x + _LAYER_WIDTH * unit
        found = []
        top = y
        for element in range(2, 7):
            w = unit * 2 ** (-(element - 1) / 6)
            level = (x, top, x + 5 * w, top + 5 * w)
            start = x + (5 + _BLOCK_GAP) * w
            found.append(
                BarElement(group, element, (start, top, start + 5 * w, top + 5 * w), level)
            )
            top += (5 + _ROW_GAP) * w
        bottom = top - _ROW_GAP * w
        found.insert(0, _right_aligned(group, 1, right, bottom - 5 * unit, unit))
        top = y
        for element in range(1, 7):
            w = unit * 2 ** (-1 - (element - 1) / 6)
            found.append(_right_aligned(group + 1, element, right, top, w))
            top += (5 + _ROW_GAP) * w
        return found

    def _number(self, view: View, cover: Image, layer: int) -> None:
        x, y, unit = self._frame(layer)
        for e in self._layer(layer):
            left_column = e.level[0] < e.upright[0]
            height = 2.4 * unit * (1 if e.group % 2 == 0 else 0.5)
            at = e.level[0] - 0.8 * height if left_column else e.level[2] + 0.8 * height
            middle = (at, e.level[3] - height / 2)
            add_lettering(view, cover, str(e.element), middle, height, self.font)
        group = self.first_group + 2 * layer
        height = 2.6 * unit
        right = x + _LAYER_WIDTH * unit
        for place, number in (((x + 6 * unit, y - 2 * unit), group),
                              ((right - 3 * unit, y - 2 * unit), group + 1)):  # fmt: skip
            add_lettering(view, cover, str(number), place, height, self.font)


def _right_aligned(group: int, element: int, right: float, top: float, w: float) -> BarElement:
    level = (right - 5 * w, top, right, top + 5 * w)
    end = right - (5 + _BLOCK_GAP) * w
    return BarElement(group, element, (end - 5 * w, top, end, top + 5 * w), level)


def _add_bars(
    view: View, cover: Image, block: Box, width: float, kind: Literal["upright", "level"]
) -> None:
    x0, y0, x1, y1 = block
    for k in (0, 2, 4):
        if kind == "upright":
            add_rectangle(view, cover, (x0 + k * width, y0, x0 + (k + 1) * width, y1))
        else:
            add_rectangle(view, cover, (x0, y0 + k * width, x1, y0 + (k + 1) * width))
