"""Watching a live picture: what each frame tells while a person focuses, lights and lines up.

These are aids to set up by, not findings: they come without uncertainty and are not kept. Only the
pixel size is a measurement, made by the same method as on photos, beside the stream and as often as
it gets done.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.bench.saying.words import say, say_length
from glassay.errors import NotMeasurable
from glassay.imaging import srgb_to_linear
from glassay.imaging.tone import linear_table
from glassay.quantity import Quantity
from glassay.report.numbers import prose
from glassay.scale import Calibration, Division, measure_scale
from glassay.scale.calibrate import calibrate
from glassay.web.live_frames import LiveFrame

CLIPPED_FROM = 254
"""Levels from here on count as clipped: JPEG moves the highest level by one."""
NOTABLY_CLIPPED = 0.001
"""Share of clipped pixels that is warned of; single glints are below."""
UNEVEN_BELOW = 0.7
"""Darkest over brightest part of the field (of 8 x 6) that is warned of (common practice, no
source: below, the corners look dark beside the middle)."""
STEADY_FRAMES = 45
"""Frames over which steadiness is told: three seconds at 15 frames a second."""
SHIFT_SIDE_PX = 512
"""Longer side of the pictures that are compared for steadiness."""
SURE_RESPONSE = 0.05
"""Peak of the phase correlation below which two frames share too little to tell a shift."""
SCALE_EVERY_S = 0.7
"""Least time between two measurements of the scale, so that the stream keeps its processor."""

Grey = npt.NDArray[np.float32]
Stored = npt.NDArray[np.uint8]


SCALE_LASTS_S = 4.0
"""Age at which a live scale is forgotten. It is measured anew all the time while one is in view, so
that only one that went out of view, or a measurement that hangs, grows so old."""


@dataclass(frozen=True)
class Seen:
    """What one frame tells. `focus` is contrast of fine detail, comparable within one view."""

    width: int
    height: int
    focus: float
    best_focus: float
    clipped: float
    evenness: float
    steadiness_px: float | None
    scale: Mapping[str, Any]

    def as_json(self) -> dict[str, Any]:
        """Plain data with the warnings in words."""
        warnings = []
        if self.clipped > NOTABLY_CLIPPED:
            warnings.append(f"{self.clipped:.1%} of the picture is clipped: dim the light")
        if self.evenness < UNEVEN_BELOW:
            warnings.append(f"the darkest part has {self.evenness:.0%} of the brightest's light")
        return {
            "width": self.width, "height": self.height, "focus": self.focus,
            "best_focus": self.best_focus, "clipped": self.clipped, "evenness": self.evenness,
            "steadiness_px": self.steadiness_px, "scale": dict(self.scale), "warnings": warnings,
        }  # fmt: skip


class Watch:
    """One live view. `look` is called with one frame after the other."""

    def __init__(self) -> None:
        self.used = time.monotonic()
        self._lock = threading.Lock()
        self._best = 0.0
        self._reference: Grey | None = None
        self._places: deque[tuple[float, float]] = deque(maxlen=STEADY_FRAMES)
        self._scale: dict[str, Any] = {}
        self._division: Division | None = None
        self._scene = 0
        self._measuring = threading.Event()
        self._measured_at = 0.0

    def start_over(self) -> None:
        """Forget the best focus and where the picture stood."""
        with self._lock:
            self._best, self._reference = 0.0, None
            self._places.clear()
            self._forget_scale()

    def _forget_scale(self) -> None:
        """What was measured of another scene, object or zoom says nothing of this one."""
        self._scale = {}
        self._scene += 1

    def look(self, frame: LiveFrame, division: Division | None) -> Seen:
        """Judge a frame. With `division` the scale is measured beside it."""
        self.used = time.monotonic()
        grey = frame.luma
        focus, small = focus_of(grey), _small(grey)
        with self._lock:
            self._best = max(self._best, focus)
            if division != self._division:
                self._division = division
                self._forget_scale()
            steadiness = self._steadiness(small)
            if "measured_at" in self._scale:
                self._scale["age_s"] = time.monotonic() - self._scale["measured_at"]
                if self._scale["age_s"] > SCALE_LASTS_S:
                    self._forget_scale()
            best, scale = self._best, dict(self._scale)
            scale.pop("measured_at", None)
        if division is not None:
            self._measure_beside(grey, division)
        height, width = grey.shape
        return Seen(
            width, height, focus, best, clipped_share(frame.every_second()), evenness_of(small),
            steadiness, self._in_um(scale, steadiness),
        )  # fmt: skip

    def _steadiness(self, small: Grey) -> float | None:
        if self._reference is None or self._reference.shape != small.shape:
            self._reference = small
            self._places.clear()
        window = _window(small.shape)
        # OpenCV multiplies the window into what it is given.
        (x, y), response = cv2.phaseCorrelate(self._reference.copy(), small.copy(), window)
        if response < SURE_RESPONSE:  # another scene: start anew
            self._reference = small
            self._places.clear()
            self._forget_scale()
            return None
        self._places.append((x, y))
        if len(self._places) < 5:
            return None
        return float(np.hypot(*np.std(np.asarray(self._places), axis=0)))

    def _in_um(self, scale: dict[str, Any], steadiness: float | None) -> dict[str, Any]:
        pixel = scale.get("pixel_um")
        if pixel is not None and steadiness is not None:
            # The reduced picture's px are `reduced` px of the frame.
            moved = steadiness * scale["width"] / SHIFT_SIDE_PX * pixel
            scale["steadiness"] = prose(say_length(Quantity(moved, "um")))
        return scale

    def _measure_beside(self, grey: Stored, division: Division) -> None:
        waiting = time.monotonic() - self._measured_at < SCALE_EVERY_S
        if self._measuring.is_set() or waiting:
            return
        self._measuring.set()
        scene = self._scene

        def measure() -> None:
            try:
                found = _scale_words(grey, division)
            except NotMeasurable as error:
                found = {"reason": str(error)}
            finally:
                self._measured_at = time.monotonic()
                self._measuring.clear()
            with self._lock:
                if scene == self._scene:
                    self._scale = {**found, "measured_at": self._measured_at, "age_s": 0.0}

        # No daemon: one that is in a library's code when the program ends would abort it.
        threading.Thread(target=measure).start()


def _scale_words(grey: Stored, division: Division) -> dict[str, Any]:
    light = np.asarray(cv2.LUT(grey, linear_table(8, "srgb")), dtype=np.float32)
    found: Calibration = calibrate(measure_scale(light, word="filed"), division)
    pixel = found.pixel_size
    field = "not told: an even frame lies around the picture"
    if found.field_width is not None and found.field_height is not None:
        field = f"{say_length(found.field_width)} x {say_length(found.field_height)}"
    if found.field_diameter is not None:
        field = f"{say_length(found.field_diameter)} across"
    return {
        "pixel_um": pixel.value, "pixel_U": pixel.expanded, "pixel": prose(say(pixel, " um/px")),
        "field": prose(field),
        "width": grey.shape[1], "tilt": prose(say(found.result.tilt, "°")),
    }  # fmt: skip


def focus_of(grey: Stored) -> float:
    """Contrast of fine detail in the middle half: rms gradient over mean level.

    The gradient is taken after slight smoothing, so that noise does not count as detail.
    """
    height, width = grey.shape
    middle = grey[height // 4 : height - height // 4, width // 4 : width - width // 4]
    smooth = cv2.GaussianBlur(np.asarray(middle, dtype=np.float32), (0, 0), 1.0)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=1, scale=0.5)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1, scale=0.5)
    energy = float(np.vdot(gx, gx) + np.vdot(gy, gy)) / max(1, gx.size)
    return float(np.sqrt(energy) / max(1.0, float(middle.mean())))


def clipped_share(frame: Stored) -> float:
    """Share of px (height, width, 3) with any channel at full scale."""
    below = cv2.inRange(frame, (0, 0, 0), (CLIPPED_FROM - 1,) * 3)
    return 1 - float(np.count_nonzero(below)) / below.size


def evenness_of(small: Grey) -> float:
    """Light in the darkest part of the field over that in the brightest, of 8 x 6 parts.

    The median within each part counts, so that lines and dirt do not.
    """
    height, width = small.shape
    parts = [
        float(np.median(part))
        for row in np.array_split(small, 6 if height >= 6 else 1, axis=0)
        for part in np.array_split(row, 8 if width >= 8 else 1, axis=1)
    ]
    light = srgb_to_linear(np.asarray(parts) / 255.0)
    return float(light.min() / max(float(light.max()), 1e-6))


def _small(grey: Stored) -> Grey:
    factor = SHIFT_SIDE_PX / grey.shape[1]
    size = (SHIFT_SIDE_PX, max(1, round(grey.shape[0] * factor)))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _window(shape: tuple[int, ...]) -> Grey:
    return np.outer(np.hanning(shape[0]), np.hanning(shape[1])).astype(np.float32)
