"""A file for Chromium's fake camera, filmed by the virtual bench: a ruled scale of known size."""

from __future__ import annotations

from pathlib import Path

from glassay.simulate import Camera, Optics, Pose, RuledScale, expected, photograph

PIXEL_SIZE_UM = 1.6
WIDTH, HEIGHT = 1280, 720


def film_scale(path: Path, *, frames: int = 6, size: tuple[int, int] = (WIDTH, HEIGHT)) -> Path:
    """Write Motion JPEG: JPEG frames one after the other, alike except for noise."""
    scene = RuledScale(division_um=10, divisions=100)
    pose = Pose(pixel_size_um=PIXEL_SIZE_UM * WIDTH / size[0], tilt_deg=2)
    optics, camera = Optics(na=0.1), Camera(*size, colour="grey", read_noise_e=8)
    light = expected(scene, pose, optics, camera)
    with path.open("wb") as stream:
        for seed in range(frames):
            shot = photograph(light, scene, pose, optics, camera, seed)
            assert shot.jpeg is not None
            stream.write(shot.jpeg)
    return path
