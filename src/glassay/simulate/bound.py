"""How well anything could be measured: the Cramer-Rao bound of a simulated capture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from glassay.simulate.camera import Camera, mosaic, noise_variance
from glassay.simulate.geometry import Pose
from glassay.simulate.optics import Optics
from glassay.simulate.paint import Scene
from glassay.simulate.render import expected, suitable_oversample

_STEP_PX = 0.01
"""How far the farthest pixel moves for a numerical derivative: small against any blur, large
against rounding; the bound of a scale changes by 3e-4 between 0.002 and 0.05."""

NUISANCES = ("centre_x_um", "centre_y_um", "tilt_deg")


def cramer_rao(
    scene: Scene,
    pose: Pose,
    optics: Optics,
    camera: Camera,
    parameters: Sequence[str] = ("pixel_size_um", *NUISANCES),
    *,
    stored_rounding: bool = True,
) -> dict[str, float]:
    """Smallest standard deviation with which an unbiased estimator finds each parameter.

    `parameters` are estimated together from the sensor's own samples (mosaic applied): of
    "pixel_size_um", "centre_x_um", "centre_y_um", "tilt_deg", "level" (exposure, relative) and
    "residual_blur_um" (whose optics must have some). Noise is Gaussian of variance
    `noise_variance`; pixels at full scale carry no information; with `stored_rounding` the rounding
    of the stored values (8-bit sRGB, for one) counts as noise too, and so does the fixed pattern,
    since one capture cannot tell. Compression and processing are not included: they can only make
    the bound larger. Raises ValueError when the capture says nothing about a parameter.
    """
    grid = suitable_oversample(pose, optics)
    mean = _samples(scene, pose, optics, camera, grid)
    variance = noise_variance(mean, camera)
    variance += (camera.prnu * mean) ** 2 + (camera.dark_spread_e / camera.full_well_e) ** 2
    if stored_rounding:
        variance += _rounding_variance(mean, camera)
    # deep in a field stop or in clipped light, nothing changes with the parameters
    weight = np.where(mean < 1, 1 / variance, 0.0)
    slopes = [_slope(name, scene, pose, optics, camera, grid) for name in parameters]
    information = np.array([[float((weight * a * b).sum()) for b in slopes] for a in slopes])
    if np.linalg.cond(_normalised(information)) > 1e12:
        raise ValueError("this capture holds no information on one of the parameters")
    scale = 1 / np.sqrt(np.diag(information))
    covariance = np.linalg.inv(_normalised(information)) * np.outer(scale, scale)
    return {n: float(np.sqrt(v)) for n, v in zip(parameters, np.diag(covariance), strict=True)}


def _normalised(information: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    diagonal = np.diag(information)
    if (diagonal <= 0).any():
        raise ValueError("this capture holds no information on one of the parameters")
    return np.asarray(information / np.sqrt(np.outer(diagonal, diagonal)))


def _samples(
    scene: Scene, pose: Pose, optics: Optics, camera: Camera, oversample: int
) -> npt.NDArray[np.float64]:
    picture = expected(scene, pose, optics, camera, np.float64, oversample)
    return np.asarray(mosaic(picture) if camera.colour == "mosaic" else picture, dtype=np.float64)


def _slope(
    name: str, scene: Scene, pose: Pose, optics: Optics, camera: Camera, oversample: int
) -> npt.NDArray[np.float64]:
    reach = max(camera.width, camera.height) / 2
    if name == "level":
        return _samples(scene, pose, optics, camera, oversample)
    step = {
        "pixel_size_um": pose.pixel_size_um * _STEP_PX / reach,
        "centre_x_um": pose.pixel_size_um * _STEP_PX,
        "centre_y_um": pose.pixel_size_um * _STEP_PX,
        "tilt_deg": np.degrees(_STEP_PX / reach),
        "residual_blur_um": optics.residual_blur_um * 0.02,
    }[name]
    if step == 0:
        raise ValueError("the bound of a blur needs optics that have some")
    high, low = (
        _samples(scene, *_moved(name, float(sign * step), pose, optics), camera, oversample)
        for sign in (1, -1)
    )
    return np.asarray((high - low) / (2 * step))


def _moved(name: str, by: float, pose: Pose, optics: Optics) -> tuple[Pose, Optics]:
    x, y = pose.centre_um
    if name == "pixel_size_um":
        return replace(pose, pixel_size_um=pose.pixel_size_um + by), optics
    if name == "tilt_deg":
        return replace(pose, tilt_deg=pose.tilt_deg + by), optics
    if name == "residual_blur_um":
        return pose, replace(optics, residual_blur_um=optics.residual_blur_um + by)
    moved = (x + by, y) if name == "centre_x_um" else (x, y + by)
    return replace(pose, centre_um=moved), optics


def _rounding_variance(mean: npt.NDArray[np.float64], camera: Camera) -> npt.NDArray[np.float64]:
    step = 1 / (2**camera.stored_bits - 1)
    if camera.tone == "linear":
        return np.full(mean.shape, step**2 / 12)
    v = np.clip(mean, 0, 1)
    # slope of linear light against encoded value, IEC 61966-2-1
    encoded = 1.055 * np.maximum(v, 0.0031308) ** (1 / 2.4) - 0.055
    slope = np.where(v <= 0.0031308, 1 / 12.92, 2.4 / 1.055 * ((encoded + 0.055) / 1.055) ** 1.4)
    return np.asarray((slope * step) ** 2 / 12)
