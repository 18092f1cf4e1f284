"""Reference objects with a known period: ruled scales, crossed grids, dot grids, chessboards."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from glassay.simulate.geometry import Image, Points
from glassay.simulate.lettering import Font, add_lettering
from glassay.simulate.paint import View, add_rectangle, band, blend, comb, join, step


@dataclass(frozen=True)
class RuledScale:
    """A stage micrometer: `divisions` + 1 lines along x, its middle at the object's (0, 0).

    Lengths are of the whole line, for ordinary, every 5th and every 10th line; `anchor` says
    whether lines share their lower end, upper end or middle. `ruling_error_um` is the standard
    deviation of each line's own place (drawn once from `ruling_seed`), the truth of the division
    stays nominal. `profile` "edges" leaves only both rims of each groove visible, as oblique light
    does; "shaded" makes one rim dark and the other bright. `unevenness` is the spread of how
    strongly each line is filled.
    """

    division_um: float = 10.0
    divisions: int = 100
    line_width_um: float = 2.0
    short_um: float = 60.0
    fifth_um: float = 90.0
    tenth_um: float = 120.0
    anchor: Literal["bottom", "top", "middle"] = "bottom"
    line: float = 0.05
    ground: float = 0.85
    profile: Literal["solid", "edges", "shaded"] = "solid"
    rim_width_um: float = 0.6
    baseline: bool = False
    baseline_width_um: float = 2.0
    cross_line: bool = False
    frame_um: float = 0.0
    ring_um: float = 0.0
    numeral_every: int = 10
    numeral_step: float = 1.0
    numeral_height_um: float = 30.0
    numeral_gap_um: float = 12.0
    font: Font = "sans"
    legend: str = ""
    ruling_error_um: float = 0.0
    ruling_seed: int = 0
    only_every: int = 1
    missing: tuple[int, ...] = ()
    tint: tuple[float, float, float] | None = None
    unevenness: float = 0.0

    def __post_init__(self) -> None:
        if self.division_um <= 0 or self.divisions < 1 or self.line_width_um <= 0:
            raise ValueError("a scale has a positive division, line width and number of divisions")

    @property
    def length_um(self) -> float:
        """From the first line to the last, nominal."""
        return self.division_um * self.divisions

    def line_places_um(self) -> npt.NDArray[np.float64]:
        """x of every line, um, ruling errors included, shape (divisions + 1,)."""
        number = np.arange(self.divisions + 1)
        places = number * self.division_um - self.length_um / 2
        if self.ruling_error_um:
            rng = np.random.default_rng(self.ruling_seed)
            places = places + rng.normal(0, self.ruling_error_um, number.size)
        return np.asarray(places)

    def line_lengths_um(self) -> npt.NDArray[np.float64]:
        """Length of every line, um; 0 where there is none, shape (divisions + 1,)."""
        number = np.arange(self.divisions + 1)
        lengths = np.full(number.size, self.short_um)
        lengths[number % 5 == 0] = self.fifth_um
        lengths[number % 10 == 0] = self.tenth_um
        lengths[number % self.only_every != 0] = 0.0
        lengths[list(self.missing)] = 0.0
        return lengths

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        ground = np.full(view.shape, self.ground, dtype=view.x.dtype)
        return self.draw_on(view, ground)

    def draw_on(self, view: View, under: Image) -> Image:
        """The scale's lines and numerals painted over another picture of the same grid."""
        ink = self._lines(view, self.line_width_um)
        if self.profile == "edges":
            inner = self.line_width_um - 2 * self.rim_width_um
            if inner > 0:
                ink = np.clip(ink - self._lines(view, inner), 0, 1)
        elif self.profile == "shaded":
            return self._shaded(view, under, ink)
        ink = self._furniture(view, ink)
        value = self.line if self.tint is None else [self.line * t for t in self.tint]
        return blend(under, ink, value)

    def marks_um(self) -> dict[str, Points]:
        """ "lines": where each line crosses y = 0, the middle of the ordinary lines."""
        present = self.line_lengths_um() > 0
        places = self.line_places_um()[present]
        return {"lines": np.stack([places, np.zeros_like(places)], axis=1)}

    def facts(self) -> dict[str, float | str]:
        """The division, the number of divisions and the line width."""
        return {
            "division_um": self.division_um,
            "divisions": float(self.divisions),
            "line_width_um": self.line_width_um,
        }

    def _fill(self) -> npt.NDArray[np.float64]:
        """How much of each line's ink is there, 0..1."""
        spread = np.random.default_rng([self.ruling_seed, 3]).standard_normal(self.divisions + 1)
        return np.asarray(np.clip(1 - self.unevenness * np.abs(spread), 0.1, 1.0))

    def _ends_um(self) -> tuple[Points, Points]:
        length = self.line_lengths_um()
        if self.anchor == "middle":
            return -length / 2, length / 2
        if self.anchor == "bottom":
            return self.short_um / 2 - length, np.full_like(length, self.short_um / 2)
        return np.full_like(length, -self.short_um / 2), length - self.short_um / 2

    def _lines(self, view: View, width_um: float, shift_um: float = 0.0) -> Image:
        """Coverage of all lines: only near lines are the error functions evaluated."""
        low, high = self._ends_um()
        reach = width_um / 2 + 5 * view.sigma_um + 4 * self.ruling_error_um
        x = view.x + (view.origin_um[0] + self.length_um / 2 - shift_um)
        number = np.rint(x / self.division_um)
        y = view.y + view.origin_um[1]
        tall = (y > low.min() - 5 * view.sigma_um) & (y < high.max() + 5 * view.sigma_um)
        cover = np.zeros(view.shape, dtype=view.x.dtype)
        errors = self.line_places_um() + self.length_um / 2
        errors -= np.arange(self.divisions + 1) * self.division_um
        fill = self._fill().astype(x.dtype)
        neighbours = math.ceil(reach / self.division_um - 0.5)
        for step_aside in range(-max(neighbours, 0), max(neighbours, 0) + 1):
            distance = x - (number + step_aside) * self.division_um
            near = np.flatnonzero(tall & (np.abs(distance) < reach))
            which = (number.ravel()[near] + step_aside).astype(np.int32)
            there = (which >= 0) & (which <= self.divisions)
            near, which = near[there], which[there]
            d = distance.ravel()[near] - errors.astype(x.dtype)[which]
            v = y.ravel()[near]
            middle, half = ((low + high) / 2).astype(x.dtype), ((high - low) / 2).astype(x.dtype)
            one = band(d, width_um / 2, view.sigma_um) * fill[which]
            one *= band(v - middle[which], half[which], view.sigma_um)
            cover.ravel()[near] = join(cover.ravel()[near], one)
        return cover

    def _shaded(self, view: View, under: Image, ink: Image) -> Image:
        offset = (self.line_width_um - self.rim_width_um) / 2
        dark = self._lines(view, self.rim_width_um, -offset)
        light = self._lines(view, self.rim_width_um, offset)
        groove = blend(under, 0.3 * ink, self.line)
        groove = blend(groove, self._furniture(view, dark), self.line)
        return blend(groove, light, min(1.0, 1.3 * max(self.line, self.ground)))

    def _furniture(self, view: View, ink: Image) -> Image:
        half_length, half_width = self.length_um / 2, self.baseline_width_um / 2
        low, high = self._ends_um()
        if self.baseline:
            y = float(low[0]) if self.anchor == "top" else float(high[0])
            y = 0.0 if self.anchor == "middle" else y
            box = (-half_length, y - half_width, half_length, y + half_width)
            add_rectangle(view, ink, box)
        if self.cross_line:
            add_rectangle(view, ink, (-half_length, -half_width, half_length, half_width))
        if self.frame_um:
            self._add_frame(view, ink, float(low.min()), float(high.max()))
        if self.ring_um:
            away = np.hypot(view.x + view.origin_um[0], view.y + view.origin_um[1])
            rim = band(away - self.ring_um / 2, self.baseline_width_um, view.sigma_um)
            ink = join(ink, rim)
        self._add_numerals(view, ink, float(low.min()), float(high.max()))
        return ink

    def _add_frame(self, view: View, ink: Image, top: float, bottom: float) -> None:
        gap = self.frame_um
        left, right = -self.length_um / 2 - gap, self.length_um / 2 + gap
        top, bottom = top - gap, bottom + gap
        w = self.baseline_width_um
        for box in (
            (left - w, top - w, right + w, top), (left - w, bottom, right + w, bottom + w),
            (left - w, top, left, bottom), (right, top, right + w, bottom),
        ):  # fmt: skip
            add_rectangle(view, ink, box)

    def _add_numerals(self, view: View, ink: Image, top: float, bottom: float) -> None:
        offset = self.numeral_gap_um + self.numeral_height_um / 2
        y = bottom + offset if self.anchor == "top" else top - offset
        if self.numeral_every:
            for number in range(0, self.divisions + 1, self.numeral_every):
                text = f"{number / self.numeral_every * self.numeral_step:g}"
                x = number * self.division_um - self.length_um / 2
                add_lettering(view, ink, text, (x, y), self.numeral_height_um, self.font)
        if self.legend:
            y = y + (2 * offset if self.anchor == "top" else -2 * offset)
            add_lettering(view, ink, self.legend, (0.0, y), self.numeral_height_um, self.font)


