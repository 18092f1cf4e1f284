"""The die of an image sensor: a lattice of pixels under a colour mosaic, with its surroundings."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from glassay.simulate.geometry import Image, Points
from glassay.simulate.paint import View, band, blend, comb
from glassay.simulate.shapes import Boxes, Colour, Shape, box, draw

_FILTERS: dict[str, Colour] = {
    "red": (0.34, 0.10, 0.09), "green": (0.12, 0.28, 0.11), "blue": (0.09, 0.12, 0.32),
    "clear": (0.24, 0.24, 0.24),
}  # fmt: skip
_GRID: Colour = (0.07, 0.065, 0.06)
_LENS: Colour = (0.62, 0.62, 0.60)
_SILICON: Colour = (0.17, 0.16, 0.19)
_SHIELD: Colour = (0.05, 0.05, 0.06)
_METAL: Colour = (0.70, 0.67, 0.57)


@dataclass(frozen=True)
class SensorDie:
    """`columns` x `rows` pixels of `pitch_x_um` x `pitch_y_um`, the array's middle at (0, 0).

    `coloured` lays a red-green / green-blue mosaic over them (its period is two pixels).
    `aperture_share` is the side of a pixel's window over the pitch; `lens` the strength of the
    glint on its lens. `dark_rows` shielded pixels under black resist surround the array; drivers
    and pads lie beside it.
    """

    pitch_x_um: float = 3.4
    pitch_y_um: float = 3.4
    columns: int = 640
    rows: int = 480
    coloured: bool = True
    aperture_share: float = 0.72
    lens: float = 0.5
    dark_rows: int = 8
    frame_um: float = 260.0
    pad_um: float = 80.0

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        ground = np.empty((*view.shape, 3), dtype=view.x.dtype)
        ground[:] = np.asarray((0.10, 0.09, 0.08), dtype=view.x.dtype)
        picture = draw(view, ground, _surroundings(self))
        x = view.x + (view.origin_um[0] + self.columns * self.pitch_x_um / 2)
        y = view.y + (view.origin_um[1] + self.rows * self.pitch_y_um / 2)
        half_w, half_h = self.columns * self.pitch_x_um / 2, self.rows * self.pitch_y_um / 2
        sigma = view.sigma_um
        border_x, border_y = self.dark_rows * self.pitch_x_um, self.dark_rows * self.pitch_y_um
        shield = band(x - half_w, half_w + border_x, sigma)
        shield *= band(y - half_h, half_h + border_y, sigma)
        active = band(x - half_w, half_w, sigma) * band(y - half_h, half_h, sigma)
        if not shield.any():
            return picture
        picture = blend(picture, shield, _SHIELD)
        pixels = self._pixels(x, y, sigma)
        return np.asarray(picture + active[..., None] * (pixels - picture))

    def marks_um(self) -> dict[str, Points]:
        """ "corners" of the active array."""
        w, h = self.columns * self.pitch_x_um / 2, self.rows * self.pitch_y_um / 2
        return {"corners": np.array([(-w, -h), (w, -h), (w, h), (-w, h)])}

    def facts(self) -> dict[str, float | str]:
        """Pitches, counts, mosaic period."""
        return {
            "pitch_x_um": self.pitch_x_um,
            "pitch_y_um": self.pitch_y_um,
            "columns": float(self.columns),
            "rows": float(self.rows),
            "mosaic_period_px": 2.0 if self.coloured else 1.0,
        }

    def _pixels(self, x: Image, y: Image, sigma: float) -> Image:
        planes = [np.full(x.shape, value, dtype=x.dtype) for value in _GRID]
        px, py = self.pitch_x_um, self.pitch_y_um
        open_x, open_y = self.aperture_share * px, self.aperture_share * py
        sites = [(0, 0, "red"), (1, 0, "green"), (0, 1, "green"), (1, 1, "blue")]
        across = [comb(x - (i + 0.5) * px, 2 * px, open_x, sigma) for i in range(2)]
        down = [comb(y - (j + 0.5) * py, 2 * py, open_y, sigma) for j in range(2)]
        for i, j, name in sites:
            window = across[i] * down[j]
            colour = _FILTERS[name if self.coloured else "clear"]
            for plane, value, dark in zip(planes, colour, _GRID, strict=True):
                plane += window * (value - dark)
        if self.lens:
            glint = comb(x - 0.42 * px, px, 0.3 * px, sigma)
            glint = glint * comb(y - 0.42 * py, py, 0.3 * py, sigma)
            glint *= self.lens
            for plane, value in zip(planes, _LENS, strict=True):
                plane += glint * (value - plane)
        return np.stack(planes, axis=2)


@lru_cache(maxsize=8)
def _surroundings(die: SensorDie) -> tuple[Shape | Boxes, ...]:
    rng = np.random.default_rng([die.columns, die.rows, 43])
    half_w = die.columns * die.pitch_x_um / 2
    half_h = die.rows * die.pitch_y_um / 2
    w, h = half_w + die.frame_um, half_h + die.frame_um
    parts: list[Shape | Boxes] = [Shape(box(-w, -h, w, h), _SILICON)]
    # row drivers to the left, column converters below; their pitch is that of the pixels
    tops = np.arange(die.rows) * die.pitch_y_um - half_h
    left = -half_w - 0.45 * die.frame_um
    drivers = np.stack([np.full(tops.size, left), tops, np.full(tops.size, left)
                        + 0.3 * die.frame_um, tops + 0.55 * die.pitch_y_um], axis=1)  # fmt: skip
    lefts = np.arange(die.columns) * die.pitch_x_um - half_w
    top = half_h + 0.12 * die.frame_um
    converters = np.stack([lefts, np.full(lefts.size, top), lefts + 0.55 * die.pitch_x_um,
                           top + 0.3 * die.frame_um * rng.uniform(0.8, 1.0, lefts.size)],
                          axis=1)  # fmt: skip
    parts += [Boxes(drivers, (0.30, 0.33, 0.24)), Boxes(converters, (0.33, 0.27, 0.36))]
    logic_x = rng.uniform(-half_w, half_w, 400)
    logic_y = rng.uniform(-h + 0.35 * die.frame_um, -half_h - 0.2 * die.frame_um, 400)
    logic = np.stack([logic_x, logic_y, logic_x + rng.uniform(4, 30, 400), logic_y + 3], axis=1)
    parts.append(Boxes(logic, (0.36, 0.34, 0.22)))
    middle = np.arange(-w + die.pad_um, w - die.pad_um, 1.6 * die.pad_um)
    pads = [
        (x - die.pad_um / 2, s * (h - 0.16 * die.frame_um) - die.pad_um / 4,
         x + die.pad_um / 2, s * (h - 0.16 * die.frame_um) + die.pad_um / 4)
        for x in middle for s in (-1, 1)
    ]  # fmt: skip
    parts.append(Boxes(np.array(pads), _METAL))
    return tuple(parts)
