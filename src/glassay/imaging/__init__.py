"""Pixels and files: reading photos, and from stored values to linear light."""

import logging

from glassay.imaging.memory import MAX_PIXELS
from glassay.imaging.photo import Photo, read_photo
from glassay.imaging.tone import linear_to_srgb, srgb_to_linear

__all__ = ["MAX_PIXELS", "Photo", "linear_to_srgb", "read_photo", "srgb_to_linear"]

# tifffile logs what is wrong with a damaged file; that is reported by `read_photo`, once.
logging.getLogger("tifffile").addHandler(logging.NullHandler())
