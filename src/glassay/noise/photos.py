"""Noise of photos as they are stored: pairs, clipped px and the noise of rounding."""

from __future__ import annotations

from collections.abc import Sequence

from glassay.errors import NotMeasurable
from glassay.imaging import Photo
from glassay.imaging.tone import linear_table
from glassay.noise.photon_transfer import USUAL_GREY, NoiseResult, measure_noise

LOSSY = ("JPEG", "MPO", "HEIF", "WEBP")
"""Formats that are taken to be compressed with loss."""


def measure_photos(
    photos: Sequence[Photo], *, grey: float = USUAL_GREY, notes: tuple[str, ...] = ()
) -> NoiseResult:
    """Noise of photos in pairs: first and second, third and fourth, ... (see `measure_noise`).

    The channel is that in which places are measured, green as a rule: sums of channels mix their
    noise. Raises NotMeasurable as `measure_noise` does, and for a photo without a partner.
    """
    if len(photos) % 2:
        raise NotMeasurable(
            "one exposure shows no temporal noise: give two of the same still scene"
            if len(photos) == 1
            else f"{len(photos)} photos are no pairs: give two exposures of each scene"
        )
    pairs = list(zip(photos[::2], photos[1::2], strict=True))
    planes = [(a.measuring_grey(), b.measuring_grey()) for a, b in pairs]
    lost = [
        a.at_full_scale() | b.at_full_scale()
        for a, b in pairs
        if (a.width, a.height) == (b.width, b.height)
    ]
    levels = None
    if photos and photos[0].stored.dtype.kind == "u":
        levels = linear_table(8 * photos[0].stored.dtype.itemsize, photos[0].tone)
    full = lost if len(lost) == len(pairs) else ()
    lossy = any(photo.facts.get("format") in LOSSY for photo in photos)
    return measure_noise(planes, levels=levels, full=full, grey=grey, compressed=lossy, notes=notes)
