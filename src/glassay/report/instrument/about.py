"""The sentence to quote, and what is known about the instrument without measuring."""

from __future__ import annotations

from glassay.bench.document.model import Instrument
from glassay.bench.saying.words import say_length
from glassay.quantity import Quantity
from glassay.report.answer import quote
from glassay.report.parts import Chapter, Report
from glassay.report.templating import Filling


def fill(report: Report, instrument: Instrument) -> Filling | None:
    """Quote, facts as noted, observations."""
    return {
        "quote": quote(report.results, instrument),
        "facts": _facts(instrument),
        "note": instrument.note,
        "observations": instrument.observations,
    }


def _facts(instrument: Instrument) -> list[tuple[str, str]]:
    price, chain = instrument.price, instrument.chain
    facts: list[tuple[str, str]] = [("kind", instrument.kind)]
    for name, money in (("list price", price.list), ("paid", price.paid),
                        ("camera to buy with it", price.camera)):  # fmt: skip
        if money is not None:
            facts.append((name, str(money)))
    if instrument.clearance_um is not None:
        facts.append(("clearance", say_length(Quantity(instrument.clearance_um, "um"))))
    if chain.numerical_aperture is not None:
        facts.append(("numerical aperture, stated", f"{chain.numerical_aperture:g}"))
    if instrument.power:
        facts.append(("power", instrument.power))
    if instrument.standalone is not None:
        facts.append(("standalone", "yes" if instrument.standalone else "no"))
    if instrument.illumination:
        facts.append(("illumination", instrument.illumination))
    return facts


CHAPTER = Chapter("about", "", "about.html", fill)
