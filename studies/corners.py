"""How much wider lines must be in the corners, from a slide's lines: error, coverage, refusals.

Slides as of `studies.lines`, under lenses whose field is curved by 0 to 1.2 waves at the corner. The
truth is the ratio of the frequencies at which the responses before compression, each the mean over
the zone's lines at their places, fall to 10 %, no higher than Nyquist.
"""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.detail.across_field import zone_at
from glassay.detail.line_response import response_of_lines
from glassay.detail.lines_across import corner_ratio_of_lines
from glassay.errors import NotMeasurable
from glassay.imaging import srgb_to_linear
from glassay.imaging.tone import LUMINANCE_WEIGHTS
from glassay.scale import measure_scale
from glassay.simulate import Camera, Capture, Optics, Pose, RuledScale, capture
from studies._refusals import refusals
from studies._stored import tables_of
from studies._tenth import tenth_of

CAPTURES = 60
WAVELENGTH_UM = 0.55
FREQUENCY = np.linspace(0, 1.2, 2401)


@dataclass(frozen=True)
class Outcome:
    """True ratio, relative error of the one told, whether covered, u; None and why if not told."""

    true: float
    error: float | None
    covered: bool = False
    u: float = 0.0
    reason: str = ""


def one(index: int) -> Outcome:
    """One slide of the study."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([3107, index])
    division_px = float(rng.uniform(9, 30))
    pixel_um = 10 / division_px
    cutoff = float(np.exp(rng.uniform(math.log(0.25), math.log(0.9))))  # cycles/px
    na = cutoff / pixel_um * WAVELENGTH_UM / 2
    waves = float(rng.choice([0.0, rng.uniform(0.3, 1.2)]))
    optics = Optics(
        na=na,
        wavelengths_um=(WAVELENGTH_UM,) * 3,
        field_curvature_um=waves * 2 * WAVELENGTH_UM / na**2,
    )
    camera = Camera(
        width=1000, height=750, colour="full", exposure=0.7, jpeg_quality=int(rng.choice([85, 92, 98])),
        sharpening=float(rng.choice([0.0, 0.5])),
    )  # fmt: skip
    scene = RuledScale(line_width_um=float(rng.uniform(1, 3)), divisions=200)
    shot = capture(scene, Pose(pixel_um, float(rng.uniform(-20, 20))), optics, camera, seed=index)
    grey = srgb_to_linear(shot.stored / 255.0) @ np.array(LUMINANCE_WEIGHTS)
    try:
        scale = measure_scale(grey.astype(np.float32))
    except NotMeasurable as error:
        return Outcome(math.nan, None, reason=str(error))
    true = _true_ratio(shot, scale.segments)
    try:
        tables = tables_of(shot.jpeg)
        division = scale.division.value
        whole = response_of_lines(grey, scale.segments, division, tables)
    except NotMeasurable as error:
        return Outcome(true, None, reason=str(error))
    found = corner_ratio_of_lines(grey, scale.segments, division, whole, tables)
    if found is None:
        return Outcome(true, None, reason="the zones do not tell it")
    low, high = found.interval
    return Outcome(true, found.value / true - 1, low <= true <= high, found.relative)


def _true_ratio(shot: Capture, segments: npt.NDArray[np.float64]) -> float:
    middles = (segments[:, :2] + segments[:, 2:]) / 2
    zones = [zone_at(float(x), float(y), shot.stored.shape[:2]) for x, y in middles]
    height, width = shot.stored.shape[:2]

    def tenth(zone: str) -> float:
        # A line is seen along its whole length, as far as it is in view.
        places = [
            (float(x), float(y))
            for x0, y0, x1, y1 in segments[[here == zone for here in zones]]
            for x, y in np.linspace((x0, y0), (x1, y1), 5)
            if 0 <= x < width and 0 <= y < height
        ]
        if not places:
            return math.nan
        curves = [shot.truth.mtf(FREQUENCY, shot.truth.tilt_deg, place) for place in places]
        return tenth_of(FREQUENCY, np.mean(curves, axis=0))

    return tenth("centre") / tenth("corner")


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    with ProcessPoolExecutor(2) as pool:
        outcomes = list(pool.map(one, range(CAPTURES // (5 if quick else 1)), chunksize=2))
    told = [o for o in outcomes if o.error is not None]
    error = np.abs([o.error for o in told])
    lines = [
        "How much wider lines must be in the corners, from a slide's lines",
        f"  told {len(told)} of {len(outcomes)}; error: median {np.median(error):.2%}, 95th percentile"
        f" {np.percentile(error, 95):.2%}, worst {error.max():.2%};"
        f" covered {np.mean([o.covered for o in told]):.0%},"
        f" median u {np.median([o.u for o in told]):.2%}",
    ]
    return "\n".join([*lines, *refusals([o.reason for o in outcomes])])
