"""Across the field: evenness, hot spots, distortion and lateral colour against simulated truth.

Flat fields differ in vignetting, gradient, lamps, noise and compression; grids and scales in pixel
size, tilt, distortion, lateral colour, sharpness, noise and JPEG quality.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np

from glassay.bench.measuring.joined import view_of
from glassay.distortion import undistorted_radius
from glassay.errors import NotMeasurable
from glassay.field import measure_distortion, measure_evenness, measure_lateral_colour
from glassay.imaging.tone import FloatImage, linear_table
from glassay.quantity import Quantity
from glassay.simulate import (
    Camera,
    Capture,
    CrossedGrid,
    DotGrid,
    FlatField,
    Lighting,
    Optics,
    Pose,
    RuledScale,
    capture,
)

CASES = 30
WIDTH, HEIGHT = 600, 450
TABLE = linear_table(8, "srgb")


@dataclass(frozen=True)
class Outcome:
    """One number: its kind, error in its unit, whether the 95 % interval covers, or a refusal."""

    kind: str
    error: float = 0.0
    covered: bool = False
    reason: str = ""


def _judged(kind: str, found: Quantity, truth: float) -> Outcome:
    low, high = found.interval
    return Outcome(kind, found.value - truth, low <= truth <= high)


def _light(shot: Capture) -> FloatImage:
    return np.asarray(TABLE[shot.stored], dtype=np.float32)


def _camera(rng: np.random.Generator) -> Camera:
    quality = [None, 95, 85, 75][int(rng.integers(4))]
    return Camera(width=WIDTH, height=HEIGHT, jpeg_quality=quality,
                  full_well_e=float(np.exp(rng.uniform(np.log(1500), np.log(15_000)))))  # fmt: skip


def flat_case(index: int) -> list[Outcome]:
    """A flat field: corners against the same zones of the light itself, and lamps found."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([9101, index])
    lamps = int(rng.choice([0, 4, 6, 8]))
    lighting = Lighting(
        level=0.7, gradient=(float(rng.uniform(-0.2, 0.2)), float(rng.uniform(-0.2, 0.2))),
        hot_spots=lamps, hot_spot_level=float(rng.uniform(0.05, 0.25)),
        hot_spot_phase_deg=float(rng.uniform(0, 90)),
    )  # fmt: skip
    optics = Optics(vignetting=float(rng.uniform(0, 0.4)), lighting=lighting)
    shot = capture(FlatField(0.6), Pose(1.2), optics, _camera(rng), seed=index)
    try:
        found = measure_evenness(_light(shot), full=(shot.stored == 255).any(axis=2))
    except NotMeasurable as error:
        return [Outcome("light in the corners, %", reason=str(error))]
    truth = measure_evenness(shot.linear)
    assert found.corner is not None
    assert truth.corner is not None
    assert found.red_shift is not None
    return [
        _judged("light in the corners, %", found.corner, truth.corner.value),
        _judged("light at the edges, %", found.edge, truth.edge.value),
        _judged("colour shift, %", found.red_shift, 0.0),
        Outcome("lamps found (of those there)", len(found.hot_spots) - lamps,
                len(found.hot_spots) == lamps),
    ]  # fmt: skip


def grid_case(index: int) -> list[Outcome]:
    """A grid (or three photos of a scale): distortion and lateral colour at the corner."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([9102, index])
    k1 = float(rng.uniform(-0.06, 0.03))
    red, blue = (float(v) for v in rng.uniform(-0.004, 0.004, 2))
    optics = Optics(
        na=float(rng.uniform(0.06, 0.15)), distortion_k1=k1, lateral_colour=(red, 0.0, blue),
        vignetting=0.1, residual_blur_um=float(rng.uniform(0, 1.5)),
        axial_colour_um=(float(rng.uniform(-12, 12)), 0.0, float(rng.uniform(-12, 12))),
    )  # fmt: skip
    camera = _camera(rng)
    pixel, tilt = float(rng.uniform(1.2, 2.0)), float(rng.uniform(-8, 8))
    half = np.hypot(WIDTH, HEIGHT) / 2
    truth = 100 * k1 * float(undistorted_radius(1.0, k1)) ** 2
    kinds = [("crossed grid", CrossedGrid()), ("dot grid", DotGrid()),
             ("three photos of a scale", RuledScale(division_um=10, divisions=100))]  # fmt: skip
    name, scene = kinds[index % 3]
    places = [(0.0, 0.0)]
    if name.startswith("three"):
        places = [(500.0, y * pixel * HEIGHT) for y in (-0.35, 0.0, 0.35)]
    shots = [
        capture(scene, Pose(pixel, tilt, at), optics, camera, seed=7 * index + n)
        for n, at in enumerate(places)
    ]
    out = []
    try:
        views = [view_of(TABLE[shot.stored[..., 1]]) for shot in shots]
        bent = measure_distortion(views, (HEIGHT, WIDTH))
        out.append(_judged(f"distortion, {name}, %", bent.corner, truth))
    except NotMeasurable as error:
        out.append(Outcome(f"distortion, {name}, %", reason=str(error)))
    if name.startswith("three"):
        return out
    lossy = camera.jpeg_quality is not None
    kind = f"lateral colour, {'JPEG' if lossy else 'lossless'}, px"
    try:
        colour = measure_lateral_colour(_light(shots[0]), compressed=lossy)
    except NotMeasurable as error:
        return [*out, Outcome(kind, reason=str(error))]
    return [
        *out,
        _judged(kind, colour.red.radial(1.0), red * half),
        _judged(kind, colour.blue.radial(1.0), blue * half),
    ]


def table(outcomes: list[Outcome], title: str) -> str:
    """Errors by kind, as printed by the studies of field, noise and focus."""
    lines = [
        title,
        f"  {'':<42}   n ref.      bias   median      p95    worst  cover",
    ]
    for kind in sorted({o.kind for o in outcomes}):
        mine = [o for o in outcomes if o.kind == kind]
        told = [o for o in mine if not o.reason]
        error = np.array([o.error for o in told]) if told else np.full(1, np.nan)
        lines.append(
            f"  {kind:<42}{len(mine):4d} {len(mine) - len(told):4d} {np.mean(error):+9.3f}"
            f" {np.median(np.abs(error)):8.3f} {np.percentile(np.abs(error), 95):8.3f}"
            f" {np.abs(error).max():8.3f} {np.mean([o.covered for o in told]) if told else 0:6.0%}"
        )
    lines += sorted({f"  refused: {o.reason}" for o in outcomes if o.reason})
    return "\n".join(lines)


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    count = CASES // 6 if quick else CASES
    with ProcessPoolExecutor(2) as pool:
        flats = list(pool.map(flat_case, range(count // 2), chunksize=4))
        grids = list(pool.map(grid_case, range(count), chunksize=4))
    outcomes = [one for group in (*flats, *grids) for one in group]
    title = f"Across the field ({WIDTH} x {HEIGHT} px): errors in the unit named"
    return table(outcomes, title)


if __name__ == "__main__":
    print(report())
