"""The response from the superposed lines of a slide: 10 % frequency, coverage, refusals.

Slides of 9 to 45 px a division with lines of 1 to 3 um are photographed by whole cameras: noise, sRGB,
sharpening, JPEG of quality 80 to 98, responses from soft to sharper than the pixels, tilts to 20 deg.
The truth is the response before compression; where it reaches 10 % beyond 0.5 cycles/px, the limit that
pixels carry, an answer beyond it counts as right, for a bench states no more than the limit. Grooves,
of which light shows both walls dark or one dark and one bright, are a row of their own.
"""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np

from glassay.detail.line_response import response_of_lines
from glassay.errors import NotMeasurable
from glassay.imaging import srgb_to_linear
from glassay.scale import measure_scale
from glassay.simulate import Camera, Optics, Pose, RuledScale, capture
from studies._refusals import refusals
from studies._stored import tables_of
from studies._tenth import NYQUIST, tenth_of

CAPTURES = 200
GROOVES = 100
WAVELENGTH_UM = 0.55


@dataclass(frozen=True)
class Outcome:
    """Relative error of the 10 % frequency, whether covered, its u; None with the reason if refused."""

    error: float | None
    covered: bool = False
    u: float = 0.0
    quality: int = 0
    reason: str = ""


def one(index: int, grooves: bool = False) -> Outcome:
    """One slide of the study: of bars, or of grooves of which the walls are seen."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([3102 if grooves else 3101, index])
    division_px = float(rng.uniform(9, 45))
    pixel_um = 10 / division_px
    cutoff = float(np.exp(rng.uniform(math.log(0.25), math.log(1.2))))  # cycles/px
    na = cutoff / pixel_um * WAVELENGTH_UM / 2
    kind = index % 3  # in focus, with a Gaussian on top, out of focus
    optics = Optics(
        na=na, wavelengths_um=(WAVELENGTH_UM,) * 3,
        residual_blur_um=0.3 * pixel_um / cutoff if kind == 1 else 0.0,
        defocus_um=float(rng.uniform(0.1, 0.5)) * 2 * WAVELENGTH_UM / na**2 if kind == 2 else 0.0,
    )  # fmt: skip
    quality = int(rng.choice([80, 92, 98]))
    camera = Camera(
        width=1000, height=750, colour=str(rng.choice(["full", "grey"])), exposure=0.7,
        full_well_e=float(rng.choice([4000, 12000])), jpeg_quality=quality,
        sharpening=float(rng.choice([0.0, 0.0, 0.6])),
    )  # type: ignore[arg-type]  # fmt: skip
    width = float(rng.uniform(1, 3))
    scene = RuledScale(line_width_um=width)
    if grooves:
        walls = str(rng.choice(["edges", "shaded"]))
        wall = min(float(rng.uniform(0.3, 0.8)), 0.45 * width)
        scene = replace(scene, profile=walls, rim_width_um=wall)  # type: ignore[arg-type]
    centre = (float(rng.uniform(-50, 50)), float(rng.uniform(-10, 10)))
    pose = Pose(pixel_um, float(rng.uniform(-20, 20)), centre)
    shot = capture(scene, pose, optics, camera, seed=index)
    light = srgb_to_linear(shot.stored / 255.0)
    grey = light if light.ndim == 2 else light @ np.array([0.2126, 0.7152, 0.0722])
    f = np.linspace(0, 1.2, 4801)
    true = tenth_of(f, shot.truth.mtf(f, pose.tilt_deg))
    try:
        scale = measure_scale(grey.astype(np.float32))
        tables = tables_of(shot.jpeg)
        found = response_of_lines(grey, scale.segments, scale.division.value, tables)
    except NotMeasurable as error:
        return Outcome(None, quality=quality, reason=str(error))
    tenth = found.frequency_10
    if tenth is None:
        return Outcome(None, quality=quality, reason="the 10 % frequency is not told")
    low, high = tenth.interval
    value = min(tenth.value, NYQUIST)
    covered = min(low, NYQUIST) <= true <= max(high, value)
    return Outcome(value / true - 1, covered, tenth.relative, quality)


def row(name: str, outcomes: list[Outcome]) -> str:
    """One line of the table."""
    told = [o for o in outcomes if o.error is not None]
    if not told:
        return f"  {name:<18}{len(outcomes):4d} {len(outcomes):4d}"
    error = np.abs([o.error for o in told])
    covered = np.mean([o.covered for o in told])
    return (
        f"  {name:<18}{len(outcomes):4d} {len(outcomes) - len(told):4d} {np.median(error):7.2%}"
        f" {np.percentile(error, 95):7.2%} {error.max():7.2%} {covered:6.0%}"
        f" {np.median([o.u for o in told]):7.2%} {int((error > 0.2).sum()):5d}"
    )


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    with ProcessPoolExecutor(2) as pool:
        share = 5 if quick else 1
        outcomes = list(pool.map(one, range(CAPTURES // share), chunksize=4))
        walls = list(pool.map(one, range(GROOVES // share), [True] * GROOVES, chunksize=4))
    lines = [
        "Superposed lines of a slide: relative error of the frequency of 10 % modulation",
        f"  {'':<18}   n  ref.  median     p95   worst  cover   med u  >20%",
        row("all", outcomes),
        *(row(f"JPEG {q}", [o for o in outcomes if o.quality == q]) for q in (80, 92, 98)),
        row("grooves", walls),
        "  targets: median at most 3 %, p95 at most 8 %, coverage 92 to 98 %, none above 20 %",
    ]
    return "\n".join([*lines, *refusals([o.reason for o in (*outcomes, *walls)])])
