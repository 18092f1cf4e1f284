"""One capture with everything that is true of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import tifffile

from glassay.simulate import geometry
from glassay.simulate.camera import Camera, Stored, develop
from glassay.simulate.geometry import Image, Points, Pose
from glassay.simulate.optics import Optics
from glassay.simulate.paint import Scene
from glassay.simulate.render import expected, local_defocus_um

LUMINANCE = (0.2126, 0.7152, 0.0722)


@dataclass(frozen=True)
class Truth:
    """What is true of a capture. Px are of the stored picture unless a name says native.

    `marks_px` holds the scene's points of interest by kind, (n, 2) as (column, row), those outside
    the picture too; `facts` the scene's own numbers. `mapping` takes object um to stored px and
    back, `response` see `mtf`. `distortion_k1` is for radii in half diagonals (see `Optics`).
    """

    pixel_size_um: float
    pixel_size_x_um: float
    pixel_size_y_um: float
    native_pixel_size_um: float
    tilt_deg: float
    centre_um: tuple[float, float]
    width: int
    height: int
    native_width: int
    native_height: int
    enlargement: float
    field_width_um: float
    field_height_um: float
    field_diameter_um: float | None
    distortion_k1: float
    lateral_colour: tuple[float, float, float]
    mapping: geometry.Mapping
    marks_px: Mapping[str, Points]
    facts: Mapping[str, float | str]
    _response: Callable[
        [npt.NDArray[np.float64], float, tuple[float, float] | None, int | None],
        npt.NDArray[np.float64],
    ] = field(repr=False)

    @property
    def division_px(self) -> float:
        """Division of the scene's scale in px at the centre. KeyError if it has none."""
        return float(self.facts["division_um"]) / self.pixel_size_um

    @property
    def lines_px(self) -> Points:
        """Lines of a ruled scale within the picture, (n, 2). KeyError if there are none."""
        return self.visible("lines")

    def visible(self, kind: str) -> Points:
        """The marks of one kind that lie within the picture."""
        p = self.marks_px[kind]
        inside = (p >= -0.5).all(axis=1) & (p <= (self.width - 0.5, self.height - 0.5)).all(axis=1)
        return p[inside]

    def mtf(
        self,
        frequency: npt.ArrayLike,
        direction_deg: float = 0.0,
        at_px: tuple[float, float] | None = None,
        colour: int | None = None,
    ) -> npt.NDArray[np.float64]:
        """Linear response at `frequency` in cycles per stored px along `direction_deg` (0: along
        columns, as across a vertical edge), at a place (default: the axis), for one colour or for
        luminance. Holds optics, pixel aperture, motion, enlargement and sharpening; not
        demosaicing, denoising and compression, nor the tone curve that sharpening may work in."""
        f = np.asarray(frequency, dtype=np.float64)
        return self._response(f, direction_deg, at_px, colour)


@dataclass(frozen=True)
class Capture:
    """A simulated photo: stored pixels, the file if it is a JPEG, the noiseless light, the truth.

    `linear` is the mean picture on the sensor (see `expected`), native px, float32.
    """

    stored: Stored
    jpeg: bytes | None
    linear: Image
    truth: Truth

    def write(self, path: str | Path) -> Path:
        """Write the photo: the JPEG as it is, or a lossless PNG or TIFF by the path's suffix."""
        path = Path(path)
        if path.suffix.lower() in (".jpg", ".jpeg"):
            if self.jpeg is None:
                raise ValueError("this camera stored no JPEG")
            path.write_bytes(self.jpeg)
        elif path.suffix.lower() in (".tif", ".tiff"):
            tifffile.imwrite(path, self.stored)
        else:
            order = self.stored[..., ::-1] if self.stored.ndim == 3 else self.stored
            if not cv2.imwrite(str(path), order):
                raise ValueError(f"{path} could not be written")
        return path


def capture(
    scene: Scene, pose: Pose, optics: Optics, camera: Camera, seed: int | None = 0
) -> Capture:
    """Photograph the scene. `seed` drives temporal noise only; None: no noise at all."""
    return photograph(expected(scene, pose, optics, camera), scene, pose, optics, camera, seed)


def photograph(
    linear: Image, scene: Scene, pose: Pose, optics: Optics, camera: Camera, seed: int | None
) -> Capture:
    """A capture of light already computed by `expected` for the same arguments: cheap repeats."""
    stored, jpeg = develop(linear, camera, seed)
    return Capture(stored, jpeg, linear, truth_of(scene, pose, optics, camera))


def repeat_pair(
    scene: Scene, pose: Pose, optics: Optics, camera: Camera, seed: int = 0
) -> tuple[Capture, Capture]:
    """Two exposures of a still scene: everything the same except temporal noise."""
    linear = expected(scene, pose, optics, camera)
    first = photograph(linear, scene, pose, optics, camera, 2 * seed)
    return first, photograph(linear, scene, pose, optics, camera, 2 * seed + 1)


