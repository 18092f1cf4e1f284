"""The camera: from light on the sensor to the picture that is stored.

Noise follows EMVA 1288's linear model: Poisson electrons, Gaussian readout, a gain spread and an
offset spread that stay with the sensor, and rounding. The picture is then white-balanced,
demosaiced, denoised, brought to the stored tone, enlarged, sharpened and compressed, in the order
of common firmware.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image as PillowImage

from glassay.imaging.tone import linear_to_srgb
from glassay.simulate.geometry import Image

Stored = npt.NDArray[Any]

PEDESTAL_SHARE = 1 / 64
"""Part of the converter's range kept below black, so that readout noise is not cut off."""

_RESAMPLERS = {
    "nearest": cv2.INTER_NEAREST_EXACT,
    "bilinear": cv2.INTER_LINEAR,
    "bicubic": cv2.INTER_CUBIC,
    "lanczos": cv2.INTER_LANCZOS4,
}

_SRGB = linear_to_srgb(np.linspace(0, 1, 2**17)).astype(np.float32)
"""Fine enough that looking a value up costs less than 0.02 of an 8-bit step."""


@dataclass(frozen=True)
class Camera:
    """A sensor and its firmware.

    `width` and `height` are the sensor's own pixels. `colour` "grey" has no filters, "mosaic" a
    red-green-green-blue mosaic, "full" three values at every pixel. `exposure` is the share of full
    scale that a reflectance of 1 reaches under lighting of level 1. `balance_to` is the tint of
    light that white balance makes neutral. `prnu` is the relative spread of gains and
    `dark_spread_e` the spread of offsets (electrons), both fixed by `serial`. `denoise` names a
    filter, `denoise_px` its reach. `enlargement` (or an exact `stored_size`, width and height) is
    done by `resampling`; `sharpening` is the amount of an unsharp mask of `sharpening_px`, applied
    after enlargement unless `sharpen_first`. `processing` says in which values denoising,
    sharpening and enlargement work: "encoded" as firmware does, "linear" for an exact response.
    `jpeg_quality` None stores the pixels as they are.
    """

    width: int = 1000
    height: int = 800
    colour: Literal["grey", "mosaic", "full"] = "mosaic"
    fill_factor: float = 1.0
    exposure: float = 0.8
    full_well_e: float = 10_000.0
    read_noise_e: float = 3.0
    prnu: float = 0.005
    dark_spread_e: float = 1.0
    serial: int = 1
    bits: int = 12
    balance_to: tuple[float, float, float] = (1.0, 1.0, 1.0)
    demosaicing: Literal["bilinear", "edge-aware"] = "bilinear"
    denoise: Literal["none", "gaussian", "median", "bilateral"] = "none"
    denoise_px: float = 1.0
    enlargement: float = 1.0
    stored_size: tuple[int, int] | None = None
    resampling: Literal["nearest", "bilinear", "bicubic", "lanczos"] = "bicubic"
    sharpening: float = 0.0
    sharpening_px: float = 1.2
    sharpen_first: bool = False
    tone: Literal["srgb", "linear"] = "srgb"
    processing: Literal["encoded", "linear"] = "encoded"
    stored_bits: Literal[8, 16] = 8
    jpeg_quality: int | None = 92
    jpeg_subsampling: Literal[0, 1, 2] = 2

    def __post_init__(self) -> None:
        if min(self.width, self.height, *self.output_size) < 1:
            raise ValueError("a picture has at least one pixel")
        if self.jpeg_quality is not None and self.stored_bits != 8:
            raise ValueError("JPEG stores 8 bits")

    @property
    def aperture_px(self) -> float:
        """Side of the square that collects light, in pixels."""
        return math.sqrt(self.fill_factor)

    @property
    def output_size(self) -> tuple[int, int]:
        """Width and height of the stored picture, px."""
        if self.stored_size is not None:
            return self.stored_size
        return round(self.width * self.enlargement), round(self.height * self.enlargement)

    @property
    def enlargements(self) -> tuple[float, float]:
        """Stored px per sensor px along columns and rows."""
        width, height = self.output_size
        return width / self.width, height / self.height


def noise_variance(mean: Image, camera: Camera) -> npt.NDArray[np.float64]:
    """Temporal variance of the sensor's own samples, in full scale squared (EMVA 1288):
    photon noise, readout and rounding, for the mean picture in full-scale units."""
    electrons = np.maximum(np.asarray(mean, dtype=np.float64), 0) * camera.full_well_e
    variance = (electrons + camera.read_noise_e**2) / camera.full_well_e**2
    step = (1 + PEDESTAL_SHARE) / (2**camera.bits - 1)
    return np.asarray(variance + step**2 / 12)


def mosaic(colours: Image) -> Image:
    """One value a pixel behind a red-green / green-blue mosaic, from (height, width, 3)."""
    raw = colours[..., 1].copy()
    raw[0::2, 0::2] = colours[0::2, 0::2, 0]
    raw[1::2, 1::2] = colours[1::2, 1::2, 2]
    return raw


def expose(mean: Image, camera: Camera, rng: np.random.Generator) -> Image:
    """The sensor's digital samples, in units of full scale, noise included (mosaic not applied)."""
    gain, offset = _fixed_pattern(camera.serial, mean.shape)
    electrons = np.clip(mean, 0, 4).astype(np.float32) * np.float32(camera.full_well_e)
    electrons *= 1 + np.float32(camera.prnu) * gain
    counted = rng.poisson(np.maximum(electrons, 0)).astype(np.float32)
    counted += np.float32(camera.read_noise_e) * rng.standard_normal(mean.shape, dtype=np.float32)
    counted += np.float32(camera.dark_spread_e) * offset
    top = 2**camera.bits - 1
    scale = top / (camera.full_well_e * (1 + PEDESTAL_SHARE))
    pedestal = np.float32(camera.full_well_e * PEDESTAL_SHARE)
    digital = np.clip(np.rint((counted + pedestal) * np.float32(scale)), 0, top)
    return np.asarray(digital / np.float32(scale) - pedestal) / np.float32(camera.full_well_e)


