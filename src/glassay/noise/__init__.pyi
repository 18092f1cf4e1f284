from .photon_transfer import NoiseResult, measure_noise
from .photos import measure_photos

__all__ = ["NoiseResult", "measure_noise", "measure_photos"]
