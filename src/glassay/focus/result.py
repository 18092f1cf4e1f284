"""What a run through focus gives: series, findings and evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from glassay.finding import Finding
from glassay.focus.curve import Peak
from glassay.quantity import Quantity, combine

Array = npt.NDArray[np.float64]


METHOD = "contrast through focus"
WALK_METHOD = "registration from photo to photo"
QUALITY_METHOD = "edge response in the sharpest photo"

FREQUENCIES = (0.02, 0.03, 0.045, 0.07, 0.1, 0.14, 0.2, 0.28, 0.38)
"""Frequencies kept with the result, cycles/px, so that depth can be told at others later."""


class EdgeCurve(Protocol):
    """Modulation of edges, with its 95 % band, over `frequency` in cycles/px."""

    @property
    def frequency(self) -> Array: ...
    @property
    def modulation(self) -> Array: ...
    @property
    def modulation_low(self) -> Array: ...
    @property
    def modulation_high(self) -> Array: ...


@dataclass(frozen=True)
class FocusResult:
    """A focus run. Series have one entry a frame.

    `contrast` is that at `frequency` (cycles/px), relative to the light; `bands` (frames, ...) that at
    `FREQUENCIES`. `path_px` (frames, 2) is where the picture stands against the sharpest photo, NaN
    where it was too soft to tell. `quality` and `edges` are None where the sharpest photo has no edge
    that can be measured. `step` is the way of focus from frame to frame, um, `uneven` its
    standard deviation in steps, `doubles` how many photos are of the height before; `parted` says that
    parts of the picture are in focus at other heights, so that their depth is told.
    """

    frequency: float
    contrast: Array
    bands: Array
    peak: Peak
    path_px: Array
    walk: Quantity
    walk_range: Quantity
    quality: Quantity | None
    edges: EdgeCurve | None
    step: Quantity | None
    uneven: float
    doubles: int
    parted: bool
    pixel_size: Quantity | None
    notes: tuple[str, ...]

    @property
    def frames(self) -> int:
        """Number of photos or frames."""
        return int(self.contrast.size)

    def findings(self) -> dict[str, Finding]:
        """best_focus and depth_of_field (frames; um with a step), focus_frequency, image_walk and
        image_walk_range (px; um as ..._object when calibrated), focus_quality."""
        place = self.peak.place
        out = {
            "best_focus_frame": Finding(
                Quantity(place.value + 1, "frames", place.contributions), METHOD
            ),
            "depth_of_field_frames": Finding(self.peak.depth, METHOD),
            "focus_frequency": Finding(Quantity(self.frequency, "cycles/px"), "stated"),
            "focus_frames": Finding(self.frames, METHOD),
        }
        if self.step is not None:
            both = [self.peak.depth, self.step]
            out["depth_of_field"] = Finding(combine(lambda d, s: d * s, both, "um"), METHOD)
            out["best_focus"] = Finding(
                combine(lambda p, s: p * s, [place, self.step], "um"), METHOD
            )
        out["image_walk"] = Finding(self.walk, WALK_METHOD)
        out["image_walk_range"] = Finding(self.walk_range, WALK_METHOD)
        if self.pixel_size is not None:
            size = self.pixel_size
            for key, value, unit in (("image_walk", self.walk, "um/frame"),
                                     ("image_walk_range", self.walk_range, "um")):  # fmt: skip
                on_object = combine(lambda w, p: w * p, [value, size], unit)
                out[f"{key}_object"] = Finding(on_object, WALK_METHOD)
            per_um = combine(lambda p: self.frequency / p, [size], "cycles/um")
            out["focus_frequency_object"] = Finding(per_um, "stated")
        if self.quality is not None:
            out["focus_quality"] = Finding(self.quality, QUALITY_METHOD)
        return out

    def evidence(self) -> dict[str, Any]:
        """Curves of contrast (frames by frequency), the half-way points and the path."""
        return {
            "focus_frequency": self.frequency,
            "contrast": self.contrast,
            "band_frequencies": FREQUENCIES,
            "bands": np.round(self.bands, 6),
            "low": self.peak.low,
            "high": self.peak.high,
            "top": self.peak.top,
            "best": self.peak.place.value,
            "path_px": np.round(self.path_px, 3),
            "uneven": self.uneven,
            "doubles": self.doubles,
            "parted": self.parted,
            "step_um": None if self.step is None else self.step.value,
        } | self._edge_curve()

    def _edge_curve(self) -> dict[str, Any]:
        if self.edges is None:
            return {}
        every = slice(None, None, max(1, len(self.edges.frequency) // 60))
        edges = self.edges
        return {
            "edge_frequency": edges.frequency[every],
            "edge_modulation": np.round(edges.modulation[every], 5),
            "edge_low": np.round(edges.modulation_low[every], 5),
            "edge_high": np.round(edges.modulation_high[every], 5),
        }
