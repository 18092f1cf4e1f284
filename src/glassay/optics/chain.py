"""The optical chain of an instrument, as stated by its maker or its owner.

objective (or zoom body) x auxiliary lens x tube factor x eyepiece for the eye, or x camera adapter
for the sensor. Terms are those of ISO 8039 and ISO 10934.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

WAVELENGTH_UM = 0.55
"""Wavelength assumed where none is stated: green, where the eye is most sensitive."""


@dataclass(frozen=True, slots=True)
class Display:
    """A screen on which the picture is shown. `width_mm` and `height_mm` are the lit area."""

    width_mm: float
    height_mm: float
    columns: int | None = None
    rows: int | None = None
    diagonal_in: float | None = None

    @classmethod
    def from_diagonal(
        cls, diagonal_mm: float, columns: int | None = None, rows: int | None = None
    ) -> Display:
        """A screen of known diagonal; square pixels, or 16:9 when the pixels are not stated."""
        across, down = (columns, rows) if columns and rows else (16, 9)
        unit = diagonal_mm / math.hypot(across, down)
        return cls(across * unit, down * unit, columns, rows, diagonal_mm / 25.4)

    def shown_width_mm(self, picture_columns: int, picture_rows: int) -> float:
        """Width at which a picture fills the screen without being cut or stretched, in mm."""
        return min(self.width_mm, self.height_mm * picture_columns / picture_rows)

    def describe(self) -> str:
        """The screen in words: by diagonal when that is how it was stated."""
        if self.diagonal_in is not None:
            return f"{self.diagonal_in:.3g}-inch display ({self.width_mm:.0f} mm wide)"
        return f"{self.width_mm:.0f} mm wide display"


@dataclass(frozen=True, slots=True)
class Sensor:
    """The image sensor. Any of the numbers may be unknown."""

    pitch_um: float | None = None
    columns: int | None = None
    rows: int | None = None
    stated_width_um: float | None = None

    @property
    def width_um(self) -> float | None:
        """Active width: as stated, or pitch times columns; None when neither is known."""
        if self.stated_width_um is not None:
            return self.stated_width_um
        if self.pitch_um is not None and self.columns is not None:
            return self.pitch_um * self.columns
        return None

    @property
    def pixel_pitch_um(self) -> float | None:
        """Pixel pitch: as stated, or active width over columns; None when neither is known."""
        if self.pitch_um is not None:
            return self.pitch_um
        if self.stated_width_um is not None and self.columns:
            return self.stated_width_um / self.columns
        return None


@dataclass(frozen=True, slots=True)
class Chain:
    """What is stated about the optics. Factors are pure numbers; None means not stated.

    Either `objective` or `zoom` (lowest, highest) gives the first factor; a zoom body set to one
    position is the range (4.5, 4.5).
    """

    objective: float | None = None
    zoom: tuple[float, float] | None = None
    auxiliary: float = 1.0
    tube: float = 1.0
    eyepiece: float | None = None
    field_number_mm: float | None = None
    adapter: float | None = None
    sensor: Sensor | None = None
    display: Display | None = None
    numerical_aperture: float | None = None
    wavelength_um: float = WAVELENGTH_UM
    refractive_index: float = 1.0

    @property
    def first_factor(self) -> tuple[float, float] | None:
        """Lowest and highest magnification of the objective or the zoom body."""
        if self.zoom is not None:
            return self.zoom
        return None if self.objective is None else (self.objective, self.objective)

    @property
    def to_eyepiece(self) -> tuple[float, float] | None:
        """Lowest and highest magnification in the plane of the eyepiece's field stop."""
        return self._times(self.auxiliary * self.tube)

    @property
    def to_eye(self) -> tuple[float, float] | None:
        """Lowest and highest visual magnification (ISO 8039)."""
        return (
            None
            if self.eyepiece is None
            else self._times(self.auxiliary * self.tube * self.eyepiece)
        )

    @property
    def to_sensor(self) -> tuple[float, float] | None:
        """Lowest and highest magnification on the sensor; an unstated adapter counts as 1."""
        return self._times(self.auxiliary * self.tube * (self.adapter or 1.0))

    def _times(self, factor: float) -> tuple[float, float] | None:
        first = self.first_factor
        return None if first is None else (first[0] * factor, first[1] * factor)
