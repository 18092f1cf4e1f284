"""The yardstick: decoding a 12-megapixel JPEG and one real FFT of the same size."""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image

WIDTH, HEIGHT = 4000, 3000


def best_time(work: Callable[[], object], repeats: int = 5) -> float:
    """Shortest of several runs, in seconds: the least disturbed one."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def decode_and_transform(path: Path) -> None:
    """Decode the photo and take one real FFT of a grey picture of its size (numpy, float64).

    Decoded by Pillow alone: what `read_photo` looks at besides (damage) is work of ours.
    """
    with Image.open(path) as image:
        np.fft.rfft2(np.asarray(image)[..., 1])


def ratio_line(name: str, work: float, reference: float, target: float) -> str:
    """One printed line."""
    return (
        f"  {name:<44} {work:6.2f} s = {work / reference:5.2f} x decoding + one FFT"
        f" ({reference:.2f} s)   target {target:g}"
    )


def peak_memory_mb() -> float:
    """Largest resident size of this process so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