@dataclass(frozen=True)
class CrossedGrid:
    """Two sets of endless lines at right angles (or `skew_deg` away from it).

    Vertical lines lie at multiples of `pitch_x_um`, the others at multiples of `pitch_y_um`.
    Every `bold_every`-th line is `bold_factor` times as wide (0: none).
    """

    pitch_x_um: float = 50.0
    pitch_y_um: float = 50.0
    line_width_um: float = 3.0
    line: float = 0.08
    ground: float = 0.85
    skew_deg: float = 0.0
    bold_every: int = 0
    bold_factor: float = 2.0
    extent_um: float = math.inf

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        x, y = view.x + view.origin_um[0], view.y + view.origin_um[1]
        # a line x + y tan(skew) = const stays as wide as stated when measured across it
        lean = math.tan(math.radians(self.skew_deg))
        thin = math.sqrt(1 + lean * lean)
        ink = self._set(x + y * lean, self.pitch_x_um, thin, view.sigma_um)
        ink = join(ink, self._set(y, self.pitch_y_um, 1.0, view.sigma_um))
        if math.isfinite(self.extent_um):
            ink = ink * band(x, self.extent_um / 2, view.sigma_um)
            ink = ink * band(y, self.extent_um / 2, view.sigma_um)
        return blend(np.full(view.shape, self.ground, dtype=view.x.dtype), ink, self.line)

    def _set(self, u: Image, pitch: float, stretch: float, sigma: float) -> Image:
        ink = comb(u, pitch, self.line_width_um * stretch, sigma * stretch)
        if self.bold_every:
            width = self.line_width_um * self.bold_factor * stretch
            ink = join(ink, comb(u, pitch * self.bold_every, width, sigma * stretch))
        return ink

    def marks_um(self) -> dict[str, Points]:
        """ "crossings": where lines cross, from -40 to 40 pitches."""
        i, j = np.meshgrid(np.arange(-40, 41), np.arange(-40, 41))
        y = j.ravel() * self.pitch_y_um
        x = i.ravel() * self.pitch_x_um - y * math.tan(math.radians(self.skew_deg))
        inside = np.maximum(np.abs(x), np.abs(y)) <= self.extent_um / 2
        return {"crossings": np.stack([x, y], axis=1)[inside]}

    def facts(self) -> dict[str, float | str]:
        """Both pitches and the angle between the sets."""
        return {
            "pitch_x_um": self.pitch_x_um,
            "pitch_y_um": self.pitch_y_um,
            "division_um": self.pitch_x_um,
            "angle_deg": 90.0 - self.skew_deg,
        }


