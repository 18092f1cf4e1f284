"""Numbers and verdicts as they stand on the page."""

from __future__ import annotations

import re

from markupsafe import Markup, escape

from glassay.bench.saying.words import short
from glassay.quantity import Quantity, rounded

SIGNS = {
    "met": "✓", "not met": "✗", "undecided": "≈", "untested": "–",
    "yes": "✓", "no": "✗", "not shown": "–",
}  # fmt: skip
"""A sign beside each verdict's or answer's word, so that a column of them can be scanned."""


def amount(quantity: Quantity, suffix: str = "") -> Markup:
    """Value ± U and a unit; the uncertainty is set apart."""
    if not quantity.u:
        value = short(quantity.value).replace("-", "\u2212")
        return Markup('<span class="num">{}{}</span>').format(value, suffix)
    value, expanded = rounded(quantity.value, quantity.expanded)
    # Where a column is narrow, what is set apart moves to a line of its own, unit included.
    return Markup('<span class="num">{}<span class="pm"> ± {}</span></span>').format(
        value.replace("-", "\u2212"), expanded + suffix
    )


def times(quantity: Quantity) -> Markup:
    """A magnification."""
    return amount(quantity, "x")


def length(quantity_um: Quantity) -> Markup:
    """A length given in um, in the unit that reads best."""
    if abs(quantity_um.value) >= 1e6:
        return amount(quantity_um.scaled(1e-6, "m"), " m")
    if abs(quantity_um.value) >= 1e3:
        return amount(quantity_um.scaled(1e-3, "mm"), " mm")
    return amount(quantity_um, " µm")


def in_unit(quantity: Quantity) -> Markup:
    """Any quantity: lengths in the unit that reads best, pure numbers bare."""
    if quantity.unit == "um":
        return length(quantity)
    if quantity.unit == "deg":
        return amount(quantity, "°")
    unit = "" if quantity.unit == "1" else " " + quantity.unit.replace("um", "µm")
    return amount(quantity, unit)


_MICRO = re.compile(r"(?:(?<=\d )|\A)um\b")
_KEPT_TOGETHER = re.compile(r"(?<=\d) (?=(?:±|µm|mm|m|px|%|MP|EUR)(?:\W|\Z))|(?<=±) (?=\d)")
_MINUS = re.compile(r"(?<![\w.)])-(?=\d)")


def prose(words: str) -> str:
    """Words as print writes them: µm and a true minus, and no line break within a number.

    "um" stands for "µm" only where terminals and files are to be safe.
    """
    text = _KEPT_TOGETHER.sub("\u00a0", _MICRO.sub("µm", words))
    return _MINUS.sub("\u2212", text)


def counted(count: int, noun: str) -> str:
    """ "1 edge", "2 edges"."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def sentence(words: str) -> str:
    """A sentence as print writes it, from its capital to its full stop."""
    text = prose(words)
    end = "" if text.endswith((".", "?", "!")) else "."
    first = text[:1] if text.startswith("µm") else text[:1].upper()  # a unit keeps its letters
    return f"{first}{text[1:]}{end}" if text else ""


def verdict(word: str) -> Markup:
    """A verdict with its sign; the word says all that the sign and the colour do."""
    name = word.replace(" ", "-")
    return Markup('<span class="verdict {}"><span aria-hidden="true">{}</span> {}</span>').format(
        name, SIGNS[word], escape(word)
    )
