"""A file for Chromium's fake camera, filmed by the virtual bench: a ruled scale of known size."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from glassay.simulate import Camera, Optics, Pose, RuledScale, expected, photograph

PIXEL_SIZE_UM = 1.6
WIDTH, HEIGHT = 1280, 720


def film_scale(path: Path, *, frames: int = 6, size: tuple[int, int] = (WIDTH, HEIGHT)) -> Path:
    """Write YUV4MPEG2 in 4:2:0, frames alike except for noise; the scale spans the same field."""
    scene = RuledScale(division_um=10, divisions=100)
    pose = Pose(pixel_size_um=PIXEL_SIZE_UM * WIDTH / size[0], tilt_deg=2)
    optics, camera = Optics(na=0.1), Camera(*size, colour="grey", read_noise_e=8, jpeg_quality=None)
    light = expected(scene, pose, optics, camera)
    no_colour = np.full(size[0] * size[1] // 2, 128, np.uint8).tobytes()
    with path.open("wb") as stream:
        stream.write(f"YUV4MPEG2 W{size[0]} H{size[1]} F30:1 Ip A1:1 C420jpeg\n".encode())
        for seed in range(frames):
            shot = photograph(light, scene, pose, optics, camera, seed)
            luma = np.rint(16 + shot.stored.astype(np.float64) * (219 / 255))  # ITU-R BT.601 levels
            stream.write(b"FRAME\n" + luma.astype(np.uint8).tobytes() + no_colour)
    return path
