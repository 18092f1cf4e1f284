"""Noise of the picture against its light: the mean-variance line, signal to noise, fixed pattern."""

from glassay.noise.photon_transfer import METHOD_VERSION, NoiseResult, measure_noise
from glassay.noise.photos import measure_photos

__all__ = ["METHOD_VERSION", "NoiseResult", "measure_noise", "measure_photos"]
