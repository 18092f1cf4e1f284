"""Light across the field as found, and its hot spots."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.field_stop import FieldStop
from glassay.finding import Finding
from glassay.imaging.tone import Relight
from glassay.quantity import Quantity
from glassay.tone_doubt import with_tone

Array = npt.NDArray[np.float64]


METHOD = "flat field, linear light"

SPOT_EXCESS = 0.03
"""Least light of a hot spot above the smooth surface, as a share of the centre's."""


@dataclass(frozen=True, slots=True)
class HotSpot:
    """A reflection of a lamp: `x`, `y` in px of the photo, `excess` its light above the smooth
    surface there as a share of the centre's, `diameter_px` where half of that is left."""

    x: float
    y: float
    excess: float
    diameter_px: float


@dataclass(frozen=True)
class Evenness:
    """Light across the field against that at its centre.

    `corner` (None in a round field), `edge` and `darkest` are percent of the centre's light:
    the mean of the four corners, the mean of the middles of the four sides (or of the rim of a
    round field), and the darkest of these zones. `evenness` is the least over the greatest
    light anywhere, percent. `red_shift` and `blue_shift` are by how much the ratio red (blue) to
    green departs from the centre's where it does so most, percent; None for grey photos. `surface`
    is the light in blocks (rows, columns) over the centre's, NaN outside a round field.
    """

    shape: tuple[int, int]
    corner: Quantity | None
    edge: Quantity
    darkest: Quantity
    evenness: Quantity
    red_shift: Quantity | None
    blue_shift: Quantity | None
    hot_spots: tuple[HotSpot, ...]
    surface: Array
    field_stop: FieldStop | None
    level: float
    notes: tuple[str, ...]
    other_tones: tuple[Relight, ...] = ()
    """What the light may be instead, where its tone curve was only assumed."""

    def doubted(self, other_tones: tuple[Relight, ...]) -> Evenness:
        """With what other tone curves would make of it in every uncertainty."""
        as_it_is = replace(self, other_tones=other_tones)

        def of(share: Quantity | None, whole: float = 0.0) -> Quantity | None:
            return None if share is None else as_it_is._doubted(share, whole)

        return replace(
            as_it_is, corner=of(self.corner), edge=as_it_is._doubted(self.edge),
            darkest=as_it_is._doubted(self.darkest), evenness=as_it_is._doubted(self.evenness),
            red_shift=of(self.red_shift, 1.0), blue_shift=of(self.blue_shift, 1.0),
        )  # fmt: skip

    def _doubted(self, share: Quantity, whole: float = 0.0) -> Quantity:
        """A share of the centre's light, or what departs from `whole` of it, percent, with what other
        tone curves would make of it."""
        at = np.array([1.0, whole + share.value / 100]) * self.level
        found = []
        for relight in self.other_tones:
            centre, there = relight(np.clip(at, 0, 1))
            found.append(100 * (float(there / centre) - whole) if centre > 0 else math.nan)
        return with_tone(share, found)

    def findings(self) -> dict[str, Finding]:
        """evenness, evenness_edge, evenness_corner, evenness_darkest, hot_spots, hot_spot_excess,
        colour_shift_red, colour_shift_blue (all in percent but the count)."""
        out = {
            "evenness": Finding(self.evenness, METHOD),
            "evenness_edge": Finding(self.edge, METHOD),
            "evenness_darkest": Finding(self.darkest, METHOD),
            "hot_spots": Finding(len(self.hot_spots), METHOD),
        }
        if self.corner is not None:
            out["evenness_corner"] = Finding(self.corner, METHOD)
        if self.hot_spots:
            top = max(spot.excess for spot in self.hot_spots)
            # Where lighting ends and a spot begins depends on the surface laid beneath it.
            u = 100 * max(0.1 * top, SPOT_EXCESS / 3)
            excess = Quantity.of(100 * top, u, "%", "smooth surface beneath the spot")
            out["hot_spot_excess"] = Finding(self._doubted(excess, 1.0), METHOD)
        for key, shift in (("red", self.red_shift), ("blue", self.blue_shift)):
            if shift is not None:
                out[f"colour_shift_{key}"] = Finding(shift, METHOD)
        return out

    def evidence(self) -> dict[str, Any]:
        """A coarse map of the light (None outside the field), hot spots, and the photo's shape."""
        rows = max(1, math.ceil(self.surface.shape[0] / 40))
        return {
            "shape": self.shape,
            "light_map": np.round(coarser(self.surface, rows), 4),
            "hot_spots": self.hot_spots,
            "field_stop": self.field_stop,
        }


def coarser(surface: Array, factor: int) -> Array:
    rows, columns = surface.shape[0] // factor, surface.shape[1] // factor
    cut = surface[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
    known = np.isfinite(cut)
    total = np.where(known, cut, 0).sum(axis=(1, 3))
    return np.where(known.any(axis=(1, 3)), total / np.maximum(known.sum(axis=(1, 3)), 1), np.nan)
