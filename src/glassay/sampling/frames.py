"""Frames of a still scene taken apart: the picture they share, and the noise in which they differ.

All of it happens in stored values (levels of the file, not linear light), for three reasons.
Firmware enlarges encoded pictures, so interpolation is linear there. Noise is about as strong in
dark as in bright parts of an encoded picture, so that no part dominates. And rounding and
compression steps, which bound what can be seen, have one size there.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage
from glassay.registration import Shift, find_shift

LUMA_WEIGHTS = (0.299, 0.587, 0.114)
"""Weights of stored R, G, B in the luma that JPEG keeps at full resolution (ITU-T T.871). Its
chroma is usually halved and enlarged again by the decoder, which would look like an enlarged photo
in any single channel; this luma is free of it."""

SMALLEST_SIDE_PX = 256
"""Below this the periodic traces cannot be told from chance: a line needs hundreds of samples."""

STILL_PX = 0.5
"""Largest movement between frames that is treated as drift of a still scene and taken out of the
difference to first order; with more of it the difference is no longer noise alone."""

DRIFT_PIECE_PX = 768
"""Side of the central piece on which drift is measured."""

DRIFT_SHARE = 0.05
"""Drift below this share of the noise (0.3 % of its power) is left in."""

CLIPPED_SHARE = 0.5
"""Share of pixels at either end of the range above which a frame carries too little."""


@dataclass(frozen=True)
class Stack:
    """Frames of one still scene, in levels of the file.

    `mean` is the shared picture, `noise` the residuals scaled so that each has the variance of one
    frame's temporal noise (one for a pair, none for a single frame); all (height, width). `step`
    is the distance of neighbouring stored levels, `moved` the largest drift found.
    """

    mean: FloatImage
    noise: tuple[FloatImage, ...]
    step: float
    moved: Shift | None
    notes: tuple[str, ...] = ()

    @property
    def rounding_variance(self) -> float:
        """Variance of rounding in the luma of one frame, levels squared."""
        return self.step**2 / 12


def take_apart(frames: Sequence[npt.NDArray[Any]], full_scale: float | None = None) -> Stack:
    """The shared picture and the noise of frames of stored values.

    Each frame is (height, width) or (height, width, 3), unsigned integers or floats; `full_scale`
    is the largest level (from the type if integer, else 1), floats count as 8 bits deep. Exact
    copies among several frames are left out. Raises NotMeasurable for frames of different size,
    small, flat, clipped, copied, or moved by more than `STILL_PX`.
    """
    if not frames:
        raise ValueError("no frame was given")
    sizes = {frame.shape[:2] for frame in frames}
    if len(sizes) > 1:
        listed = " and ".join(f"{w} x {h}" for h, w in sorted(sizes))
        raise NotMeasurable(f"the frames differ in size: {listed} px")
    if min(frames[0].shape[:2]) < SMALLEST_SIDE_PX:
        height, width = frames[0].shape[:2]
        raise NotMeasurable(
            f"{width} x {height} px is too small a piece; at least {SMALLEST_SIDE_PX} px are"
            " needed both ways"
        )
    _refuse_clipped(frames[0], full_scale)
    distinct = _distinct(frames)
    lumas = [_luma(frame, full_scale) for frame in distinct]
    step = 1.0
    if float(lumas[0].std()) == 0:
        raise NotMeasurable("the frame is perfectly flat: every pixel has the same value")
    notes = _copy_notes(len(frames), len(distinct))
    if len(lumas) == 1:
        return Stack(lumas[0], (), step, None, notes)
    return _residuals(lumas, step, notes)


def _luma(frame: npt.NDArray[Any], full_scale: float | None) -> FloatImage:
    # Floats are brought to the levels of an 8-bit file; integers keep their own levels.
    gain = 1.0 if frame.dtype.kind == "u" else 255.0 / (full_scale or 1.0)
    if frame.ndim == 2:
        return frame.astype(np.float32) * np.float32(gain)
    if frame.dtype == np.uint8:
        weights = np.asarray(LUMA_WEIGHTS, dtype=np.float32).reshape(1, 3)
        return np.asarray(cv2.transform(frame.astype(np.float32), weights), dtype=np.float32)
    weights = np.asarray(LUMA_WEIGHTS, dtype=np.float32) * np.float32(gain)
    return np.asarray(frame.astype(np.float32) @ weights, dtype=np.float32)


def _refuse_clipped(frame: npt.NDArray[Any], full_scale: float | None) -> None:
    top = float(np.iinfo(frame.dtype).max) if frame.dtype.kind == "u" else full_scale or 1.0
    sample = frame[::3, ::3]
    white, black = float((sample >= top).mean()), float((sample <= 0).mean())
    if white + black > CLIPPED_SHARE:
        end = "white" if white > black else "black"
        raise NotMeasurable(
            f"{white + black:.0%} of the photo is clipped, mostly to {end}; change the exposure"
        )


def _distinct(frames: Sequence[npt.NDArray[Any]]) -> list[npt.NDArray[Any]]:
    kept: list[npt.NDArray[Any]] = []
    for frame in frames:
        if not any(np.array_equal(frame, other) for other in kept):
            kept.append(frame)
    if len(kept) == 1 and len(frames) > 1:
        raise NotMeasurable(
            "the frames are identical pixel for pixel: copies of one exposure."
            " Take the second exposure with the camera itself"
        )
    return kept


def _copy_notes(given: int, kept: int) -> tuple[str, ...]:
    if given == kept:
        return ()
    return (f"{given - kept} of {given} frames are exact copies of others and were left out",)


def _residuals(lumas: list[FloatImage], step: float, notes: tuple[str, ...]) -> Stack:
    largest = Shift(0.0, 0.0, 1.0)
    for luma in lumas[1:]:
        shift = find_shift(lumas[0], luma)
        if shift.distance > STILL_PX and shift.is_certain:
            raise NotMeasurable(
                f"the frames moved against each other by {shift.distance:.1f} px, so their"
                " difference is not noise; fix instrument and object and take both exposures"
                " without touching anything"
            )
        if shift.distance > largest.distance:
            largest = shift
    mean = np.asarray(np.mean(lumas, axis=0, dtype=np.float32))
    # Neighbours in time, not differences from the mean: compression steps stay whole that way.
    residuals = [(a - b) * np.float32(0.5**0.5) for a, b in itertools.pairwise(lumas)]
    still = tuple(_without_drift(residual, mean) for residual in residuals)
    return Stack(mean, still, step, largest, notes)


def _without_drift(residual: FloatImage, mean: FloatImage) -> FloatImage:
    """Without what a small movement, a change of brightness and of gain add to a difference."""
    height, width = mean.shape
    y, x = (max(0, (n - DRIFT_PIECE_PX) // 2) for n in (height, width))
    piece = (slice(y, y + DRIFT_PIECE_PX), slice(x, x + DRIFT_PIECE_PX))
    out = residual - np.float32(residual.mean())
    sample = np.stack([p.ravel() for p in _drift_patterns(mean[piece])]).astype(np.float64)
    target = out[piece].ravel().astype(np.float64)
    weights, *_ = np.linalg.lstsq(sample @ sample.T, sample @ target, rcond=None)
    share = float(np.std(weights @ sample)) / max(float(np.std(target)), 1e-12)
    if share > DRIFT_SHARE:
        for weight, pattern in zip(weights, _drift_patterns(mean), strict=True):
            out -= np.float32(weight) * pattern
    return np.asarray(out, dtype=np.float32)


def _drift_patterns(mean: FloatImage) -> list[FloatImage]:
    smooth = cv2.GaussianBlur(mean, (0, 0), 1.0)
    along_x = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=1)
    along_y = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1)
    level = smooth - np.float32(smooth.mean())
    return [np.asarray(pattern, dtype=np.float32) for pattern in (along_x, along_y, level)]