@dataclass(frozen=True)
class DotGrid:
    """Endless round dots on a rectangular lattice, one at (0, 0)."""

    pitch_x_um: float = 50.0
    pitch_y_um: float = 50.0
    diameter_um: float = 20.0
    dot: float = 0.08
    ground: float = 0.85

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        x, y = view.x + view.origin_um[0], view.y + view.origin_um[1]
        x -= self.pitch_x_um * np.rint(x / self.pitch_x_um)
        y -= self.pitch_y_um * np.rint(y / self.pitch_y_um)
        cover = step(self.diameter_um / 2 - np.hypot(x, y), view.sigma_um)
        return blend(np.full(view.shape, self.ground, dtype=view.x.dtype), cover, self.dot)

    def marks_um(self) -> dict[str, Points]:
        """ "dots": middles of the dots, from -40 to 40 pitches."""
        i, j = np.meshgrid(np.arange(-40, 41), np.arange(-40, 41))
        dots = np.stack([i.ravel() * self.pitch_x_um, j.ravel() * self.pitch_y_um], axis=1)
        return {"dots": dots.astype(np.float64)}

    def facts(self) -> dict[str, float | str]:
        """Both pitches."""
        return {
            "pitch_x_um": self.pitch_x_um,
            "pitch_y_um": self.pitch_y_um,
            "division_um": self.pitch_x_um,
            "angle_deg": 90.0,
        }


@dataclass(frozen=True)
class Chessboard:
    """Squares of `square_um`, `columns` x `rows` of them, centred at (0, 0), on a bright ground."""

    square_um: float = 100.0
    columns: int = 10
    rows: int = 7
    dark: float = 0.06
    ground: float = 0.85

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        x = view.x + (view.origin_um[0] + self.columns * self.square_um / 2)
        y = view.y + (view.origin_um[1] + self.rows * self.square_um / 2)
        # + and - one on alternate squares along each axis; their product is the board
        along = 2 * comb(x - self.square_um / 2, 2 * self.square_um, self.square_um, view.sigma_um)
        down = 2 * comb(y - self.square_um / 2, 2 * self.square_um, self.square_um, view.sigma_um)
        cover = 0.5 + 0.5 * (along - 1) * (down - 1)
        for u, count in ((x, self.columns), (y, self.rows)):
            half = count * self.square_um / 2
            cover = cover * band(u - half, half, view.sigma_um)
        return blend(np.full(view.shape, self.ground, dtype=view.x.dtype), cover, self.dark)

    def marks_um(self) -> dict[str, Points]:
        """ "corners": the inner corners, row by row."""
        i, j = np.meshgrid(np.arange(1, self.columns), np.arange(1, self.rows))
        x = (i.ravel() - self.columns / 2) * self.square_um
        y = (j.ravel() - self.rows / 2) * self.square_um
        return {"corners": np.stack([x, y], axis=1)}

    def facts(self) -> dict[str, float | str]:
        """The square's side."""
        return {"pitch_x_um": self.square_um, "pitch_y_um": self.square_um}
