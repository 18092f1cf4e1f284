"""From scene and optics to the light that falls on the sensor, without noise.

The scene is painted on a fine grid with a known Gaussian in it, the response of optics, pixel
aperture and motion is applied in frequency space with that Gaussian divided out, and the result is
taken at the pixel centres. Large pictures are made in tiles with overlap; blur that changes across
the field is a smooth mixture of a few constant blurs.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.simulate.camera import Camera
from glassay.simulate.geometry import Image, Mapping, Pose
from glassay.simulate.optics import Curve, Optics
from glassay.simulate.paint import PREFILTER_SAMPLES, Scene, View, step

_TILE_PX = 1200
"""Longest side of a tile: keeps a 12-megapixel capture below about 0.5 GB."""

_LEVEL_WAVES = 0.3
"""Defocus, in waves, between the constant blurs that are mixed where focus changes."""

_TABLE_STEPS = 2048

Levels = list[float]
Spectrum = npt.NDArray[np.complexfloating]


def expected(
    scene: Scene,
    pose: Pose,
    optics: Optics,
    camera: Camera,
    dtype: npt.DTypeLike = np.float32,
    oversample: int = 2,
) -> Image:
    """Mean linear picture on the sensor, in units of full scale, before noise and clipping.

    Shape (height, width) for a grey camera, (height, width, 3) otherwise: what each pixel would
    collect behind each colour filter, whether or not the mosaic puts that filter there. It is a
    smooth function of pixel size, tilt and centre (use float64 for numerical derivatives).
    """
    colours = (1,) if camera.colour == "grey" else (0, 1, 2)
    picture = np.empty((camera.height, camera.width, len(colours)), dtype=dtype)
    levels = _focus_levels(optics, camera)
    responses: dict[tuple[int, float], Image] = {}
    for tile in _tiles(pose, optics, camera, dtype, oversample):
        _fill_tile(picture, tile, scene, pose, optics, camera, colours, levels, responses)
    for plane, colour in enumerate(colours):
        picture[..., plane] = _light(picture[..., plane], pose, optics, camera, colour)
    picture *= camera.exposure
    return picture[..., 0] if camera.colour == "grey" else picture


def sensor_mapping(pose: Pose, optics: Optics, camera: Camera, colour: int = 1) -> Mapping:
    """Object to sensor px for colour 0, 1 or 2."""
    shape = (camera.height, camera.width)
    return Mapping(pose, shape, optics.distortion_k1, 1 + optics.lateral_colour[colour])


def local_defocus_um(
    optics: Optics, shape: tuple[int, int], column: Image, row: Image
) -> npt.NDArray[np.floating]:
    """Distance from focus, um, at sensor px (before axial colour)."""
    x = (column - (shape[1] - 1) / 2) / (shape[1] / 2)
    y = (row - (shape[0] - 1) / 2) / (shape[0] / 2)
    r2 = ((x * shape[1]) ** 2 + (y * shape[0]) ** 2) / (shape[0] ** 2 + shape[1] ** 2)
    tilt_x, tilt_y = optics.focus_tilt_um
    z = optics.defocus_um + optics.field_curvature_um * r2 + tilt_x * x + tilt_y * y
    return np.asarray(z)


@dataclass(frozen=True)
class _Tile:
    left: int
    top: int
    width: int
    height: int
    margin: int
    grid_shape: tuple[int, int]
    oversample: int
    dtype: npt.DTypeLike

    def view(self, mapping: Mapping) -> View:
        start = (self.left - self.margin, self.top - self.margin)
        s = self.oversample
        column = (start[0] + np.arange(self.grid_shape[1]) / s).astype(self.dtype)[None, :]
        row = (start[1] + np.arange(self.grid_shape[0]) / s).astype(self.dtype)[:, None]
        x, y = mapping.relative_um(column, row)
        sigma = PREFILTER_SAMPLES / s * mapping.pose.pixel_size_um
        return View(x, y, mapping.pose.centre_um, sigma, mapping, s, start)

    def at_pixels(self, spectrum: Spectrum) -> Image:
        """The picture at the pixel centres of a spectrum of the fine grid."""
        whole = fft.irfft2(fold(spectrum, self.grid_shape, self.oversample))
        rows = slice(self.margin, self.margin + self.height)
        return np.asarray(whole[rows, self.margin : self.margin + self.width])


def _tiles(
    pose: Pose, optics: Optics, camera: Camera, dtype: npt.DTypeLike, oversample: int
) -> Iterator[_Tile]:
    margin = _margin_px(pose, optics)
    across = math.ceil(camera.width / _TILE_PX)
    down = math.ceil(camera.height / _TILE_PX)
    width, height = math.ceil(camera.width / across), math.ceil(camera.height / down)
    # twice a fast length: an even number of pixels, each of `oversample` samples
    grid = [
        2 * oversample * fft.next_fast_len(math.ceil(n / 2) + margin, real=True)
        for n in (height, width)
    ]
    for top in range(0, camera.height, height):
        for left in range(0, camera.width, width):
            w, h = min(width, camera.width - left), min(height, camera.height - top)
            yield _Tile(left, top, w, h, margin, (grid[0], grid[1]), oversample, dtype)


def _margin_px(pose: Pose, optics: Optics) -> int:
    z = abs(optics.defocus_um) + abs(optics.field_curvature_um)
    z += sum(map(abs, optics.focus_tilt_um)) + max(map(abs, optics.axial_colour_um))
    blur_um = z * optics.na + 4 * optics.residual_blur_um
    blur_um += 10 * max(optics.wavelengths_um) / (2 * optics.na)
    travel = max(map(abs, optics.motion_px))
    return 12 + min(400, math.ceil(blur_um / pose.pixel_size_um + travel))


def _focus_levels(optics: Optics, camera: Camera) -> Levels:
    if not optics.focus_varies:
        return [optics.defocus_um]
    shape = (camera.height, camera.width)
    column = np.linspace(0, camera.width - 1, 41)[None, :]
    row = np.linspace(0, camera.height - 1, 41)[:, None]
    z = local_defocus_um(optics, shape, column, row)
    waves = float(np.ptp(z)) * optics.na**2 / (2 * min(optics.wavelengths_um))
    count = int(np.clip(math.ceil(waves / _LEVEL_WAVES) + 1, 2, 9))
    return [float(level) for level in np.linspace(z.min(), z.max(), count)]


def _fill_tile(
    picture: Image,
    tile: _Tile,
    scene: Scene,
    pose: Pose,
    optics: Optics,
    camera: Camera,
    colours: tuple[int, ...],
    levels: Levels,
    responses: dict[tuple[int, float], Image],
) -> None:
    shared = len(set(optics.lateral_colour)) == 1
    painted: Image | None = None
    spectra: dict[int, Spectrum] = {}
    rows = slice(tile.top, tile.top + tile.height)
    columns = slice(tile.left, tile.left + tile.width)
    weights = _level_weights(tile, optics, camera, levels)
    for plane, colour in enumerate(colours):
        if painted is None or not shared:
            painted = scene.paint(tile.view(sensor_mapping(pose, optics, camera, colour)))
            spectra = {}
        layer = colour if painted.ndim == 3 else 0
        if layer not in spectra:
            spectra = {layer: fft.rfft2(painted[..., layer] if painted.ndim == 3 else painted)}
        total: Image | float = 0.0
        for level, weight in zip(levels, weights, strict=True):
            if (colour, level) not in responses:
                responses[colour, level] = response_grid(
                    tile.grid_shape,
                    tile.oversample,
                    pose,
                    optics,
                    camera,
                    colour,
                    level,
                    tile.dtype,
                )
            response = responses[colour, level]
            total = total + weight * tile.at_pixels(spectra[layer] * response)
        picture[rows, columns, plane] = total


def _level_weights(
    tile: _Tile, optics: Optics, camera: Camera, levels: Levels
) -> list[Image | float]:
    if len(levels) == 1:
        return [1.0]
    column = tile.left + np.arange(float(tile.width))[None, :]
    row = tile.top + np.arange(float(tile.height))[:, None]
    z = local_defocus_um(optics, (camera.height, camera.width), column, row)
    place = (z - levels[0]) / (levels[1] - levels[0])
    return [np.clip(1 - np.abs(place - k), 0, 1).astype(tile.dtype) for k in range(len(levels))]


def fold(spectrum: Spectrum, grid_shape: tuple[int, int], step: int) -> Spectrum:
    """Spectrum (of a real FFT) of every `step`-th sample of a grid with the given spectrum.

    Taking every `step`-th sample adds up the frequencies that become indistinguishable; doing so
    here costs less than transforming the whole grid back. Both sides are multiples of 2 `step`.
    """
    rows, columns = grid_shape[0] // step, grid_shape[1] // step
    down = spectrum.reshape(step, rows, -1).sum(axis=0)
    half = columns // 2 + 1
    folded = down[:, :half].copy()
    opposite = np.conj(np.roll(down[::-1], 1, axis=0))  # value at (-row, column), conjugated
    for k in range(1, step):
        first = k * columns
        if first + half - 1 <= grid_shape[1] // 2:
            folded += down[:, first : first + half]
        else:
            mirrored = grid_shape[1] - first - np.arange(half)
            folded += opposite[:, mirrored]
    return np.asarray(folded / step**2)


def response_grid(
    grid_shape: tuple[int, int],
    oversample: int,
    pose: Pose,
    optics: Optics,
    camera: Camera,
    colour: int,
    defocus_um: float,
    dtype: npt.DTypeLike,
) -> Image:
    """Response at the frequencies of a real FFT of the fine grid, the painted Gaussian removed."""
    fy = np.abs(fft.fftfreq(grid_shape[0], 1 / oversample))
    fx = fft.rfftfreq(grid_shape[1], 1 / oversample)
    limit = oversample / math.sqrt(2) * 1.0001
    f = np.linspace(0, limit, _TABLE_STEPS)
    radial = optics.transfer(f / pose.pixel_size_um, colour, defocus_um)
    radial = radial * np.exp(2 * (math.pi * PREFILTER_SAMPLES / oversample * f) ** 2)
    upper = slice(0, grid_shape[0] // 2 + 1)
    place = np.hypot(fy[upper, None], fx[None, :]) * ((_TABLE_STEPS - 1) / limit)
    half = _lookup(radial, place.astype(dtype))
    side = camera.aperture_px
    half *= (np.sinc(fy[upper] * side)[:, None] * np.sinc(fx * side)).astype(dtype)
    mirrored = half[1 : (grid_shape[0] + 1) // 2][::-1]
    response = np.concatenate([half, mirrored])
    if optics.motion_px != (0.0, 0.0):
        signed = fft.fftfreq(grid_shape[0], 1 / oversample)
        path = signed[:, None] * optics.motion_px[1] + fx * optics.motion_px[0]
        response *= np.sinc(path).astype(dtype)
    return response


def _lookup(values: Curve, place: Image) -> Image:
    index = np.minimum(place.astype(np.int32), values.size - 2)
    base = values.astype(place.dtype)
    slope = np.diff(values, append=values[-1:]).astype(place.dtype)
    return np.asarray(base[index] + slope[index] * (place - index))


def _light(plane: Image, pose: Pose, optics: Optics, camera: Camera, colour: int) -> Image:
    """Illumination, vignetting, hot spots and field stop over one colour of the picture."""
    light = optics.lighting
    height, width = plane.shape
    x = ((np.arange(width) - (width - 1) / 2) / (width / 2)).astype(plane.dtype)[None, :]
    y = ((np.arange(height) - (height - 1) / 2) / (height / 2)).astype(plane.dtype)[:, None]
    diagonal2 = width**2 + height**2
    tint = light.tint[colour] if camera.colour != "grey" else 1.0
    even = light.gradient == (0.0, 0.0) and not light.falloff and not optics.vignetting
    if even:
        plane = plane * (light.level * tint)
    else:
        r2 = (x * x * width**2 + y * y * height**2) / diagonal2
        shade = (1 + light.gradient[0] * x + light.gradient[1] * y) * (1 - light.falloff * r2)
        shade = np.maximum(shade, 0) / (1 + optics.vignetting * r2) ** 2
        plane = plane * shade * (light.level * tint)
    half = math.sqrt(diagonal2) / 2
    for spot in range(light.hot_spots):
        angle = math.radians(light.hot_spot_phase_deg + 360 * spot / light.hot_spots)
        dx = x * (width / 2 / half) - light.hot_spot_ring * math.cos(angle)
        dy = y * (height / 2 / half) - light.hot_spot_ring * math.sin(angle)
        away2 = (dx * dx + dy * dy) / light.hot_spot_size**2
        plane = plane + light.hot_spot_level * tint * np.exp(-0.5 * away2)
    plane = plane + light.stray * tint
    if optics.field_stop_um:
        plane = _behind_stop(plane, x * (width / 2), y * (height / 2), pose, optics, tint)
    return np.asarray(plane)


def _behind_stop(
    plane: Image, x_px: Image, y_px: Image, pose: Pose, optics: Optics, tint: float
) -> Image:
    ox, oy = (v / pose.pixel_size_um for v in optics.field_stop_offset_um)
    radius = optics.field_stop_um / 2 / pose.pixel_size_um
    inside = radius - np.hypot(x_px - ox, y_px - oy)
    opened = step(inside, max(optics.field_stop_softness_px, 0.3))
    return np.asarray(plane * opened + (1 - opened) * (optics.surround * tint))
