"""What findings are called, and in which unit they are shown, wherever people read them.

Their keys are for scripts and stay what they are; this is the one table from keys to words.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from glassay.detail.edge_result import GROUPS
from glassay.finding import Finding
from glassay.quantity import Quantity

NAMES = {
    # scales
    "pixel_size": "pixel size",
    "pixel_size_x": "pixel size along x",
    "pixel_size_y": "pixel size along y",
    "division": "division",
    "tilt": "tilt",
    "lines": "lines used",
    "divisions_across": "divisions across the field",
    "field_width": "field width",
    "field_height": "field height",
    "field_diameter": "field diameter",
    "implied_field_number": "field number that this implies",
    "axis_ratio": "ratio of the scales along both axes",
    "axis_angle": "angle between the axes",
    # detail
    "frequency_50": "50 % modulation",
    "frequency_10": "10 % modulation",
    **{key: f"50 % modulation, {words}" for key, words in GROUPS.items()},
    "edge_width_10_90": "width of an edge, 10 to 90 %",
    "overshoot": "overshoot of edges",
    "edges": "edges used",
    "finest_group": "finest group told",
    "finest_element": "finest element told",
    "finest_frequency": "finest bars told",
    "contrast_threshold": "contrast at which bars count as told",
    "elements": "elements read",
    "frc_cutoff": "end of repeatable detail",
    "frc_cutoff_x": "end of repeatable detail along x",
    "frc_cutoff_y": "end of repeatable detail along y",
    "frc_period": "finest period that repeats",
    "frc_reaches_nyquist": "detail repeats up to the limit of the pixels",
    "detail_ratio": "detail against that predicted",
    "binding": "what binds",
    "line_width": "width of the slide's lines",
    # stacks and mosaics
    "depth_range": "range of depth",
    "in_focus_share": "share of the picture that is in focus somewhere",
    "magnification_change": "change of magnification while focusing",
    "tiles_placed": "views placed",
    "tiles_left_out": "views left out",
    "loop_closure": "disagreement around loops",
    # pixels
    "native_width": "native width",
    "native_height": "native height",
    "native_megapixels": "native pixels",
    "native_verdict": "pixels are",
    "enlargement": "enlargement",
    "detail_megapixels": "pixels that would carry the detail",
    # noise
    "temporal_noise": "noise from exposure to exposure",
    "snr_grey": "signal to noise of one pixel",
    "snr_at": "light at which that holds, of full scale",
    "noise_slope": "growth of noise variance with light",
    "noise_floor": "noise in the dark",
    "noise_reach": "frequency up to which noise survives",
    "full_scale_electrons": "electrons at full scale",
    "fixed_pattern": "fixed pattern",
    "noise_correlation": "correlation of noise between neighbouring pixels",
    # field
    "evenness": "evenness, darkest against brightest",
    "evenness_corner": "light in the corners, of that in the middle",
    "evenness_edge": "light at the edges, of that in the middle",
    "evenness_darkest": "light in the darkest place, of that in the middle",
    "hot_spots": "hot spots",
    "hot_spot_excess": "brightest hot spot, above its surroundings",
    "colour_shift_red": "red against green, corner against middle",
    "colour_shift_blue": "blue against green, corner against middle",
    "distortion_corner": "distortion in the corners",
    "distortion_edge": "distortion at the edges",
    "distortion_points": "points used for distortion",
    "lateral_colour": "lateral colour",
    **{
        f"lateral_{colour}_{place}{way}": f"{colour} against green {where}{words}"
        for colour in ("red", "blue")
        for place, where in (("centre", "in the centre"), ("edge", "at the edges"),
                             ("corner", "in the corners"))
        for way, words in (("", ", outwards"), ("_tangential", ", sideways"))
    },
    # focus
    "best_focus_frame": "frame in best focus",
    "best_focus": "best focus, from the first frame",
    "depth_of_field": "depth of field",
    "depth_of_field_frames": "depth of field in frames",
    "focus_frequency": "spatial frequency at which focus is judged",
    "focus_frames": "frames through focus",
    "focus_quality": "contrast that edges keep at best focus",
    "image_walk": "walk of the picture from frame to frame",
    "image_walk_range": "walk of the picture in all",
    # clips
    "width": "width of frames in px",
    "height": "height of frames in px",
    "codec": "codec",
    "container": "container",
    "frames": "frames",
    "truncated": "recording is cut off",
    "repeated_frames": "repeated frames",
    "missing_frames": "missing frames",
    "damaged_frames": "damaged frames",
    "spoilt_frames": "spoilt frames",
    "uneven_intervals": "uneven intervals",
    "nominal_rate": "frame rate that the file states",
    "delivered_rate": "different pictures delivered",
    "duration": "duration",
    "stated_duration": "duration that the file states",
    "drift_x": "drift along x",
    "drift_y": "drift along y",
    "shake": "shake",
    "flicker": "flicker",
    "flicker_frequency": "frequency of the flicker",
    # pixel arrays and matches
    "pitch_x": "pixel pitch along x",
    "pitch_y": "pixel pitch along y",
    "mosaic_period_x": "period of the mosaic along x",
    "mosaic_period_y": "period of the mosaic along y",
    "columns": "columns",
    "rows": "rows",
    "array_megapixels": "pixels of the array",
    "array_width": "width of the array",
    "array_height": "height of the array",
    "array_diagonal": "diagonal of the array",
    "optical_format": "optical format",
    "scale_ratio": "ratio of pixel sizes, second over first",
    "rotation": "rotation of the second against the first",
    "residual": "misfit of the match",
    "correlation": "correlation of the match",
    "shared_width": "width of what both show",
    "shared_height": "height of what both show",
    "calibration_ratio": "ratio of pixel sizes by the calibrations",
    "calibration_error": "calibrations against the match",
    "calibrations": "the calibrations",
    "unexplained": "difference left unexplained",
}  # fmt: skip

SHARES = frozenset({
    "overshoot", "temporal_noise", "flicker", "noise_floor", "fixed_pattern",
    "noise_correlation", "snr_at", "contrast_threshold", "focus_quality",
})  # fmt: skip
"""Findings kept as shares of one, and shown in per cent."""

NYQUIST = 0.5
"""Highest frequency, cycles/px, that pixels carry. The curve of a slanted edge goes on beyond it, but
no picture of theirs holds such detail."""

ON_OBJECT = "_object"


class Shown(NamedTuple):
    """A finding in words: its name, and its value in a unit that people use."""

    name: str
    value: Quantity | str


def name_of(key: str) -> str:
    """What a finding is called; the key with spaces for one that has no name of its own."""
    if key.endswith(ON_OBJECT) and key not in NAMES:
        return f"{name_of(key.removesuffix(ON_OBJECT))}, on the object"
    return NAMES.get(key, key.replace("_", " "))


def shown(key: str, finding: Finding) -> Shown:
    """A finding as a page, a print or the workbench states it."""
    value = finding.value
    if isinstance(value, bool):
        return Shown(name_of(key), "yes" if value else "no")
    if not isinstance(value, Quantity):
        return Shown(name_of(key), str(value))
    if key.startswith("frequency_") and value.unit == "cycles/px" and value.value > NYQUIST:
        return Shown(name_of(key), "beyond Nyquist (0.5 cycles/px)")
    if key == "snr_grey" and value.value > 0:
        return Shown(name_of(key), in_decibels(value))
    return Shown(name_of(key), value.scaled(100, "%") if key in SHARES else value)


def in_decibels(ratio: Quantity) -> Quantity:
    """A ratio of amplitudes in dB, 20 times its logarithm."""
    slope = 20 / math.log(10) / ratio.value
    return Quantity(20 * math.log10(ratio.value), "dB", ratio.scaled(slope, "dB").contributions)
