"""Simulated pairs of photos of one chip with known truth, and real ones, for tests of matching."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from glassay.imaging import Photo
from glassay.simulate import Camera, Capture, Die, Lit, Optics, Pose, Scene, capture

FloatImage = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]

OPENCV_DATA = Path("/usr/share/doc/opencv-doc/examples/data")
"""Photographs that Debian ships with OpenCV's documentation (package opencv-doc)."""


def light_of(shot: Capture) -> FloatImage:
    """Linear luminance of a simulated photo."""
    return Photo(Path("simulated"), shot.stored, "srgb").linear_grey()


def shot(
    scene: Scene, pixel_um: float, turn: float = 0.0, centre: tuple[float, float] = (0.0, 0.0),
    *, size: tuple[int, int] = (480, 360), softness: float = 1.0, exposure: float = 0.8,
    seed: int = 0, distortion: float = 0.0, stop_um: float = 0.0,
) -> Capture:  # fmt: skip
    """A photo by a matched camera: its optics pass about 0.8 cycles a px. With `stop_um` through an
    eyepiece whose field is that wide."""
    optics = Optics(na=min(0.5, 0.22 / pixel_um) / softness, distortion_k1=distortion,
                    field_stop_um=stop_um)  # fmt: skip
    camera = Camera(width=size[0], height=size[1], exposure=exposure)
    return capture(scene, Pose(pixel_um, turn, centre), optics, camera, seed)


def lit(die: Die, how: str) -> Lit:
    """The die in dark field or oblique light."""
    return Lit(die, "dark" if how == "dark" else "oblique")


@dataclass(frozen=True)
class Truth:
    """Scale ratio (second px over first px) and turn (deg, second against first) of a pair."""

    ratio: float
    turn: float


def truth(first: Capture, second: Capture) -> Truth:
    """What a match of two photos should find at their middles."""
    one, two = first.truth, second.truth
    turn = (two.tilt_deg - one.tilt_deg + 180) % 360 - 180
    return Truth(two.pixel_size_um / one.pixel_size_um, turn)


def misplacement_px(first: Capture, second: Capture, mapping: Any) -> float:
    """Rms distance between mapped and true places in the overlap, px of the second photo."""
    height, width = first.stored.shape[:2]
    grid = np.stack(np.meshgrid(np.linspace(0, width - 1, 12), np.linspace(0, height - 1, 12)), -1)
    points = grid.reshape(-1, 2)
    true = second.truth.mapping.to_px(first.truth.mapping.to_um(points))
    size = np.array(second.stored.shape[1::-1])
    inside = ((true > 0) & (true < size - 1)).all(axis=1)
    assert inside.sum() > 5
    apart = np.asarray(mapping(points[inside])) - true[inside]
    return float(np.sqrt((apart**2).sum(axis=1).mean()))


def opencv_file(name: str) -> Path:
    """A file of OpenCV's documentation; the test is skipped where it is not installed."""
    path = OPENCV_DATA / name
    if not path.is_file():
        reason = f"{path} is missing; the package opencv-doc has it"
        if os.environ.get("GLASSAY_NOTHING_SKIPPED"):
            pytest.fail(reason)
        pytest.skip(reason)
    return path
