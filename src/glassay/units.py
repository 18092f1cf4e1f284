"""Reading numbers that carry units, as people write them in files and on the command line."""

from __future__ import annotations

import math
import re
from functools import lru_cache
from pathlib import Path

import pint

from glassay.errors import Unusable

_NUMBER_AND_UNIT = re.compile(
    r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-zµμ%°/][A-Za-z0-9µμ%°/*^ ]*)?\s*\Z"
)

_FRACTION = re.compile(r"\s*(?:(\d+)[ -])?\s*(\d+)\s*[/⁄]\s*(\d+)\s*([A-Za-zµμ].*)\Z")
"""A part of a unit, as rulers in inches are marked: "1/64 in", "1 1/2 in"."""

CANONICAL = {
    "length": "um",
    "angle": "deg",
    "time": "s",
    "frequency": "1/s",
    "power": "W",
    "pixel size": "um/px",
    "resolution": "1/mm",
}
"""The unit in which each kind of number is held inside."""


UNITS = Path(__file__).with_name("units.txt")
"""The units that can be written."""

LENGTH_UNITS = frozenset({
    "nm", "um", "µm", "μm", "micron", "microns", "micrometer", "micrometers", "micrometre",
    "micrometres", "mm", "millimeter", "millimeters", "millimetre", "millimetres", "cm",
    "centimeter", "centimeters", "centimetre", "centimetres", "m", "meter", "meters", "metre",
    "metres", "in", "inch", "inches", "mil", "mils", "thou", "nanometer", "nanometers",
    "nanometre", "nanometres",
})  # fmt: skip
"""Units in which lengths at a microscope are stated. "Mm", "ly" and "px" are lengths to a library of
units too, and a slip of the hand here."""
LENGTH_RANGE_UM = (1e-9, 1e12)
"""Lengths that are believed: what lies outside is a slip in the exponent."""


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[float]:
    # Pint's own list knows more than a microscope needs, takes half a second to read, and reads a
    # cycle as 2 pi, so that "200 cycles/mm" came out as 1257 line pairs.
    return pint.UnitRegistry(UNITS, cache_folder=None)


def parse(text: object, kind: str) -> float:
    """Read "0.01 mm", "24 in", "60 fps" into the canonical unit of `kind` (see `CANONICAL`).

    A unit is required. Raises `Unusable` with what was expected when the text is not a number with
    a unit of that kind, is not finite, or is not a string at all.
    """
    example = {
        "length": "10 um", "angle": "3 deg", "time": "90 min", "frequency": "30 fps",
        "power": "5 W", "pixel size": "0.73 um", "resolution": "500 lp/mm",
    }[kind]  # fmt: skip
    wanted = f'a {kind} with its unit, like "{example}"'
    if not isinstance(text, str):
        raise Unusable(f"{text!r} is not {wanted}")
    whole, parts = _whole_parts(text) if kind in ("length", "pixel size") else (text, 1)
    match = _NUMBER_AND_UNIT.match(whole)
    if match is None:
        comma = re.match(r"\s*[+-]?\d[\d.]*,\d", text)
        hint = "; write the decimal sign as a point, not a comma" if comma else ""
        raise Unusable(f"{text!r} is not {wanted}{hint}")
    number, unit = float(match[1]), (match[2] or "").strip()
    if not unit:
        raise Unusable(f"{text!r} has no unit; expected {wanted}")
    if kind == "pixel size":
        unit = re.sub(r"\s*/\s*(px|pixel)$", "", unit)
    if unit.startswith("/"):
        unit = "1" + unit
    is_length = kind in ("length", "pixel size")
    if is_length and unit not in LENGTH_UNITS:
        raise Unusable(f"{text!r} is not {wanted}: {unit!r} is no unit for lengths at a microscope")
    target = {"pixel size": "um", "resolution": "1/mm"}.get(kind, CANONICAL[kind])
    try:
        value = float(_registry().Quantity(number, unit).to(target).magnitude) / parts
    except Exception as error:  # pint raises many kinds for words that are no units
        raise Unusable(f"{text!r} is not {wanted}") from error
    if not math.isfinite(value):
        raise Unusable(f"{text!r} is not a finite number; expected {wanted}")
    if is_length and value > 0 and not LENGTH_RANGE_UM[0] <= value <= LENGTH_RANGE_UM[1]:
        raise Unusable(f"{text!r} is no length that a microscope meets; expected {wanted}")
    return value


def _whole_parts(text: str) -> tuple[str, int]:
    """ "3/64 in" as 3 in and the 64 to divide them by; any other text, and 1."""
    match = _FRACTION.match(text)
    if match is None or not int(match[3]):
        return text, 1
    whole = int(match[1] or 0) * int(match[3]) + int(match[2])
    return f"{whole} {match[4]}", int(match[3])


def parse_length_um(text: object) -> float:
    """A length in um. Raises `Unusable` (see `parse`)."""
    return parse(text, "length")


def parse_fraction(text: object) -> float:
    """A percentage such as "0.2 %" as a fraction (0.002). Raises `Unusable`."""
    match = _NUMBER_AND_UNIT.match(text) if isinstance(text, str) else None
    if match is None or (match[2] or "").strip() != "%" or not math.isfinite(float(match[1])):
        raise Unusable(f'{text!r} is not a percentage, like "0.2 %"')
    return float(match[1]) / 100


def parse_money(text: object) -> tuple[float, str]:
    """An amount with a three-letter currency code, like "129.90 EUR". Raises `Unusable`."""
    match = _NUMBER_AND_UNIT.match(text) if isinstance(text, str) else None
    code = (match[2] or "").strip() if match else ""
    if match is None or not re.fullmatch(r"[A-Z]{3}", code) or not math.isfinite(float(match[1])):
        raise Unusable(f'{text!r} is not a price, like "129.90 EUR"')
    if re.fullmatch(r"\s*\d{1,3}\.\d{3}\s*", match[1]):
        whole = match[1].strip().replace(".", "")
        raise Unusable(
            f'{text!r} may be thousands or parts of one: write "{whole} {code}", or two digits after'
            f' the point, like "{float(match[1]):.2f} {code}"'
        )
    return float(match[1]), code


_FACTOR = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*[x×X]?\s*\Z")


def parse_factor(text: object) -> float:
    """A magnification or zoom factor, "4.5x" or 4.5, as a positive number. Raises `Unusable`."""
    if isinstance(text, int | float) and not isinstance(text, bool):
        value = float(text)
    else:
        match = _FACTOR.match(text) if isinstance(text, str) else None
        value = float(match[1]) if match else math.nan
    if not (math.isfinite(value) and value > 0):
        raise Unusable(f'{text!r} is not a positive factor, like "4.5x"')
    return value


def split_range(text: object) -> tuple[str, str] | None:
    """The two ends of "A to B" as text, or None when the text is no range."""
    ends = re.split(r"\s+to\s+", text.strip()) if isinstance(text, str) else []
    return (ends[0], ends[1]) if len(ends) == 2 else None


def parse_factor_range(text: object) -> tuple[float, float]:
    """Factors "0.7x to 4.5x", or one factor for both ends, lowest first. Raises `Unusable`."""
    ends = split_range(text)
    if ends is None:
        try:
            factor = parse_factor(text)
        except Unusable:
            raise Unusable(f'{text!r} is not a factor or a range, like "0.7x to 4.5x"') from None
        return factor, factor
    low, high = parse_factor(ends[0]), parse_factor(ends[1])
    if low > high:
        raise Unusable(f"{text!r} runs from the higher factor to the lower one")
    return low, high


MAX_PIXELS_ACROSS = 1_000_000
"""Largest count of columns or rows that is believed; no sensor or display has more."""


def parse_pixels(text: object) -> tuple[int, int]:
    """A picture or display size "1920 x 1080" as (columns, rows). Raises `Unusable`."""
    match = re.fullmatch(r"\s*(\d{1,7})\s*[x×X]\s*(\d{1,7})\s*(?:px)?\s*", str(text))
    size = (int(match[1]), int(match[2])) if match and isinstance(text, str) else (0, 0)
    if not all(1 <= side <= MAX_PIXELS_ACROSS for side in size):
        raise Unusable(f'{text!r} is not a size in pixels, like "1920 x 1080"')
    return size


def parse_megapixels(text: object) -> float:
    """A pixel count "12 MP" or "4000 x 3000", in megapixels. Raises `Unusable`."""
    match = re.fullmatch(r"\s*(\d+\.?\d*|\.\d+)\s*MP\s*", text) if isinstance(text, str) else None
    if match and float(match[1]) > 0:
        return float(match[1])
    try:
        columns, rows = parse_pixels(text)
    except Unusable:
        raise Unusable(
            f'{text!r} is not a number of pixels, like "12 MP" or "4000 x 3000"'
        ) from None
    return columns * rows / 1e6


def half_last_digit(text: str) -> float | None:
    """Relative half of the last digit in which a number is written: 0.025 for "2.0 um".

    None where the text is not one number with its unit: "3840 x 2160" counts pixels, and counts are
    not rounded; nor is 0. Zeros at the end count as digits: "1600x" is 1599.5 to 1600.5. A power of
    ten behind them changes nothing: "1.1e3 um" is 1.05 to 1.15 mm.
    """
    match = re.fullmatch(
        r"\s*[+-]?(\d+(?:\.(\d*))?|\.(\d+))(?:[eE][+-]?\d+)?\s*[^\d\s.][^\d]*", text
    )
    if match is None:
        return None
    decimals = len(match[2] or match[3] or "")
    number = float(match[1])
    return 0.5 * 10.0**-decimals / number if number else None
