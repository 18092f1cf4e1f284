"""From scene and optics to the light that falls on the sensor, without noise.

The scene is painted on a fine grid with a known Gaussian in it, the response of optics, pixel
aperture and motion is applied in frequency space with that Gaussian divided out, and the result is
taken at the pixel centres. Large pictures are made in tiles with overlap; blur that changes across
the field is a smooth mixture of a few constant blurs.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.simulate.camera import Camera
from glassay.simulate.geometry import Image, Mapping, Pose
from glassay.simulate.optics import Optics
from glassay.simulate.paint import PREFILTER_SAMPLES, Scene, View, step
from glassay.simulate.response import Spectrum, fold, response_grid, shifted

_TILE_PX = 1200
"""Longest side of a tile: a 12-megapixel colour capture then peaks at 1.1 GB."""

_LEVEL_WAVES = 0.3
"""Defocus, in waves, between the constant blurs that are mixed where focus changes."""

_LOST_RESPONSE = 0.15
"""Response of the optics that may be lost beyond the grid: the pixel's own response, below 0.22
there, and the falling spectrum of edges leave less than 1 % of an edge."""

Levels = list[float]


@dataclass(frozen=True)
class Moment:
    """What changes from frame to frame: the picture's displacement (columns, rows) in sensor px,
    extra distance from focus, and the light's level."""

    shift_px: tuple[float, float] = (0.0, 0.0)
    defocus_um: float = 0.0
    level: float = 1.0


def expected(
    scene: Scene,
    pose: Pose,
    optics: Optics,
    camera: Camera,
    dtype: npt.DTypeLike = np.float32,
    oversample: int | None = None,
) -> Image:
    """Mean linear picture on the sensor, in units of full scale, before noise and clipping.

    Shape (height, width) for a grey camera, (height, width, 3) otherwise: what each pixel would
    collect behind each colour filter, whether or not the mosaic puts that filter there. It is a
    smooth function of pixel size, tilt and centre (use float64 and one fixed `oversample` for
    numerical derivatives; left out, it is chosen by `suitable_oversample`).
    """
    picture = _blank(camera, dtype)
    oversample = oversample or suitable_oversample(pose, optics)
    responses = _Responses(pose, optics, camera)
    margin = _margin_px(pose, optics, 0.0)
    for tile in _tiles(margin, camera, dtype, oversample):
        for layer in _layers(tile, scene, pose, optics, camera):
            layer.expose(picture, optics, camera, responses, (0.0, 0.0))
    return _finish(picture, pose, optics, camera)


def expected_moments(
    scene: Scene,
    pose: Pose,
    optics: Optics,
    camera: Camera,
    moments: Sequence[Moment],
    dtype: npt.DTypeLike = np.float32,
) -> Iterator[Image]:
    """`expected` for each moment; the scene is painted once. Displacement moves the picture of the
    object under fixed light and field, which leaves out how distortion changes within it."""
    far = max((max(map(abs, m.shift_px)) for m in moments), default=0.0)
    deep = max((abs(m.defocus_um) for m in moments), default=0.0)
    margin = _margin_px(pose, optics, deep) + math.ceil(far)
    oversample = suitable_oversample(pose, optics)
    layers = [
        layer
        for tile in _tiles(margin, camera, dtype, oversample)
        for layer in _layers(tile, scene, pose, optics, camera)
    ]
    responses = _Responses(pose, optics, camera)
    for moment in moments:
        light = replace(optics.lighting, level=optics.lighting.level * moment.level)
        z = optics.defocus_um + moment.defocus_um
        now = replace(optics, defocus_um=z, lighting=light)
        if now.defocus_um != responses.optics.defocus_um:
            responses = _Responses(pose, now, camera)
        picture = _blank(camera, dtype)
        for layer in layers:
            layer.expose(picture, now, camera, responses, moment.shift_px)
        yield _finish(picture, pose, now, camera)


