"""What the microscope does to light: response, field, distortion, illumination.

Formulas. Incoherent transfer of a circular pupil without aberration: Goodman, Introduction to
Fourier Optics, section 6.3. With defocus: the autocorrelation of the defocused pupil, reduced to
one integral (Hopkins 1955); see `defocused_transfer`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from glassay.optics.transfer import defocused_transfer

Curve = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Lighting:
    """How the object is lit, in linear light.

    `gradient` is the relative change from the middle to the right edge and to the bottom edge;
    `falloff` the relative loss at the corner (with the square of the radius); `tint` multiplies
    R, G, B before the camera's white balance. `hot_spots` lie on a ring of `hot_spot_ring` half
    diagonals, each adding `hot_spot_level` of full scale with a Gaussian of `hot_spot_size` half
    diagonals. `stray` is light added everywhere. `flicker` is used by clips only.
    """

    level: float = 1.0
    gradient: tuple[float, float] = (0.0, 0.0)
    falloff: float = 0.0
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    hot_spots: int = 0
    hot_spot_level: float = 0.5
    hot_spot_size: float = 0.06
    hot_spot_ring: float = 0.35
    hot_spot_phase_deg: float = 20.0
    stray: float = 0.0


@dataclass(frozen=True)
class Optics:
    """The optical chain, seen from the object.

    `wavelengths_um` belong to R, G, B (a grey camera uses the middle one). `defocus_um` is the
    distance of the object from focus on the axis; `field_curvature_um` adds to it at the corner
    (with the square of the radius), `focus_tilt_um` at the right and the bottom edge.
    `residual_blur_um` is a Gaussian for everything else a cheap lens does. `axial_colour_um` is
    the focus of R, G, B against the nominal one. `lateral_colour` is the relative extra
    magnification of R, G, B. `distortion_k1` is the radial coefficient in r_d = r_u (1 + k1 r_u^2)
    for radii in half diagonals: negative is barrel, positive pincushion. `vignetting` is the loss
    at the corner as (1 + v r^2)^-2. `field_stop_um` is the diameter of the round field on the
    object (0: none), its middle `field_stop_offset_um` from the axis, its rim soft by
    `field_stop_softness_px`; outside it the picture shows `surround`. `motion_px` is the path
    travelled during the exposure, sensor px.
    """

    na: float = 0.10
    wavelengths_um: tuple[float, float, float] = (0.61, 0.54, 0.47)
    defocus_um: float = 0.0
    field_curvature_um: float = 0.0
    focus_tilt_um: tuple[float, float] = (0.0, 0.0)
    residual_blur_um: float = 0.0
    axial_colour_um: tuple[float, float, float] = (0.0, 0.0, 0.0)
    lateral_colour: tuple[float, float, float] = (0.0, 0.0, 0.0)
    distortion_k1: float = 0.0
    vignetting: float = 0.0
    field_stop_um: float = 0.0
    field_stop_offset_um: tuple[float, float] = (0.0, 0.0)
    field_stop_softness_px: float = 1.5
    surround: float = 0.004
    motion_px: tuple[float, float] = (0.0, 0.0)
    lighting: Lighting = field(default_factory=Lighting)

    def __post_init__(self) -> None:
        if not 0 < self.na < 1.6:
            raise ValueError("the numerical aperture lies between 0 and 1.6")
        if not -0.13 <= self.distortion_k1 <= 1:
            raise ValueError("distortion beyond -0.13 cannot fill the corners; it may be up to 1")

    @property
    def focus_varies(self) -> bool:
        """Whether the blur differs across the field."""
        return self.field_curvature_um != 0 or self.focus_tilt_um != (0.0, 0.0)

    def transfer(self, frequency: npt.ArrayLike, colour: int, defocus_um: float) -> Curve:
        """Transfer at `frequency` (cycles/um on the object) for colour 0, 1, 2, with the residual
        blur; `defocus_um` is the local distance from focus, axial colour is added here."""
        f = np.abs(np.asarray(frequency, dtype=np.float64))
        wavelength = self.wavelengths_um[colour]
        z = defocus_um + self.axial_colour_um[colour]
        waves = z * self.na**2 / (2 * wavelength)
        response = defocused_transfer(f * wavelength / (2 * self.na), waves)
        if self.residual_blur_um:
            response = response * np.exp(-2 * (math.pi * self.residual_blur_um * f) ** 2)
        return response
