"""A file for Chromium's fake camera, filmed by the virtual bench: a ruled scale of known size."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from glassay.simulate import Camera, Optics, Pose, RuledScale, expected, photograph
from glassay.simulate.stage import MovedStage, Rest

PIXEL_SIZE_UM = 1.6
WIDTH, HEIGHT = 1280, 720


def film_scale(path: Path, *, frames: int = 6, size: tuple[int, int] = (WIDTH, HEIGHT)) -> Path:
    """Write YUV4MPEG2 in 4:2:0, frames alike except for noise; the scale spans the same field."""
    scene = RuledScale(division_um=10, divisions=100)
    pose = Pose(pixel_size_um=PIXEL_SIZE_UM * WIDTH / size[0], tilt_deg=2)
    optics, camera = Optics(na=0.1), Camera(*size, colour="grey", read_noise_e=8, jpeg_quality=None)
    light = expected(scene, pose, optics, camera)
    shots = (photograph(light, scene, pose, optics, camera, seed).stored for seed in range(frames))
    return write_film(path, shots, size, 30)


def film_stage(
    path: Path, stage: MovedStage, rests: Iterable[Rest], rest_frames: int = 14,
    colour: tuple[int, int] = (128, 128),
) -> Path:  # fmt: skip
    """A film at 10 frames a second: at rest in one place after the other, on the way between them."""
    shots, before = [], None
    for where in rests:
        if before is not None:
            for n in range(1, 6):
                a, b = (Rest(before.x + t * (where.x - before.x), before.y + t * (where.y - before.y))
                        for t in (n / 6, (n + 0.25) / 6))  # fmt: skip
                shots.append(stage.frame([a, b], len(shots)))
        shots += [stage.frame([where], len(shots) + n) for n in range(rest_frames)]
        before = where
    grey = (np.asarray(cv2.imdecode(one, cv2.IMREAD_GRAYSCALE), np.uint8) for one in shots)
    return write_film(path, grey, (stage.camera.width, stage.camera.height), 10, colour)


def write_film(
    path: Path, shots: Iterable[npt.NDArray[np.uint8]], size: tuple[int, int], rate: int,
    colour: tuple[int, int] = (128, 128),
) -> Path:  # fmt: skip
    """Grey pictures as YUV4MPEG2 in 4:2:0, tinted by U and V."""
    colours = np.repeat(np.array(colour, np.uint8), size[0] * size[1] // 4).tobytes()
    with path.open("wb") as stream:
        stream.write(f"YUV4MPEG2 W{size[0]} H{size[1]} F{rate}:1 Ip A1:1 C420jpeg\n".encode())
        for one in shots:
            luma = np.rint(16 + one.astype(np.float64) * (219 / 255))  # ITU-R BT.601 levels
            stream.write(b"FRAME\n" + luma.astype(np.uint8).tobytes() + colours)
    return path