def suitable_oversample(pose: Pose, optics: Optics) -> int:
    """Samples a pixel along each axis that the painted grid needs, 2 to 4.

    A grid of s samples a pixel carries s / 2 cycles a pixel; what the optics still passes beyond
    that would alias into the picture in truth, and is lost instead.
    """
    for samples in (2, 3):
        beyond = np.linspace(samples / 2, samples / 2 + 2, 9) / pose.pixel_size_um
        if np.abs(optics.transfer(beyond, 1, 0.0)).max() < _LOST_RESPONSE:
            return samples
    return 4


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


def _tiles(margin: int, camera: Camera, dtype: npt.DTypeLike, oversample: int) -> Iterator[_Tile]:
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


def _margin_px(pose: Pose, optics: Optics, extra_defocus_um: float) -> int:
    z = abs(optics.defocus_um) + extra_defocus_um + abs(optics.field_curvature_um)
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


class _Responses:
    """Response grids, kept while pose, optics and camera stay the same."""

    def __init__(self, pose: Pose, optics: Optics, camera: Camera) -> None:
        self.pose, self.optics, self.camera = pose, optics, camera
        self.levels = _focus_levels(optics, camera)
        self._kept: dict[tuple[int, float], Image] = {}

    def at(self, tile: _Tile, colour: int, level: float) -> Image:
        if (colour, level) not in self._kept:
            self._kept[colour, level] = response_grid(
                tile.grid_shape, tile.oversample, self.pose, self.optics, self.camera, colour,
                level, tile.dtype,
            )  # fmt: skip
        return self._kept[colour, level]


@dataclass(frozen=True, eq=False)
class _Layer:
    """One colour of one tile, painted and transformed."""

    tile: _Tile
    plane: int
    colour: int
    spectrum: Spectrum

    def expose(
        self,
        picture: Image,
        optics: Optics,
        camera: Camera,
        responses: _Responses,
        shift_px: tuple[float, float],
    ) -> None:
        tile = self.tile
        rows = slice(tile.top, tile.top + tile.height)
        columns = slice(tile.left, tile.left + tile.width)
        spectrum = shifted(self.spectrum, tile.grid_shape, tile.oversample, shift_px)
        total: Image | float = 0.0
        levels = responses.levels
        for level, weight in zip(levels, _level_weights(tile, optics, camera, levels), strict=True):
            response = responses.at(tile, self.colour, level)
            total = total + weight * tile.at_pixels(spectrum * response)
        picture[rows, columns, self.plane] = total


def _layers(
    tile: _Tile, scene: Scene, pose: Pose, optics: Optics, camera: Camera
) -> Iterator[_Layer]:
    colours = _colours(camera)
    shared = len({optics.lateral_colour[colour] for colour in colours}) == 1
    painted: Image | None = None
    spectrum: Spectrum | None = None
    for plane, colour in enumerate(colours):
        if painted is None or not shared:
            painted = scene.paint(tile.view(sensor_mapping(pose, optics, camera, colour)))
            spectrum = None
        if painted.ndim == 3:
            spectrum = fft.rfft2(painted[..., colour])
        elif spectrum is None:
            spectrum = fft.rfft2(painted)
        yield _Layer(tile, plane, colour, spectrum)


def _colours(camera: Camera) -> tuple[int, ...]:
    return (1,) if camera.colour == "grey" else (0, 1, 2)


def _blank(camera: Camera, dtype: npt.DTypeLike) -> Image:
    return np.empty((camera.height, camera.width, len(_colours(camera))), dtype=dtype)


def _finish(picture: Image, pose: Pose, optics: Optics, camera: Camera) -> Image:
    for plane, colour in enumerate(_colours(camera)):
        picture[..., plane] = _light(picture[..., plane], pose, optics, camera, colour)
    picture *= camera.exposure
    return picture[..., 0] if camera.colour == "grey" else picture


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
