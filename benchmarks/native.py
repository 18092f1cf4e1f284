"""`native` on a pair of 12-megapixel JPEGs, against decoding one and one real FFT."""

from __future__ import annotations

import tempfile
from pathlib import Path

import cv2
import numpy as np

from benchmarks.reference import HEIGHT, WIDTH, best_time, decode_and_transform, ratio_line
from glassay.detail.correlation import repeat_exposures
from glassay.imaging import read_photo
from glassay.sampling.native import native
from glassay.simulate import Camera, Die, Optics, Pose, repeat_pair

TARGET = 2.5


def pair(folder: Path, enlargement: float) -> list[Path]:
    """Two exposures of a die, drawn smaller and laid out three times in each direction."""
    camera = Camera(
        width=round(WIDTH / 3 / enlargement), height=round(HEIGHT / 3 / enlargement),
        jpeg_quality=None,
    )  # fmt: skip
    shots = repeat_pair(Die(), Pose(1.0, tilt_deg=4), Optics(na=0.2), camera, seed=1)
    paths = []
    for number, shot in enumerate(shots):
        picture = np.tile(shot.stored, (3, 3, 1))[..., ::-1]
        picture = cv2.resize(picture, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
        path = folder / f"{enlargement:g}-{number}.jpg"
        cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
        paths.append(path)
    return paths


def measure(paths: list[Path]) -> None:
    """All that the command does before it prints."""
    photos = [read_photo(path) for path in paths]
    native([photo.stored for photo in photos], facts=photos[0].facts)


def measure_repeat(paths: list[Path]) -> None:
    """The same for `repeat`."""
    repeat_exposures([read_photo(path).linear_grey() for path in paths])


def report() -> str:
    """The printed lines."""
    with tempfile.TemporaryDirectory() as name:
        enlarged, plain = pair(Path(name), 1.7), pair(Path(name), 1.0)
        reference = best_time(lambda: decode_and_transform(plain[0]))
        return "\n".join(
            [
                ratio_line("native, pair of 12 megapixels, enlarged",
                           best_time(lambda: measure(enlarged), 3), reference, TARGET),
                ratio_line("native, pair of 12 megapixels, native",
                           best_time(lambda: measure(plain), 3), reference, TARGET),
                ratio_line("native, one photo of 12 megapixels",
                           best_time(lambda: measure(plain[:1]), 3), reference, TARGET),
                ratio_line("repeat, pair of 12 megapixels",
                           best_time(lambda: measure_repeat(plain), 2), reference, 3.0),
            ]
        )  # fmt: skip


if __name__ == "__main__":
    print(report())
