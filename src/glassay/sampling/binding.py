"""What binds: which limit keeps a capture from showing more, in words a buyer understands.

The limits are compared as spatial frequencies in the picture, cycles per stored px: what the pixels
of the file could carry, what its native pixels could, what the optics pass, what compression and
noise reduction leave, and what is really resolved. The lowest limit that the resolved detail comes
near to is the one that binds. If it comes near to none, the rest was lost to focus or motion (or to
optics of unknown aperture).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from glassay.finding import Finding
from glassay.optics.limits import NYQUIST
from glassay.quantity import Quantity, combine

Cause = Literal["optics", "sampling", "interpolation", "processing", "focus", "motion", "not known"]

NEAR_SHARE = 0.7
"""Resolved detail this near to a limit is bound by it: with the threshold of ring correlation or 10
% contrast, a well-focused diffraction-limited lens is read at 0.75 to 0.9 of its cut-off (at 10 %
contrast, 0.80: Goodman's formula), and sampling at 0.7 to 1 of the Nyquist frequency."""

UNEQUAL_DIRECTIONS = 1.3
"""Ratio of resolved frequencies along x and y from which motion (or astigmatism) is named."""

OVERSHOOT_FLAG = 0.10
"""Overshoot of edges above which sharpening is named beside the limit (common practice, no
source)."""


METHOD = "limits compared with resolved detail"


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit: its cause, where it lies in cycles per stored px, and that in words."""

    cause: Cause
    frequency: float
    says: str


@dataclass(frozen=True)
class Binding:
    """What binds one setting.

    `resolved` are the resolved frequencies along (x, y), cycles per stored px. `limits` are those
    that are known, lowest first. `detail_pixels` is how many pixels would carry the detail.
    """

    cause: Cause
    sentence: str
    resolved: tuple[Quantity, Quantity]
    limits: tuple[Limit, ...]
    detail_pixels: Quantity
    file_pixels: int
    notes: tuple[str, ...]

    def findings(self) -> dict[str, Finding]:
        """What binds, and the detail-equivalent pixel count in millions."""
        return {
            "binding": Finding(self.cause, METHOD),
            "detail_megapixels": Finding(self.detail_pixels.scaled(1e-6, "MP"), METHOD),
        }


def detail_equivalent_pixels(
    width: int, height: int, resolved_x: Quantity, resolved_y: Quantity
) -> Quantity:
    """How many pixels would carry the detail: two for each resolved period along both axes.

    `resolved_x` and `resolved_y` in cycles/px, from ring correlation or the frequency of 10 %
    modulation; one object where one measurement stands for both. The value is 4 fx fy width height,
    at most width times height.
    """
    limited = _both_at_most((resolved_x, resolved_y), (NYQUIST, NYQUIST))
    if limited[0] is limited[1]:  # one measurement stands for both, so that its error counts twice
        return combine(lambda f: 4 * f * f * width * height, limited[:1], "px")
    return combine(lambda fx, fy: 4 * fx * fy * width * height, limited, "px")


def what_binds(
    width: int,
    height: int,
    resolved: tuple[Quantity, Quantity],
    *,
    enlargement: tuple[float, float] | None = None,
    optics_cutoff: Quantity | None = None,
    pixel_size: Quantity | None = None,
    noise_reach: float | None = None,
    overshoot: float | None = None,
    notes: Sequence[str] = (),
) -> Binding:
    """Name the limit that binds a capture of `width` x `height` stored px.

    `resolved` along (x, y) in cycles/px. `enlargement` (x, y) from native sampling, 1 if native;
    `optics_cutoff` 2 NA / wavelength in cycles/um, with `pixel_size` in um/px; `noise_reach` the
    frequency up to which sensor noise survives in the file, cycles/px (below it only if compression
    or noise reduction cut it); `overshoot` of edges as a fraction. What is None is not known.
    """
    limits = _limits(enlargement, optics_cutoff, pixel_size, noise_reach)
    if enlargement is not None:
        # Whatever repeats beyond the native Nyquist frequency was made by the enlarger.
        resolved = _both_at_most(resolved, (NYQUIST / enlargement[0], NYQUIST / enlargement[1]))
    fx, fy = (min(q.value, NYQUIST) for q in resolved)
    mean = math.sqrt(fx * fy)
    pixels = detail_equivalent_pixels(width, height, *resolved)
    more = list(notes)
    if overshoot is not None and overshoot > OVERSHOOT_FLAG:
        more.append(
            f"edges overshoot by {overshoot:.0%}: sharpening makes the picture look crisper without"
            " adding detail"
        )
    cause, why = _name(mean, fx, fy, limits, optics_known=optics_cutoff is not None)
    sentence = (
        f"the file has {_millions(width * height)} pixels; the detail in it would fit in"
        f" {_millions(pixels.value)}. {why}"
    )
    return Binding(cause, sentence, resolved, tuple(limits), pixels, width * height, tuple(more))


def _limits(
    enlargement: tuple[float, float] | None,
    optics_cutoff: Quantity | None,
    pixel_size: Quantity | None,
    noise_reach: float | None,
) -> list[Limit]:
    limits = [Limit("sampling", NYQUIST, "the pixels of the file, two for the finest period")]
    if enlargement is not None:
        factor = math.sqrt(enlargement[0] * enlargement[1])
        if factor > 1.05:
            limits[0] = Limit(
                "interpolation", NYQUIST / factor,
                f"the camera delivers fewer pixels and enlarges them {factor:.2f} times",
            )  # fmt: skip
    if optics_cutoff is not None and pixel_size is not None:
        frequency = optics_cutoff.value * pixel_size.value
        limits.append(Limit("optics", frequency, "what the lens' aperture passes"))
    if noise_reach is not None and 0 < noise_reach < 0.9 * NYQUIST:
        limits.append(
            Limit("processing", noise_reach, "what compression and noise reduction leave")
        )
    return sorted(limits, key=lambda limit: limit.frequency)


def _name(
    mean: float, fx: float, fy: float, limits: Sequence[Limit], *, optics_known: bool
) -> tuple[Cause, str]:
    lowest = limits[0]
    ratio = max(fx, fy) / max(min(fx, fy), 1e-6)
    if mean >= NEAR_SHARE * lowest.frequency:
        share = mean / lowest.frequency
        return lowest.cause, f"{_LEAD[lowest.cause]} ({share:.0%} of that limit is reached)"
    side, other = ("width", "height") if fx < fy else ("height", "width")
    if ratio > UNEQUAL_DIRECTIONS:
        return "motion", (
            f"It is {ratio:.1f} times finer along the {other} than along the {side}: movement"
            " during the exposure, or astigmatism of the lens, is the limit"
        )
    if optics_known:
        return "focus", (
            "Neither the lens' aperture nor the pixels are reached"
            f" ({mean / lowest.frequency:.0%} of the lowest limit): focus or shake limits it"
        )
    return "optics", (
        f"The pixels are not used up ({mean / lowest.frequency:.0%} of their limit): the lens or"
        " its focus limits it; stating the aperture (NA) would tell which"
    )


_LEAD: dict[Cause, str] = {
    "optics": "The lens' aperture is the limit: more pixels would not show more",
    "sampling": "The pixels are the limit: the lens could show more on a finer sensor or at"
    " more zoom",
    "interpolation": "The native pixels are the limit: the camera enlarges its picture, the lens"
    " shows more than they carry",
    "processing": "Compression or noise reduction is the limit: the best quality setting may show"
    " more",
}


def _millions(pixels: float) -> str:
    if pixels >= 0.95e6:
        return f"{pixels / 1e6:.1f} million"
    if pixels >= 0.95e5:
        return f"{pixels / 1e6:.2f} million"
    return f"{pixels / 1e3:.0f} thousand"


def _both_at_most(
    pair: tuple[Quantity, Quantity], limits: tuple[float, float]
) -> tuple[Quantity, Quantity]:
    first = _at_most(pair[0], limits[0])
    if pair[0] is pair[1] and math.isclose(*limits):
        return first, first
    return first, _at_most(pair[1], limits[1])


def _at_most(frequency: Quantity, limit: float) -> Quantity:
    if frequency.value <= limit:
        return frequency
    return Quantity(limit, frequency.unit, frequency.contributions)
