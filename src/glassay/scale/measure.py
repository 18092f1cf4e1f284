"""Measuring the ruled scale or the grid that a photo shows, whichever it is."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import cv2
import numpy as np

from glassay.errors import NotMeasurable
from glassay.field_stop import FieldStop, find_field_stop
from glassay.imaging.even_rim import even_rim
from glassay.imaging.tone import FloatImage
from glassay.scale.acceptance import WordWanted
from glassay.scale.grid import measure_grid
from glassay.scale.raster import LONGEST_PERIOD_PX, Raster, find_raster
from glassay.scale.result import ScaleResult, View, Word
from glassay.scale.ruled import measure_ruled

Pattern = Literal["auto", "ruled", "grid"]
Box = tuple[int, int, int, int]

MIN_SIDE_PX = 24
"""Side that a photo must have: three and a half divisions, which a search takes, of 7 px."""


def measure_scale(
    grey: FloatImage,
    *,
    pattern: Pattern = "auto",
    box: Box | None = None,
    word: Word = "none",
) -> ScaleResult:
    """Measure the ruled scale (or grid) that a photo shows.

    `grey` (height, width) is linear light. With `box` = (x, y, width, height) only that part is
    searched; positions and tilt still refer to the whole photo. `pattern` "ruled" looks for a scale
    only, "grid" for a crossed or dot grid only, "auto" for a scale and then a grid. `word` says
    who vouches for it that a scale is shown (see `acceptance`).

    Raises `NotMeasurable` with the reason when no scale can be measured.
    """
    within = _in_range(grey)
    del grey  # a picture of hundreds of megapixels need not be kept three times
    stop = find_field_stop(within) if box is None else None
    light = np.sqrt(within, dtype=np.float32)  # photon noise is then alike everywhere
    del within
    rim = even_rim(light) if stop is None else None
    return replace(_measured_in(light, stop, pattern, box, word), rim=rim)


def _measured_in(
    light: FloatImage, stop: FieldStop | None, pattern: Pattern, box: Box | None, word: Word
) -> ScaleResult:
    mask = stop.mask(light.shape) if stop is not None else None
    x0, y0, width, height = box or (0, 0, light.shape[1], light.shape[0])
    part = light[y0 : y0 + height, x0 : x0 + width]
    view = View(part, mask, stop, (light.shape[0], light.shape[1]), (x0, y0), box is not None, word)
    try:
        result = _measured(view, pattern)
    except NotMeasurable:
        raster = find_raster(part)
        if raster is None:
            raise
    else:
        spoken_for = pattern == "grid" or (
            word == "said" and result.division.value > LONGEST_PERIOD_PX
        )
        raster = None if spoken_for else find_raster(part)
        if raster is None:
            return result
    return _behind_raster(view, pattern, raster)


def _behind_raster(view: View, pattern: Pattern, raster: Raster) -> ScaleResult:
    """The scale in a photo that a fine raster covers, once the raster is smoothed away.

    Where nobody was asked about this very photo, its longer lines must tell it: beats between the
    raster and the camera's px are rulings as well.
    """
    seen = (
        f"a raster of {raster.period_px:.1f} px covers the photo, as a screen's or a print's does"
    )
    try:
        word: Word = "said" if view.word == "said" else "none"
        smooth = replace(view, light=raster.smoothed(view.light), word=word, pointed=False)
        result = _measured(smooth, pattern)
    except NotMeasurable as error:
        raise NotMeasurable(f"{seen}; behind it, {error}") from None
    if result.division.value < 2 * raster.period_px:
        raise NotMeasurable(f"{seen}; no scale is seen behind it")
    return replace(result, notes=(*result.notes, f"{seen}; it was smoothed away"))


def _measured(view: View, pattern: Pattern) -> ScaleResult:
    reasons: list[NotMeasurable] = []
    if pattern in ("auto", "ruled"):
        try:
            return _in_whole_photo(measure_ruled(view), view.shape, *view.corner)
        except NotMeasurable as error:
            reasons.append(error)
    if pattern in ("auto", "grid"):
        try:
            result = measure_grid(view, strict=pattern == "auto")
            return _in_whole_photo(result, view.shape, *view.corner)
        except NotMeasurable as error:
            reasons.append(error)
    # What can be mended by a word is worth more to know than why it is nothing else.
    raise next((one for one in reasons if isinstance(one, WordWanted)), reasons[0])


def _in_range(grey: FloatImage) -> FloatImage:
    """The light, scaled to about 0..1 where it is not in that range."""
    if min(grey.shape) < MIN_SIDE_PX:
        raise NotMeasurable(
            f"a photo of {grey.shape[1]} x {grey.shape[0]} px is too small to hold a scale"
        )
    low, high, _, _ = cv2.minMaxLoc(grey)
    if not high > low:
        raise NotMeasurable("the photo is a single shade: there is nothing in it to measure")
    if low < 0 or high > 1.001 or high < 0.05:
        step = max(1, grey.size // 1_000_000)
        top = float(np.percentile(grey.ravel()[::step], 99.9))
        grey = (grey - min(low, 0.0)) / max(top - min(low, 0.0), 1e-30)
        if not np.isfinite(grey).all():
            raise NotMeasurable("the photo's values span more than can be scaled")
        grey = np.clip(grey, 0, 4)
    return grey


def _in_whole_photo(result: ScaleResult, shape: tuple[int, ...], x0: int, y0: int) -> ScaleResult:
    moved = result.segments + np.array([x0, y0, x0, y0])
    return replace(result, segments=moved, shape=(shape[0], shape[1]))
