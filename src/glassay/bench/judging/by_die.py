"""Claims on a sensor, held against photos of its own die.

A die is photographed through one instrument and belongs to another, the one that was opened.
"""

from __future__ import annotations

from collections.abc import Sequence

from glassay.bench.document.claims import CLAIM_KINDS
from glassay.bench.document.model import Bench, Claim, Instrument
from glassay.bench.judging.decide import decide
from glassay.bench.judging.held import Held, Seen, by_decision
from glassay.bench.keeping.results import CaptureResult, Statement
from glassay.quantity import Quantity


def through(
    bench: Bench, instrument: Instrument, captures: Sequence[CaptureResult]
) -> list[CaptureResult]:
    """Captures that tell of an instrument because they were made through it: all but those of
    sensors' dies, whose numbers are another instrument's."""
    return [
        one for one in captures
        if one.capture.instrument == instrument.id
        and bench.object(one.capture.object).kind != "pixel array"
    ]  # fmt: skip


def of_its_sensor(
    bench: Bench, instrument: Instrument, captures: Sequence[CaptureResult]
) -> list[CaptureResult]:
    """Captures of the instrument's own sensor, whichever instrument took them."""
    return [one for one in captures if bench.object(one.capture.object).sensor_of == instrument.id]


def hold(claim: Claim, seen: Seen) -> Held | None:
    """A claim on the sensor's pixels, pitch or width; None where no photo of its die tells."""
    kind = CLAIM_KINDS[claim.kind]
    found = _best(seen.dies, kind.finding, kind.unit)
    if found is None or claim.value is None:
        return None
    value, capture = found
    decision = decide(value, claim.value, claim)
    why = Statement("on the die", (capture,), (value,))
    return by_decision(claim, decision, why, value, None, _count(seen.dies))


def refute(claim: Claim, seen: Seen) -> Held | None:
    """A claim on the pixels of photos or clips that the sensor is too small to keep; else None: a
    large sensor proves nothing."""
    if claim.value is None or claim.sense != "at least":
        return None
    found = _best(seen.dies, "array_megapixels", "MP")
    if found is None:
        return None
    value, capture = found
    decision = decide(value, claim.value, claim)
    if decision.word != "not met":
        return None
    rule = f"{decision.rule} The value is the most that the sensor can deliver."
    why = Statement("sensor too small", (capture,), (value,))
    return Held("not met", why, rule, value, details=_count(seen.dies))


def _best(dies: Sequence[CaptureResult], key: str, unit: str) -> tuple[Quantity, str] | None:
    """The surest value of a finding in that unit, and the capture it stands on."""
    known = [
        (one.findings[key].quantity, one.capture.id)
        for one in dies
        if key in one.findings and one.findings[key].quantity.unit == unit
    ]
    return min(known, key=lambda pair: pair[0].relative, default=None)


def _count(dies: Sequence[CaptureResult]) -> tuple[Statement, ...]:
    columns, rows = _best(dies, "columns", "1"), _best(dies, "rows", "1")
    if columns is None or rows is None:
        return ()
    return (Statement("pixels of the die", (), (columns[0], rows[0])),)
