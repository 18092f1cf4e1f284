"""What was taken for granted, and by what reference objects the bench was measured."""

from __future__ import annotations

from glassay.bench.document.model import ReferenceObject
from glassay.bench.saying.words import say_length
from glassay.quantity import Quantity
from glassay.report.parts import Report, Section
from glassay.report.templating import Filling


def fill(report: Report) -> Filling | None:
    """Assumptions and reference objects."""
    results = report.results
    used = {one.capture.object for one in results.captures}
    objects = [(thing, _backing(thing)) for thing in results.bench.objects if thing.id in used]
    return {"assumptions": results.assumptions, "objects": objects}


def _backing(thing: ReferenceObject) -> str:
    if thing.division_um is None:
        return ""
    certificate = thing.certificate
    if certificate is not None:
        number = f" {certificate.number}" if certificate.number else ""
        value = say_length(
            Quantity.of(certificate.division_um, certificate.expanded_um / certificate.k, "um")
        )
        return f"division {value} by certificate{number}"
    stated = f"division {say_length(Quantity(thing.division_um, 'um'))}, as engraved"
    if thing.tolerance is not None:
        return f"{stated}, stated tolerance {thing.tolerance:.2%}"
    return f"{stated}; no certificate"


SECTION = Section(
    "assumptions", "Assumptions and reference objects", "assumptions.html", fill, folded=True
)
