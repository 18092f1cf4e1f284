"""From stored values to linear light, and back.

The rule, used everywhere unless the user states another tone curve: integer photos with colour and
8-bit grey photos are encoded as sRGB (IEC 61966-2-1); grey photos of more than 8 bits and all
floating-point photos are linear already, as cameras for measurement write them. Of integers that is
as much an assumption as sRGB is: programs that turn a photo grey keep its curve.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from glassay.errors import Unusable

Tone = Literal["srgb", "linear"] | float
"""How stored values relate to light: a number g means light proportional to the value to the g."""
FloatImage = npt.NDArray[np.float32]
StoredImage = npt.NDArray[Any]


def parse_tone(value: object) -> Tone:
    """ "srgb", "linear", or the exponent of a power law, as text or number. Raises `Unusable`."""
    if value == "srgb":
        return "srgb"
    if value == "linear":
        return "linear"
    try:
        exponent = 0.0 if isinstance(value, bool) else float(str(value))
    except ValueError:
        exponent = 0.0
    if not 0.2 <= exponent <= 5:
        raise Unusable(f"{value!r} is not srgb, linear or an exponent between 0.2 and 5")
    return exponent


LUMINANCE_WEIGHTS = (0.2126, 0.7152, 0.0722)
"""Weights of linear R, G, B in luminance (ITU-R BT.709, the primaries of sRGB)."""


def srgb_to_linear(encoded: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Linear light in 0..1 from sRGB-encoded values in 0..1 (IEC 61966-2-1)."""
    v = np.asarray(encoded, dtype=np.float64)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0.04045) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """sRGB-encoded values in 0..1 from linear light; values outside 0..1 are clipped."""
    v = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    high = 1.055 * np.maximum(v, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(v <= 0.0031308, 12.92 * v, high)


def eight_bit(
    linear: npt.ArrayLike, noise: npt.NDArray[np.float64] | float = 0.0
) -> npt.NDArray[np.uint8]:
    """What an sRGB file of 8 bits stores of linear light, with `noise` in stored steps on top."""
    encoded = 255 * linear_to_srgb(linear) + noise
    return np.clip(np.rint(encoded), 0, 255).astype(np.uint8)


def linear_table(bits: int, tone: Tone) -> FloatImage:
    """Table from a stored integer of `bits` bits to linear light in 0..1, shape (2**bits,)."""
    ramp = np.arange(2**bits) / (2**bits - 1)
    if tone == "srgb":
        return srgb_to_linear(ramp).astype(np.float32)
    return np.asarray(ramp if tone == "linear" else ramp**tone, dtype=np.float32)


CONTRAST_CURVE = 6.0
"""Steepness of a camera's own contrast curve above sRGB: a logistic between 0 and 1 that is 1.66 times
steeper in the middle and 0.3 times at both ends. Pictures made to please are steepened by 1.2 to 1.8
(common practice, no source)."""


def without_contrast(encoded: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Encoded values in 0..1 before the contrast curve that `CONTRAST_CURVE` describes."""
    end = 1 / (1 + np.exp(CONTRAST_CURVE / 2))
    within = end + np.clip(np.asarray(encoded, dtype=np.float64), 0.0, 1.0) * (1 - 2 * end)
    return np.asarray(0.5 + np.log(within / (1 - within)) / CONTRAST_CURVE)


Relight = Callable[[npt.NDArray[np.floating]], npt.NDArray[np.float64]]
"""From light as the assumed curve has it to light as another curve has it, both in 0..1."""

OTHER_TONES: tuple[Relight, ...] = (
    linear_to_srgb,
    lambda light: linear_to_srgb(light) ** 1.8,
    lambda light: linear_to_srgb(light) ** 2.6,
    lambda light: srgb_to_linear(without_contrast(linear_to_srgb(light))),
)
"""Curves that a camera which states none may have in place of sRGB: none at all, power laws of 1.8 and
2.6, and sRGB with a contrast curve above it (common practice, no source)."""

OTHER_THAN_LINEAR: tuple[Relight, ...] = (
    srgb_to_linear,
    lambda light: np.clip(np.asarray(light, dtype=np.float64), 0.0, 1.0) ** 1.8,
    lambda light: np.clip(np.asarray(light, dtype=np.float64), 0.0, 1.0) ** 2.6,
    lambda light: srgb_to_linear(without_contrast(light)),
)
"""The same curves in place of none, with sRGB among them, for values that are taken as light."""
