"""Pairs of exposures whose firmware enlarged them, by resamplers that are not ours.

Noise is made where it arises, on the sensor: photons, readout, then the mosaic's colours filled in,
the tone, rounding; only then enlargement (Pillow, OpenCV or scikit-image), sharpening and JPEG.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image
from skimage.transform import resize

from glassay.imaging import srgb_to_linear
from glassay.simulate import Camera, develop

Stored = npt.NDArray[Any]
Kernel = Literal["nearest", "bilinear", "bicubic", "lanczos"]

KERNELS: tuple[Kernel, ...] = ("nearest", "bilinear", "bicubic", "lanczos")
LIBRARIES = ("pillow", "opencv", "scikit-image")
_PILLOW = {
    "nearest": Image.Resampling.NEAREST, "bilinear": Image.Resampling.BILINEAR,
    "bicubic": Image.Resampling.BICUBIC, "lanczos": Image.Resampling.LANCZOS,
}  # fmt: skip
_OPENCV = {
    "nearest": cv2.INTER_NEAREST, "bilinear": cv2.INTER_LINEAR, "bicubic": cv2.INTER_CUBIC,
    "lanczos": cv2.INTER_LANCZOS4,
}  # fmt: skip
_SPLINE_ORDER = {"nearest": 0, "bilinear": 1, "bicubic": 3, "lanczos": 3}


@dataclass(frozen=True)
class Firmware:
    """What becomes of the sensor's picture. `quality` None stores losslessly."""

    stored_size: tuple[int, int]
    kernel: Kernel = "bicubic"
    library: str = "pillow"
    sharpening: float = 0.0
    quality: int | None = None


def blocks_and_lines(width: int, height: int, seed: int, blur_px: float = 1.0) -> Stored:
    """Something like bare silicon: blocks and tracks of many sizes, slightly turned; linear light.

    Shape (height, width), 0..1, soft as behind a lens of `blur_px` (sigma).
    """
    rng = np.random.default_rng([seed, 21])
    picture = np.full((height, width), float(rng.uniform(60, 110)), np.float32)
    for _ in range(width * height // 900 + 40):
        size = int(rng.choice([3, 6, 12, 30, 80], p=[0.35, 0.3, 0.2, 0.1, 0.05]))
        x, y = int(rng.integers(0, width)), int(rng.integers(0, height))
        a, b = int(rng.integers(1, size)), int(rng.integers(1, 4 * size))
        if rng.random() < 0.5:
            a, b = b, a
        picture[y : y + a, x : x + b] = rng.uniform(25, 215)
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), float(rng.uniform(-4, 4)), 1)
    picture = cv2.warpAffine(picture, turn, (width, height), borderMode=cv2.BORDER_REFLECT)
    picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    return np.asarray(srgb_to_linear(np.clip(picture, 0, 255) / 255), dtype=np.float32)


def exposures(light: Stored, camera: Camera, firmware: Firmware, seed: int) -> list[Stored]:
    """Two exposures of `light`, shape (height, width) as the camera, through sensor and firmware."""
    if camera.colour != "grey":
        light = np.repeat(light[..., None], 3, axis=2)
    return [finish(develop(light, camera, 2 * seed + shot)[0], firmware) for shot in (0, 1)]


def finish(picture: Stored, firmware: Firmware) -> Stored:
    """Enlarge, sharpen and store a native 8-bit picture."""
    out = picture.astype(np.float32)
    if firmware.stored_size != (picture.shape[1], picture.shape[0]):
        out = enlarge(out, firmware)
    if firmware.sharpening:
        out = out + firmware.sharpening * (out - cv2.GaussianBlur(out, (0, 0), 1.0))
    return compress(np.clip(np.rint(out), 0, 255).astype(np.uint8), firmware.quality)


def enlarge(picture: Stored, firmware: Firmware) -> Stored:
    """Float picture, grey or colour, to `stored_size` with one library's kernel."""
    if picture.ndim == 3:
        planes = [enlarge(np.ascontiguousarray(picture[..., c]), firmware) for c in range(3)]
        return np.stack(planes, axis=2)
    width, height = firmware.stored_size
    if firmware.library == "pillow":
        small = Image.fromarray(picture)
        return np.asarray(small.resize((width, height), _PILLOW[firmware.kernel]))
    if firmware.library == "opencv":
        kernel = _OPENCV[firmware.kernel]
        return np.asarray(cv2.resize(picture, (width, height), interpolation=kernel))
    order = _SPLINE_ORDER[firmware.kernel]
    big = resize(picture, (height, width), order=order, preserve_range=True, mode="edge",
                 anti_aliasing=False)  # fmt: skip
    return np.asarray(big, dtype=np.float32)


def compress(picture: Stored, quality: int | None) -> Stored:
    """Through a JPEG file and back, or as it is."""
    if quality is None:
        return picture
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "JPEG", quality=quality)
    return np.asarray(Image.open(file))


def facts_of(quality: int | None) -> dict[str, Any]:
    """What a file so compressed says of itself: its format and its tables."""
    if quality is None:
        return {"format": "PNG"}
    file = io.BytesIO()
    Image.new("L", (8, 8)).save(file, "JPEG", quality=quality)
    return {"format": "JPEG", "quantization": Image.open(file).quantization}


def any_camera(rng: np.random.Generator, width: int, height: int, **more: Any) -> Camera:
    """Grey or mosaic sensor with a full well of 2000 to 12000 electrons, the file still native."""
    colour: Any = rng.choice(["grey", "mosaic"])
    demosaicing: Any = rng.choice(["bilinear", "edge-aware"])
    well = math.exp(rng.uniform(math.log(2000), math.log(12000)))
    return Camera(
        width=width, height=height, colour=colour, demosaicing=demosaicing, full_well_e=well,
        read_noise_e=4.0, jpeg_quality=None, **more,
    )  # fmt: skip
