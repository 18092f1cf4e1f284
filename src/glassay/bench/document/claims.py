"""The kinds of claims that sellers make: how each is written, and which finding can settle it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from glassay import units
from glassay.bench.document.model import Sense
from glassay.errors import Unusable


@dataclass(frozen=True, slots=True)
class ClaimKind:
    """One kind of claim.

    `read` turns the text into a number in `unit`. `finding` is the key that settles it ("" where
    notes or clips do), `sense` which side of the number keeps the promise, and `evidence` what has
    to be photographed or noted to settle it.
    """

    name: str
    read: Callable[[object], float]
    unit: str
    sense: Sense
    finding: str
    evidence: str
    example: str


def _kind(quantity: str) -> Callable[[object], float]:
    def read(value: object) -> float:
        found = units.parse(value, quantity)
        if found <= 0:
            raise Unusable(f"{value!r} is not above 0")
        return found

    return read


def _resolution_per_mm(value: object) -> float:
    found = units.parse(value, "resolution")
    if found <= 0:
        raise Unusable(f"{value!r} is not above 0")
    return found


_SLIDE = "a photo of a ruled scale in the setting the claim is about"

CLAIM_KINDS: dict[str, ClaimKind] = {
    kind.name: kind
    for kind in (
        ClaimKind("magnification", units.parse_factor, "1", "at least", "", _SLIDE, "1600x"),
        ClaimKind("field width", _kind("length"), "um", "at least", "field_width", _SLIDE, "12 mm"),
        ClaimKind(
            "field height", _kind("length"), "um", "at least", "field_height", _SLIDE, "8 mm"
        ),
        ClaimKind(
            "field diameter", _kind("length"), "um", "at least", "field_diameter",
            "a photo of a ruled scale through the eyepiece, with its whole round field", "20 mm",
        ),
        ClaimKind(
            "pixel size", _kind("pixel size"), "um/px", "at most", "pixel_size", _SLIDE, "0.7 um"
        ),
        ClaimKind(
            "smallest detail", _kind("length"), "um", "at most", "smallest_detail",
            "a photo of a sharp edge or a bar target", "2 um",
        ),
        ClaimKind(
            "resolution", _resolution_per_mm, "1/mm", "at least", "finest_frequency",
            "a photo of a bar target", "200 lp/mm",
        ),
        ClaimKind(
            "photo pixels", units.parse_megapixels, "MP", "at least", "native_megapixels",
            "two photos of one still scene (a repeat pair)", "12 MP",
        ),
        ClaimKind(
            "sensor pixels", units.parse_megapixels, "MP", "at least", "array_megapixels",
            "a photo of the sensor's own die, or a repeat pair", "8 MP",
        ),
        ClaimKind(
            "video size", units.parse_megapixels, "MP", "at least", "",
            "a clip of a still scene", "3840 x 2160",
        ),
        ClaimKind(
            "frame rate", _kind("frequency"), "1/s", "at least", "",
            "a clip with something moving in it", "30 fps",
        ),
        ClaimKind(
            "sensor pixel pitch", _kind("length"), "um", "equal", "pitch_x",
            "a photo of the sensor's own die", "2.0 um",
        ),
        ClaimKind(
            "sensor width", _kind("length"), "um", "at least", "array_width",
            "a photo of the sensor's own die", "5.6 mm",
        ),
        ClaimKind(
            "working distance", _kind("length"), "um", "at least", "",
            "a note of the clearance, measured with a ruler", "90 mm",
        ),
        ClaimKind(
            "battery time", _kind("time"), "s", "at least", "",
            "a note of the measured run time", "4 h",
        ),
        ClaimKind(
            "recording time", _kind("time"), "s", "at least", "",
            "a clip recorded until it stops", "2 h",
        ),
        ClaimKind(
            "screen diagonal", _kind("length"), "um", "at least", "",
            "a note of the screen's diagonal, measured with a ruler", "7 in",
        ),
    )
}  # fmt: skip
"""Every kind of claim that carries a number, by its name in `bench.toml`."""

OTHER = "other"
"""A claim in words; it is listed, and stays untested."""


def read_claim_value(kind: ClaimKind, value: object) -> tuple[float | None, float]:
    """Low end (None unless "A to B" is claimed) and value of a claim. Raises `Unusable`.

    The unit is required: a claim without one ("1600") says nothing that can be judged.
    """
    if not isinstance(value, str):
        raise Unusable(
            f"{value!r} has no unit; expected a number with its unit in quotes,"
            f' like "{kind.example}"'
        )
    if kind.name == "magnification" and not value.strip().lower().endswith(("x", "×")):
        raise Unusable(f'{value!r} has no unit; expected a magnification, like "{kind.example}"')
    ends = units.split_range(value)
    if ends is None:
        return None, kind.read(value)
    low, high = ends
    if kind.name == "magnification" and not low.lower().endswith(("x", "×")):
        low += "x"
    first, last = kind.read(low), kind.read(high)
    if first >= last:
        raise Unusable(f"{value!r} does not run from a lower to a higher number")
    return first, last
