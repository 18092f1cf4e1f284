"""Numbers in sentences: digits cut to what the uncertainty supports, units a reader expects."""

from __future__ import annotations

from glassay.quantity import Quantity, rounded


def say(quantity: Quantity, suffix: str = "") -> str:
    """ "295.3 ± 1.2" and a suffix (" mm"); four digits of a number without uncertainty."""
    if not quantity.u:
        return f"{short(quantity.value)}{suffix}"
    value, expanded = rounded(quantity.value, quantity.expanded)
    return f"{value} ± {expanded}{suffix}"


def short(value: float) -> str:
    """A number with four significant digits and no exponent."""
    if value == 0:
        return "0"
    if abs(value) >= 1000:
        return f"{value:.0f}"
    return f"{float(f'{value:.4g}'):g}"


def say_times(quantity: Quantity) -> str:
    """A magnification, "295.3 ± 1.2x"."""
    return say(quantity) + "x"


def say_time(quantity_s: Quantity) -> str:
    """A time given in s, in the unit that reads best."""
    for limit, seconds, unit in ((7200, 3600, "h"), (600, 60, "min")):
        if abs(quantity_s.value) >= limit:
            return say(quantity_s.scaled(1 / seconds, unit), f" {unit}")
    return say(quantity_s, " s")


def say_length(quantity_um: Quantity) -> str:
    """A length given in um, in the unit that reads best."""
    for limit, factor, unit in ((1e6, 1e-6, "m"), (1e3, 1e-3, "mm")):
        if abs(quantity_um.value) >= limit:
            return say(quantity_um.scaled(factor, unit), f" {unit}")
    return say(quantity_um, " um")


def listed(names: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return ", ".join(names[:-1]) + " and " + names[-1] if len(names) > 1 else "".join(names)
