"""Reading numbers that carry units, as people write them in files and on the command line."""

from __future__ import annotations

import math
import re
from functools import lru_cache

import pint

from glassay.errors import Unusable

_NUMBER_AND_UNIT = re.compile(
    r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-zµμ%°/][A-Za-z0-9µμ%°/*^ ]*)?\s*\Z"
)

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


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[float]:
    registry: pint.UnitRegistry[float] = pint.UnitRegistry(cache_folder=None)
    registry.define("line_pair = 1 = lp")
    registry.define("frame = 1 = frames")
    registry.define("fps = frame / second")
    return registry


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
    match = _NUMBER_AND_UNIT.match(text)
    if match is None:
        raise Unusable(f"{text!r} is not {wanted}")
    number, unit = float(match[1]), (match[2] or "").strip()
    if not unit:
        raise Unusable(f"{text!r} has no unit; expected {wanted}")
    if kind == "pixel size":
        unit = re.sub(r"\s*/\s*(px|pixel)$", "", unit)
    if unit.startswith("/"):
        unit = "1" + unit
    target = {"pixel size": "um", "resolution": "1/mm"}.get(kind, CANONICAL[kind])
    try:
        value = float(_registry().Quantity(number, unit).to(target).magnitude)
    except Exception as error:  # pint raises many kinds for words that are no units
        raise Unusable(f"{text!r} is not {wanted}") from error
    if not math.isfinite(value):
        raise Unusable(f"{text!r} is not a finite number; expected {wanted}")
    return value


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
    return float(match[1]), code