@lru_cache(maxsize=1)
def _fixed_pattern(serial: int, shape: tuple[int, ...]) -> tuple[Image, Image]:
    """Gain and offset of every sample of one sensor, standard normal. Kept for the sensor's next."""
    rng = np.random.default_rng([serial, 7])
    gain = rng.standard_normal(shape, dtype=np.float32)
    offset = rng.standard_normal(shape, dtype=np.float32)
    gain.flags.writeable = offset.flags.writeable = False
    return gain, offset


def develop(mean: Image, camera: Camera, seed: int | None) -> tuple[Stored, bytes | None]:
    """The stored picture, and its JPEG file if it has one, of a mean picture (see `expected`).

    `seed` drives the temporal noise only; None leaves out all noise (fixed pattern too) but keeps
    every step of processing. Returns uint8 or uint16, (height, width) or (height, width, 3).
    """
    if seed is None:
        raw = np.clip(np.asarray(mean, dtype=np.float32), 0, 1)
        raw = mosaic(raw) if camera.colour == "mosaic" else raw
    else:
        light = mosaic(mean) if camera.colour == "mosaic" else mean
        raw = expose(light, camera, np.random.default_rng([seed, 11]))
    picture = _balance(raw, camera)
    if camera.colour == "mosaic":
        picture = demosaic(picture, camera.demosaicing)
    return store(process(picture, camera), camera)


def _balance(raw: Image, camera: Camera) -> Image:
    if camera.colour == "grey" or camera.balance_to == (1.0, 1.0, 1.0):
        return raw
    gains = [camera.balance_to[1] / tint for tint in camera.balance_to]
    raw = raw.copy()
    if camera.colour == "mosaic":
        raw[0::2, 0::2] *= gains[0]
        raw[1::2, 1::2] *= gains[2]
    else:
        raw *= np.asarray(gains, dtype=raw.dtype)
    return raw


def demosaic(raw: Image, kind: str) -> Image:
    """(height, width, 3) from a red-green / green-blue mosaic."""
    if kind == "edge-aware":
        scaled = np.clip(raw * 40_000 + 4_000, 0, 65_535).astype(np.uint16)
        code = cv2.COLOR_BayerRGGB2RGB_EA
        return (cv2.demosaicing(scaled, code).astype(np.float32) - 4_000) / 40_000
    red, green, blue = np.zeros((3, *raw.shape), np.float32)
    red[0::2, 0::2], blue[1::2, 1::2] = raw[0::2, 0::2], raw[1::2, 1::2]
    green[0::2, 1::2], green[1::2, 0::2] = raw[0::2, 1::2], raw[1::2, 0::2]
    corners = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], np.float32) / 4
    cross = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]], np.float32) / 4
    planes = [(red, corners), (green, cross), (blue, corners)]
    filled = [cv2.filter2D(p, -1, k, borderType=cv2.BORDER_REFLECT_101) for p, k in planes]
    return np.stack(filled, axis=2)


def process(picture: Image, camera: Camera) -> Image:
    """Firmware's processing of a linear picture; returns encoded values, 0..1 (not rounded)."""
    encoded_first = camera.processing == "encoded"
    if encoded_first:
        picture = _encode(picture, camera)
    picture = np.ascontiguousarray(picture, dtype=np.float32)
    picture = _denoise(picture, camera)
    if camera.sharpen_first:
        picture = _sharpen(picture, camera)
    if camera.output_size != (camera.width, camera.height):
        kernel = _RESAMPLERS[camera.resampling]
        picture = np.asarray(cv2.resize(picture, camera.output_size, interpolation=kernel))
    if not camera.sharpen_first:
        picture = _sharpen(picture, camera)
    return np.clip(picture if encoded_first else _encode(picture, camera), 0, 1)


def _encode(picture: Image, camera: Camera) -> Image:
    if camera.tone == "linear":
        return picture
    place = np.clip(picture, 0, 1) * np.float32(_SRGB.size - 1) + np.float32(0.5)
    return np.asarray(_SRGB[place.astype(np.int32)])


def _denoise(picture: Image, camera: Camera) -> Image:
    if camera.denoise == "gaussian":
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), camera.denoise_px))
    if camera.denoise == "median":
        return np.asarray(cv2.medianBlur(picture, 3 if camera.denoise_px < 1.5 else 5))
    if camera.denoise == "bilateral":
        return np.asarray(cv2.bilateralFilter(picture, -1, 0.06, camera.denoise_px))
    return picture


def _sharpen(picture: Image, camera: Camera) -> Image:
    if not camera.sharpening:
        return picture
    soft = cv2.GaussianBlur(picture, (0, 0), camera.sharpening_px)
    return np.asarray(picture + camera.sharpening * (picture - soft))


def store(picture: Image, camera: Camera) -> tuple[Stored, bytes | None]:
    """Round encoded values, 0..1, to the stored depth, and compress if the camera does."""
    top = 2**camera.stored_bits - 1
    kind = np.uint8 if camera.stored_bits == 8 else np.uint16
    stored = np.rint(np.clip(picture, 0, 1) * top).astype(kind)
    if camera.jpeg_quality is None:
        return stored, None
    file = io.BytesIO()
    PillowImage.fromarray(stored).save(
        file, "JPEG", quality=camera.jpeg_quality, subsampling=camera.jpeg_subsampling
    )
    data = file.getvalue()
    return np.asarray(PillowImage.open(io.BytesIO(data))), data
