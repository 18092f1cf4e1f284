"""A stage moved by hand under a microscope's camera: live frames of any scene, with their truth.

The scene's light is computed once, on a sheet in the camera's px; frames are cut from it while they
move, with the blur of the movement, the sensor's noise and the camera's JPEG.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.simulate.camera import Camera, Stored, develop
from glassay.simulate.geometry import Pose
from glassay.simulate.optics import Optics
from glassay.simulate.paint import Scene
from glassay.simulate.render import expected

SECTION_PX = 1200
"""The sheet is computed in sections of this size."""
FULL = 32_768
"""Count of the sheet for light that fills the sensor; it holds up to twice that."""
BLUR_STEP_PX = 1.5
MOST_BLUR_STEPS = 12
FAR = 2.0
"""Squared distance from the middle, in half diagonals, beyond which nothing is in the frame."""
Points = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rest:
    """Where the camera looks: middle of the frame in px of the sheet, and its turn in degrees."""

    x: float
    y: float
    turn_deg: float = 0.0


@dataclass(frozen=True)
class Exposed:
    """What changes from frame to frame: light against the usual, and standard deviation of a blur
    from focus, px."""

    level: float = 1.0
    blur_px: float = 0.0


class MovedStage:
    """`scene` within `box_um` (left, top, right, bottom), `pixel_um` to a px, seen by `camera` (grey
    only). `k1` distorts as in `Optics`; `vignetting` darkens the corners by so much."""

    def __init__(
        self, scene: Scene, box_um: tuple[float, float, float, float], pixel_um: float,
        camera: Camera, optics: Optics, *, k1: float = 0.0, vignetting: float = 0.1,
    ) -> None:  # fmt: skip
        self.camera, self._k1 = camera, k1
        left, top, right, bottom = box_um
        self.width, self.height = (
            math.ceil((right - left) / pixel_um), math.ceil((bottom - top) / pixel_um)
        )  # fmt: skip
        self._sheet = np.zeros((self.height, self.width), np.uint16)
        for y in range(0, self.height, SECTION_PX):
            for x in range(0, self.width, SECTION_PX):
                w, h = min(SECTION_PX, self.width - x), min(SECTION_PX, self.height - y)
                middle = (left + pixel_um * (x + w / 2), top + pixel_um * (y + h / 2))
                part = replace(camera, width=w, height=h, colour="grey")
                light = expected(scene, Pose(pixel_um, 0.0, middle), optics, part)
                counts = np.clip(light * FULL, 0, 65_535)
                self._sheet[y : y + h, x : x + w] = np.rint(counts)
        self._mid = np.array([(camera.width - 1) / 2, (camera.height - 1) / 2])
        grid = np.stack(
            np.meshgrid(np.arange(camera.width), np.arange(camera.height)), axis=-1
        ).astype(np.float64)
        r2 = ((grid - self._mid) ** 2).sum(axis=-1) / (self._mid @ self._mid)
        self._fall = (1 - vignetting * r2).astype(np.float32)
        self._straight = self._undistorted(grid.reshape(-1, 2)).reshape(grid.shape) if k1 else None

    def _undistorted(self, points: Points) -> Points:
        away = points - self._mid
        true: Points = away.copy()
        for _ in range(20):
            r2 = (true**2).sum(axis=-1, keepdims=True) / (self._mid @ self._mid)
            true = away / (1 + self._k1 * r2)
        return true

    def seen(self, points: Points, rest: Rest) -> Points:
        """Where points (n, 2) of the sheet appear in a frame, px; infinite far outside of it, where
        distortion would lead them back."""
        a = math.radians(rest.turn_deg)
        c, s = math.cos(a), math.sin(a)
        away = (points - (rest.x, rest.y)) @ np.array([[c, -s], [s, c]])
        r2 = (away**2).sum(axis=-1, keepdims=True) / (self._mid @ self._mid)
        return np.asarray(np.where(r2 < FAR, away * (1 + self._k1 * r2) + self._mid, np.inf))

    def frame(self, path: Sequence[Rest], seed: int, how: Exposed | None = None) -> Stored:
        """A frame exposed while the camera moved along `path` (one rest: it stood still)."""
        how = how or Exposed()
        points = _along(path)
        light = np.mean([self._cut(one) for one in points], axis=0)
        if how.blur_px:
            light = np.asarray(cv2.GaussianBlur(light, (0, 0), how.blur_px), np.float32)
        light = light * self._fall * np.float32(how.level)
        stored, jpeg = develop(light, replace(self.camera, colour="grey"), seed)
        return stored if jpeg is None else np.frombuffer(jpeg, np.uint8)

    def _cut(self, rest: Rest) -> npt.NDArray[np.float32]:
        a = math.radians(rest.turn_deg)
        c, s = math.cos(a), math.sin(a)
        size = (self.camera.width, self.camera.height)
        if self._straight is not None:
            x = c * self._straight[..., 0] - s * self._straight[..., 1] + rest.x
            y = s * self._straight[..., 0] + c * self._straight[..., 1] + rest.y
            cut = cv2.remap(self._sheet, x.astype(np.float32), y.astype(np.float32),
                            cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
        else:
            mx, my = self._mid
            matrix = np.array([[c, -s, rest.x - c * mx + s * my], [s, c, rest.y - s * mx - c * my]])
            cut = cv2.warpAffine(self._sheet, matrix, size, borderMode=cv2.BORDER_REPLICATE,
                                 flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)  # fmt: skip
        return np.asarray(cut, np.float32) / np.float32(FULL)


def _along(path: Sequence[Rest]) -> list[Rest]:
    """Points along a way, as close as blur needs them."""
    out = [path[0]]
    for a, b in itertools.pairwise(path):
        length = math.hypot(b.x - a.x, b.y - a.y)
        steps = max(1, min(MOST_BLUR_STEPS, math.ceil(length / BLUR_STEP_PX)))
        for n in range(1, steps + 1):
            t = n / steps
            out.append(Rest(a.x + t * (b.x - a.x), a.y + t * (b.y - a.y),
                            a.turn_deg + t * (b.turn_deg - a.turn_deg)))  # fmt: skip
    return out
