"""Focus runs: best focus, depth of field and image walk against the lens that was simulated.

Runs of 9 to 25 photos of chips, textures and squares, sharp and soft lenses, clean and noisy, walking
and still; and runs that never pass through focus, which must be refused.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor

import cv2
import numpy as np

from glassay.bench.measuring.joined import focus_run_with_edges
from glassay.errors import NotMeasurable
from glassay.imaging.tone import linear_table
from glassay.quantity import Quantity
from glassay.simulate import Camera, Die, Optics, Pose, SlantedSquare, Texture, focus_run
from studies.field import Outcome, table

CASES, ONE_SIDED = 18, 6
TABLE = linear_table(8, "srgb")
GREEN = 1


def half_depth_um(optics: Optics, per_um: float) -> float:
    """Depth over which the lens passes more than half of what it passes in focus."""

    def kept(defocus_um: float) -> float:
        return float(optics.transfer(np.array([per_um]), GREEN, defocus_um)[0])

    low, high = 0.0, 4.0
    while kept(high) > kept(0.0) / 2:
        low, high = high, 1.3 * high
    for _ in range(10):
        middle = (low + high) / 2
        low, high = (middle, high) if kept(middle) > kept(0.0) / 2 else (low, middle)
    return low + high


def case(index: int) -> list[Outcome]:
    """One run; depth and walk in per cent, best focus in steps."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([9301, index])
    pixel = float(rng.uniform(0.8, 1.6))
    optics = Optics(na=float(rng.uniform(0.07, 0.2)), residual_blur_um=float(rng.uniform(0, 1.0)))
    frequency = float(rng.choice([0.07, 0.1, 0.15]))
    depth = half_depth_um(optics, frequency / pixel)
    count = int(rng.integers(9, 26))
    one_sided = index >= CASES
    start = -depth * float(rng.uniform(1.0, 1.4))
    end = start * 0.02 if one_sided else depth * float(rng.uniform(1.0, 1.4))
    places = np.linspace(start, end, count)
    step = float(places[1] - places[0])
    camera = Camera(width=400, height=320, jpeg_quality=[None, 92, 80][index % 3],
                    full_well_e=float(rng.uniform(2000, 12_000)))  # fmt: skip
    way = float(rng.uniform(0, 1.2)) * pixel
    turn = float(rng.uniform(0, 2 * np.pi))
    walk = [(way * n * np.cos(turn), way * n * np.sin(turn)) for n in range(count)]
    name, scene = [("chip", Die()), ("texture", Texture(contrast=0.3)),
                   ("square", SlantedSquare(side_um=120 * pixel))][index // 3 % 3]  # fmt: skip
    run = focus_run(scene, Pose(pixel), optics, camera, places, walk_um=walk, seed=index)
    frames = [TABLE[shot.stored[..., 1]] for shot in run.captures]
    kind = "one-sided runs taken for whole ones" if one_sided else f"depth of field, {name}, %"
    try:
        found = focus_run_with_edges(
            frames, frequency=frequency, step=Quantity(step, "um"), by_stage=True
        )
    except NotMeasurable as error:
        return [Outcome(kind, reason="" if one_sided else str(error), covered=True)]
    if one_sided:
        return [Outcome(kind, 1.0)]
    findings = found.findings()
    deep, best = findings["depth_of_field"].quantity, findings["best_focus"].quantity
    walked = found.walk
    return [
        Outcome(kind, 100 * (deep.value / depth - 1), deep.interval[0] <= depth <= deep.interval[1]),
        Outcome("best focus, steps", (best.value + start) / step,
                best.interval[0] <= -start <= best.interval[1]),
        Outcome("image walk, px a frame", walked.value - way / pixel,
                walked.interval[0] <= way / pixel <= walked.interval[1]),
    ]  # fmt: skip


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    every = range(0, CASES + ONE_SIDED, 6 if quick else 1)
    with ProcessPoolExecutor(2) as pool:
        found = list(pool.map(case, every, chunksize=2))
    outcomes = [one for group in found for one in group]
    return table(outcomes, "Focus runs (400 x 320 px): errors in the unit named")


if __name__ == "__main__":
    print(report())
