"""What physics and sampling allow: smallest resolvable distance, sampling limit, depth of field.

Lengths are in um. The formulas are those of every microscopy textbook; the constants of the
criteria are stated where they are used.
"""

from __future__ import annotations

NYQUIST_PIXELS = 2.0
"""Pixels a period that sampling needs at least (Nyquist)."""

NYQUIST = 1 / NYQUIST_PIXELS
"""Highest frequency that pixels carry, cycles/px."""

USUAL_PIXELS = 2.3
"""Pixels a resolvable distance that are usually asked for (common practice, no source)."""

RAYLEIGH_FACTOR = 0.61
"""First zero of the Airy pattern, 3.8317 / (2 pi) = 0.6098, as the textbooks round it."""


def abbe_distance_um(wavelength_um: float, numerical_aperture: float) -> float:
    """Abbe's limit of a periodic structure: wavelength / (2 NA), in um."""
    return wavelength_um / (2 * _positive(numerical_aperture))


def rayleigh_distance_um(wavelength_um: float, numerical_aperture: float) -> float:
    """Rayleigh's distance of two points: 0.61 wavelength / NA, in um."""
    return RAYLEIGH_FACTOR * wavelength_um / _positive(numerical_aperture)


def cutoff_per_um(wavelength_um: float, numerical_aperture: float) -> float:
    """Highest spatial frequency that incoherent imaging passes: 2 NA / wavelength, cycles/um."""
    return 2 * _positive(numerical_aperture) / wavelength_um


def sampling_distance_um(pixel_size_um: float, pixels: float = NYQUIST_PIXELS) -> float:
    """Smallest period that the pixels can carry: 2 px (or `USUAL_PIXELS`), in um."""
    return pixels * pixel_size_um


def aperture_carried_by_pixels(wavelength_um: float, pixel_size_um: float) -> float:
    """Largest numerical aperture whose detail the pixels can carry: wavelength / (4 pixel size).

    The cut-off 2 NA / wavelength set equal to the Nyquist frequency 1 / (2 pixel size). Whatever
    the optics deliver beyond it is lost in the picture, so this bounds the effective aperture.
    """
    return wavelength_um / (4 * _positive(pixel_size_um))


def depth_of_field_um(
    wavelength_um: float,
    numerical_aperture: float,
    refractive_index: float = 1.0,
    smallest_distance_in_image_um: float = 0.0,
    magnification: float = 1.0,
) -> float:
    """Depth of field n wavelength / NA^2 + n e / (M NA), in um.

    `smallest_distance_in_image_um` is e, what the detector resolves in its own plane (its pixel
    pitch), and `magnification` M is the one onto it. With e = 0 the wave-optical term alone.
    """
    na = _positive(numerical_aperture)
    wave = refractive_index * wavelength_um / na**2
    detector = refractive_index * smallest_distance_in_image_um / (_positive(magnification) * na)
    return wave + detector


def _positive(number: float) -> float:
    if not number > 0:
        raise ValueError(f"{number} is not positive")
    return number
