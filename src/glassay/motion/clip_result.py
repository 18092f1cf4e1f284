"""What a clip's container states and what its frames show, as findings and as evidence."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from glassay.finding import Finding
from glassay.imaging.clip import ClipFacts
from glassay.motion.cadence import Flags
from glassay.motion.flicker import Flicker
from glassay.motion.intervals import Intervals
from glassay.motion.steadiness import Steadiness
from glassay.quantity import Contribution, Quantity, combine

METHOD = "frames of a clip"
CONTAINER = "container of a clip"

Series = npt.NDArray[np.float64]

MOST_DRAWN = 1500
"""Frames kept for drawing: more do not show on a page; of a longer clip every n-th is kept."""


@dataclass(frozen=True)
class ClipEvidence:
    """What is drawn of a clip: series of at most `MOST_DRAWN` frames, as in `ClipResult`, `every`
    n-th of them; `spoilt_s` are the times of frames unlike both neighbours."""

    frames: int
    every: int
    times_s: Series
    levels: Series
    path_px: Series
    differences: Series
    repeats: Flags
    spoilt_s: Series
    truncated: bool


@dataclass(frozen=True)
class ClipResult:
    """What a clip's container states and what its frames show.

    Series have one entry a frame, in the order shown: `times_s` from the first frame, `levels` the
    mean linear light, `path_px` (frames, 2) the picture's displacement (columns, rows) against the
    first, NaN where unknown, `differences` (rms against the frame before, beyond a common change of
    level, in levels of 8 bits; the first 0), `repeats` whether a frame repeats the one before; of
    `doubtful` others it cannot be told, nor of the `still_frames` of a scene that otherwise moves.
    `spoilt` are numbers of single frames unlike both
    neighbours, `clipped` the largest share of white px in a frame.
    """

    facts: ClipFacts
    times_s: Series
    levels: Series
    path_px: Series
    differences: Series
    repeats: Flags
    doubtful: int
    still_frames: int
    spoilt: tuple[int, ...]
    intervals: Intervals | None
    nominal_rate: float | None
    rate: Quantity | None
    duration_s: float | None
    truncated: bool
    damaged_frames: int
    steadiness: Steadiness | None
    flicker: Flicker | None
    clipped: float
    notes: tuple[str, ...] = ()
    pixel_size: Quantity | None = None
    extra: Mapping[str, Finding] = field(default_factory=dict)

    @property
    def frames(self) -> int:
        """Frames that could be decoded."""
        return int(self.times_s.size)

    def evidence(self) -> ClipEvidence:
        """The series for drawing, thinned out, and rounded to what can be seen."""
        every = max(1, -(-self.frames // MOST_DRAWN))
        thin = slice(None, None, every)
        return ClipEvidence(
            self.frames, every, self.times_s[thin].round(4), self.levels[thin].round(5),
            self.path_px[thin].round(3), self.differences[thin].round(3), self.repeats[thin],
            self.times_s[list(self.spoilt)].round(4), self.truncated,
        )  # fmt: skip

    def calibrated(self, pixel_size: Quantity) -> ClipResult:
        """The same with lengths on the object; `pixel_size` in um/px."""
        return replace(self, pixel_size=pixel_size)

    def findings(self) -> dict[str, Finding]:
        """Findings by key; lengths in px, and in um when calibrated."""
        facts = self.facts
        out: dict[str, Finding] = {
            "width": Finding(facts.width, CONTAINER),
            "height": Finding(facts.height, CONTAINER),
            "codec": Finding(facts.codec, CONTAINER),
            "container": Finding(facts.container, CONTAINER),
            "frames": Finding(self.frames, METHOD),
            "truncated": Finding(self.truncated, METHOD),
            "repeated_frames": Finding(self._repeated(), METHOD),
        }
        if self.intervals is not None:
            out["missing_frames"] = Finding(self.intervals.missing, METHOD)
            out["uneven_intervals"] = Finding(self.intervals.uneven, METHOD)
        if self.damaged_frames:
            out["damaged_frames"] = Finding(self.damaged_frames, METHOD)
        if self.spoilt:
            out["spoilt_frames"] = Finding(len(self.spoilt), METHOD)
        out |= {key: Finding(q, how) for key, (q, how) in self._quantities().items()}
        return out | dict(self.extra)

    def _repeated(self) -> int | Quantity:
        found = int(self.repeats.sum())
        if not self.doubtful + self.still_frames:
            return found
        parts = (
            Contribution(
                "repetitions that compression may hide",
                self.doubtful / math.sqrt(3),
                scope="setting",
            ),
            Contribution(
                "repetitions while the scene stands still",
                self.still_frames / math.sqrt(3),
                scope="capture",
            ),
        )
        return Quantity(float(found), "1", tuple(part for part in parts if part.u))

    def _quantities(self) -> dict[str, tuple[Quantity, str]]:
        out: dict[str, tuple[Quantity, str]] = {}
        if self.nominal_rate is not None:
            out["nominal_rate"] = Quantity(self.nominal_rate, "1/s"), CONTAINER
        if self.rate is not None:
            out["delivered_rate"] = self.rate, METHOD
        if self.duration_s is not None:
            tick = 0.0
            if self.intervals is not None:
                low, high = self.intervals.last_s
                tick = max(self.intervals.usual_s, high - low) / math.sqrt(12)
            length = Quantity.of(self.duration_s, tick, "s", "length of the last frame")
            out["duration"] = length, METHOD
        if self.facts.duration_s is not None:
            out["stated_duration"] = Quantity(self.facts.duration_s, "s"), CONTAINER
        if self.flicker is not None:
            out["flicker"] = self.flicker.amplitude, METHOD
            if self.flicker.frequency is not None:
                out["flicker_frequency"] = self.flicker.frequency, METHOD
        if self.steadiness is not None:
            out |= {key: (q, METHOD) for key, q in self._lengths(self.steadiness).items()}
        return out

    def _lengths(self, steady: Steadiness) -> dict[str, Quantity]:
        found = {"drift_x": steady.drift_x, "drift_y": steady.drift_y, "shake": steady.shake}
        if self.pixel_size is None:
            return found
        return {key: on_object(q, self.pixel_size) for key, q in found.items()}


def on_object(length_px: Quantity, pixel_size: Quantity) -> Quantity:
    """A length or speed (px, px/s) on the object (um, um/s); `pixel_size` in um/px."""
    unit = length_px.unit.replace("px", "um")
    return combine(lambda p, s: p * s, (length_px, pixel_size), unit)
