"""The response of an instrument from the same chip through a finer one: 10 % frequency, coverage.

Drawn dies are photographed through two instruments whose pixels are 1.5 to 5 times apart, turned and
moved against each other, matched, and compared; the finer one's response is given with an error of
2 %. Where the truth reaches 10 % beyond 0.5 cycles/px, the limit that pixels carry, both are cut there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor

import cv2
import numpy as np

from glassay.detail.relative_response import absolute_response, relative_response
from glassay.errors import NotMeasurable
from glassay.imaging import srgb_to_linear
from glassay.match import match
from glassay.simulate import Camera, Die, Optics, Pose, Truth, capture
from studies._refusals import refusals
from studies._stored import tables_of
from studies._tenth import NYQUIST, tenth_of

PAIRS = 200
WAVELENGTH_UM = 0.55
FINE_UM = 0.5
FINER_U = 0.02
DIRECTION_DEG = 22.0
"""Between along and across the pixels: the mean over all directions is measured."""


def _lens(cutoff: float, pixel_um: float) -> Optics:
    return Optics(na=cutoff / pixel_um * WAVELENGTH_UM / 2, wavelengths_um=(WAVELENGTH_UM,) * 3)


def _light(stored: np.ndarray) -> np.ndarray:
    return np.asarray(srgb_to_linear(stored / 255.0), dtype=np.float32)


def _tenth(truth: Truth) -> float:
    f = np.linspace(0, 1.2, 4801)
    return tenth_of(f, truth.mtf(f, DIRECTION_DEG))


def one(index: int, qualities: Sequence[int] = (85, 92, 97)) -> tuple[float, bool, float] | str:
    """Relative error, whether covered and u of one pair; the reason where it was refused."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([3201, index])
    ratio = float(rng.uniform(1.5, 5))
    coarse_um = FINE_UM * ratio
    die = Die(seed=int(rng.integers(1000)))
    x, y = (float(v) for v in rng.uniform(-200, 200, 2))
    quality = int(rng.choice(qualities))
    fine_camera = Camera(width=1200, height=900, colour="grey", exposure=0.7, jpeg_quality=quality)
    camera = Camera(
        width=640, height=480, colour="grey", exposure=0.7, jpeg_quality=quality,
        sharpening=float(rng.choice([0.0, 0.0, 0.5])),
    )  # fmt: skip
    cutoff = float(np.exp(rng.uniform(math.log(0.25), math.log(1.0))))
    fine = capture(
        die, Pose(FINE_UM, float(rng.uniform(-5, 5)), (x, y)),
        _lens(float(rng.uniform(0.4, 1.0)), FINE_UM), fine_camera, seed=index,
    )  # fmt: skip
    coarse = capture(
        die, Pose(coarse_um, float(rng.uniform(-5, 5)), (x + 10, y)), _lens(cutoff, coarse_um),
        camera, seed=index + 10_000,
    )  # fmt: skip
    lights = _light(fine.stored), _light(coarse.stored)
    off = 1 + FINER_U * float(rng.standard_normal())
    tables = tables_of(coarse.jpeg)
    try:
        laid = match(*lights, pixel_size_1=FINE_UM, pixel_size_2=coarse_um)
        found = relative_response(*lights, laid.mapping.inverse(), laid.scale_ratio.value, tables)
        told = absolute_response(
            found, lambda f: np.abs(fine.truth.mtf(f / off, DIRECTION_DEG)), FINER_U
        ).frequency_10
    except NotMeasurable as error:
        return str(error)
    if told is None:
        return "the 10 % frequency is not told"
    true = _tenth(coarse.truth)
    value = min(told.value, NYQUIST)
    low, high = told.interval
    return value / true - 1, min(low, NYQUIST) <= true <= max(high, value), told.relative


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    with ProcessPoolExecutor(2) as pool:
        outcomes = list(pool.map(one, range(PAIRS // (10 if quick else 1)), chunksize=2))
    told = [o for o in outcomes if not isinstance(o, str)]
    reasons = [o for o in outcomes if isinstance(o, str)]
    error = np.abs([o[0] for o in told])
    return "\n".join(
        [
            "Same chip through a finer instrument: relative error of the coarser one's 10 % frequency",
            f"  pairs {len(outcomes)}, refused {len(reasons)}; median {np.median(error):.2%},"
            f" p95 {np.percentile(error, 95):.2%}, worst {error.max():.2%};"
            f" covered {np.mean([o[1] for o in told]):.0%}; median u"
            f" {np.median([o[2] for o in told]):.2%}; above 20 %: {int((error > 0.2).sum())}",
            "  targets: median at most 3 %, p95 at most 8 %, coverage 92 to 98 %, none above 20 %",
            *refusals(reasons),
        ]
    )