def truth_of(scene: Scene, pose: Pose, optics: Optics, camera: Camera) -> Truth:
    """The truth of a capture, without making it."""
    zoom_x, zoom_y = camera.enlargements
    width, height = camera.output_size
    shape = (camera.height, camera.width)
    mapping = geometry.Mapping(
        pose, shape, optics.distortion_k1, 1 + optics.lateral_colour[1], (zoom_x, zoom_y)
    )
    size_x, size_y = pose.pixel_size_um / zoom_x, pose.pixel_size_um / zoom_y
    return Truth(
        pixel_size_um=size_x,
        pixel_size_x_um=size_x,
        pixel_size_y_um=size_y,
        native_pixel_size_um=pose.pixel_size_um,
        tilt_deg=pose.tilt_deg,
        centre_um=pose.centre_um,
        width=width,
        height=height,
        native_width=camera.width,
        native_height=camera.height,
        enlargement=zoom_x,
        field_width_um=size_x * width,
        field_height_um=size_y * height,
        field_diameter_um=optics.field_stop_um or None,
        distortion_k1=optics.distortion_k1,
        lateral_colour=optics.lateral_colour,
        mapping=mapping,
        marks_px={kind: mapping.to_px(points) for kind, points in scene.marks_um().items()},
        facts=scene.facts(),
        _response=_response_function(pose, optics, camera),
    )


def _response_function(pose: Pose, optics: Optics, camera: Camera) -> Callable[
    [npt.NDArray[np.float64], float, tuple[float, float] | None, int | None],
    npt.NDArray[np.float64],
]:  # fmt: skip
    def response(
        f: npt.NDArray[np.float64],
        direction_deg: float,
        at_px: tuple[float, float] | None,
        colour: int | None,
    ) -> npt.NDArray[np.float64]:
        fx, fy = (
            f * math.cos(math.radians(direction_deg)),
            f * math.sin(math.radians(direction_deg)),
        )
        zoom_x, zoom_y = camera.enlargements
        nx, ny = fx * zoom_x, fy * zoom_y
        defocus = optics.defocus_um
        if at_px is not None:
            place = [(p + 0.5) / z - 0.5 for p, z in zip(at_px, (zoom_x, zoom_y), strict=True)]
            shape = (camera.height, camera.width)
            column, row = np.asarray(place[0]), np.asarray(place[1])
            defocus = float(local_defocus_um(optics, shape, column, row))
        if colour is None and camera.colour == "grey":
            colour = 1
        weights = LUMINANCE if colour is None else [float(c == colour) for c in range(3)]
        cycles_um = np.hypot(nx, ny) / pose.pixel_size_um
        total = np.zeros_like(f)
        for c, weight in enumerate(weights):
            if weight:
                total = total + weight * optics.transfer(cycles_um, c, defocus)
        side = camera.aperture_px
        total = total * np.sinc(nx * side) * np.sinc(ny * side)
        total = total * np.sinc(nx * optics.motion_px[0] + ny * optics.motion_px[1])
        if (zoom_x, zoom_y) != (1.0, 1.0):
            total = total * resampling_response(nx, camera.resampling)
            total = total * resampling_response(ny, camera.resampling)
        gx, gy = (nx, ny) if camera.sharpen_first else (fx, fy)
        soft = np.exp(-2 * (math.pi * camera.sharpening_px) ** 2 * (gx**2 + gy**2))
        return np.asarray(total * (1 + camera.sharpening * (1 - soft)))

    return response


def resampling_response(frequency: npt.NDArray[np.float64], kind: str) -> npt.NDArray[np.float64]:
    """Fourier transform of an interpolation kernel at `frequency` in cycles per native px.

    The kernels are those of the library that enlarges: box, triangle, Keys' cubic with a = -0.75,
    and the sinc windowed by a sinc over four samples, numerically transformed.
    """
    if kind == "nearest":
        return np.asarray(np.sinc(frequency))
    if kind == "bilinear":
        return np.asarray(np.sinc(frequency) ** 2)
    x = np.linspace(0, 4, 4001)
    if kind == "bicubic":
        a = -0.75
        near = ((a + 2) * x - (a + 3)) * x * x + 1
        far = ((a * x - 5 * a) * x + 8 * a) * x - 4 * a
        kernel = np.where(x < 1, near, np.where(x < 2, far, 0.0))
    else:
        kernel = np.sinc(x) * np.sinc(x / 4)
    waves = np.cos(2 * math.pi * np.atleast_1d(frequency).reshape(-1, 1) * x)
    response = 2 * np.trapezoid(kernel * waves, x, axis=1)
    return np.asarray((response / (2 * np.trapezoid(kernel, x))).reshape(np.shape(frequency)))
