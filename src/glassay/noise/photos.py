"""Noise of photos as they are stored: pairs, clipped px and the noise of rounding."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging import Photo
from glassay.imaging.compression import LOSSY_FORMATS
from glassay.imaging.tone import Relight, linear_table
from glassay.noise.photon_transfer import USUAL_GREY, NoiseResult, measure_noise
from glassay.noise.stored_twice import LEAST_BEYOND, beyond_rounding


def measure_photos(
    photos: Sequence[Photo], *, grey: float = USUAL_GREY, notes: tuple[str, ...] = ()
) -> NoiseResult:
    """Noise of photos in pairs: first and second, third and fourth, ... (see `measure_noise`).

    The channel is that in which places are measured, green as a rule: sums of channels mix their
    noise. Raises NotMeasurable as `measure_noise` does, for a photo without a partner, and for one
    exposure in two qualities. A tone curve that was only assumed is in the uncertainties (the pairs are
    measured again under the others that cameras have), and so is the level of black.
    """
    if len(photos) % 2:
        raise NotMeasurable(
            "one exposure shows no temporal noise: give two of the same still scene"
            if len(photos) == 1
            else f"{len(photos)} photos are no pairs: give two exposures of each scene"
        )
    pairs = list(zip(photos[::2], photos[1::2], strict=True))
    for pair in pairs:
        _refuse_one_exposure(*pair)
    lost = [
        a.at_full_scale() | b.at_full_scale()
        for a, b in pairs
        if (a.width, a.height) == (b.width, b.height)
    ]
    levels = None
    if photos and photos[0].stored.dtype.kind == "u":
        levels = linear_table(8 * photos[0].stored.dtype.itemsize, photos[0].tone)
    full = lost if len(lost) == len(pairs) else ()
    lossy = any(photo.facts.get("format") in LOSSY_FORMATS for photo in photos)

    def under(relight: Relight | None) -> NoiseResult:
        planes = [(a.measuring_grey(relight), b.measuring_grey(relight)) for a, b in pairs]
        steps = levels if relight is None or levels is None else relight(levels)
        return measure_noise(
            planes, levels=steps, full=full, grey=grey, compressed=lossy, notes=notes
        )

    found, others = under(None), []
    for relight in photos[0].other_tones:
        try:
            others.append(under(relight))
        except NotMeasurable:  # a curve under which nothing can be read says nothing
            continue
    return found.doubted(others, BLACK)


BLACK = 0.005
"""Half-width, in shares of full scale, within which files hold their black: cameras cut or lift it by
some tenths of a percent (common practice, no source). Only a dark exposure would tell (EMVA 1288)."""


def _refuse_one_exposure(a: Photo, b: Photo) -> None:
    if a.stored.shape[:2] != b.stored.shape[:2] or {a.stored.dtype, b.stored.dtype} != {BYTES}:
        return
    tables = [photo.facts.get("quantization") or {} for photo in (a, b)]
    beyond = beyond_rounding(_luma(a), _luma(b), tables)
    if beyond is not None and beyond < LEAST_BEYOND:
        raise NotMeasurable(
            "the exposures differ by no more than their compressions round away: they are one exposure"
            " stored in two qualities, or compression left nothing of their noise"
        )


BYTES = np.dtype(np.uint8)
LUMA = (0.299, 0.587, 0.114)
"""Weights of R, G, B in the luma that JPEG compresses (JFIF 1.02, after ITU-R BT.601)."""


def _luma(photo: Photo) -> npt.NDArray[Any]:
    stored = photo.stored.astype(np.float32)
    return stored if stored.ndim == 2 else np.asarray(stored @ np.array(LUMA, dtype=np.float32))
