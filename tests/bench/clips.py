"""Clips of a bench for tests: small, simulated, encoded by the real library."""

from __future__ import annotations

from pathlib import Path

from glassay.simulate import Camera, ClipPlan, Optics, Pose, RuledScale, Texture, film

CHIP = Texture("cloud", detail_um=3, contrast=0.25)
SLIDE = RuledScale(division_um=10, divisions=60, line_width_um=2)
CAMERA = Camera(width=240, height=180, exposure=1.0, jpeg_quality=None)


def write_clip(
    path: Path, *, scene: object = CHIP, camera: Camera = CAMERA, **plan: object
) -> Path:
    """A clip at `path`; its suffix decides the container."""
    path.parent.mkdir(parents=True, exist_ok=True)
    wanted = ClipPlan(**plan)  # type: ignore[arg-type]
    clip = film(scene, Pose(1.25), Optics(na=0.1), camera, wanted, seed=6)  # type: ignore[arg-type]
    codec = "mjpeg" if path.suffix in (".avi", ".mov") else "h264"
    quality = 5 if codec == "mjpeg" else 18
    return clip.write(path, codec, quality, blends=False, key_interval=10, fragmented=True)  # type: ignore[arg-type]
