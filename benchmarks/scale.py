"""`scale` on a 12-megapixel JPEG against decoding it and one real FFT; and peak memory."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from benchmarks.reference import (
    HEIGHT,
    WIDTH,
    best_time,
    decode_and_transform,
    peak_memory_mb,
    ratio_line,
)
from glassay.imaging import read_photo
from glassay.scale import Division, measure_scale
from glassay.scale.calibrate import calibrate
from glassay.simulate import Camera, Optics, Pose, RuledScale, capture

TARGET = 1.3
CASES = {"fine, 12 px a division": 12.0, "usual, 60 px a division": 60.0, "300 px": 300.0}


def measure_file(path: Path) -> None:
    """What the command does, without printing."""
    calibrate(measure_scale(read_photo(path).measuring_grey()), Division.uncertified(10))


def report() -> str:
    """The printed table."""
    lines = ["scale, 12-megapixel JPEG"]
    with tempfile.TemporaryDirectory() as folder:
        for name, period in CASES.items():
            path = Path(folder) / f"{period:.0f}.jpg"
            pixel = 10 / period
            shot = capture(
                RuledScale(divisions=100), Pose(pixel, 3.0), Optics(na=min(0.9, 0.3 / pixel * 0.27)),
                Camera(width=WIDTH, height=HEIGHT), seed=1,
            )  # fmt: skip
            shot.write(path)
            reference = best_time(lambda path=path: decode_and_transform(path))  # type: ignore[misc]
            before = peak_memory_mb()
            took = best_time(lambda path=path: measure_file(path))  # type: ignore[misc]
            lines.append(ratio_line(name, took, reference, TARGET))
        noise = np.random.default_rng(0).integers(0, 255, (HEIGHT, WIDTH, 3), dtype=np.uint8)
        lines.append(f"  peak memory of this process {max(before, peak_memory_mb()):.0f} MB,"
                     f" a decoded photo is {noise.nbytes / 1e6:.0f} MB")  # fmt: skip
    return "\n".join(lines)
