"""`edge` on a 12-megapixel JPEG, edges found by itself, against decoding it and one real FFT."""

from __future__ import annotations

import tempfile
from pathlib import Path

import cv2
import numpy as np

from benchmarks.reference import HEIGHT, WIDTH, best_time, decode_and_transform, ratio_line
from glassay.detail.edge import measure_edges
from glassay.imaging import read_photo
from glassay.simulate import Camera, Die, Optics, Pose, capture

TARGET = 1.5


def photo(path: Path) -> Path:
    """A die at 4 deg, drawn once at a smaller size and laid out four times in each direction."""
    camera = Camera(width=WIDTH // 4, height=HEIGHT // 4, jpeg_quality=None)
    tile = capture(Die(), Pose(1.0, tilt_deg=4), Optics(na=0.2), camera, seed=1).stored
    cv2.imwrite(str(path), np.tile(tile, (4, 4, 1))[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path


def measure(path: Path) -> None:
    """All that the command does before it prints."""
    one = read_photo(path)
    measure_edges(one.linear_grey(), full=one.at_full_scale())


def report() -> str:
    """The printed lines."""
    with tempfile.TemporaryDirectory() as folder:
        path = photo(Path(folder) / "die.jpg")
        reference = best_time(lambda: decode_and_transform(path))
        return ratio_line("edge, 12-megapixel die", best_time(lambda: measure(path)), reference,
                          TARGET)  # fmt: skip


if __name__ == "__main__":
    print(report())
