"""The answer in plain sentences: for the whole bench, and one to quote for each instrument."""

from __future__ import annotations

from glassay.bench.document.model import Claim, Instrument
from glassay.bench.judging.decide import figure_of
from glassay.bench.keeping.results import (
    BenchResults,
    Cell,
    Column,
    SettingResult,
    VerdictWord,
)
from glassay.bench.saying.contradictions import said
from glassay.bench.saying.words import listed, say, say_length, say_times
from glassay.bench.table.comparison import best_rows
from glassay.quantity import Quantity, combine
from glassay.report.picks import furthest_off

COUNTED: tuple[VerdictWord, ...] = ("met", "not met", "undecided", "untested")


def headline(results: BenchResults) -> tuple[str, ...]:
    """What the comparison comes to, the most asked first."""
    if not results.bench.instruments:
        return ("There are no instruments on this bench yet.",)
    if not any(one.status == "measured" for one in results.captures):
        nothing = "Nothing is measured yet: no capture on this bench gave a number."
        return (*_contradictions(results), nothing)
    found = (_claims(results), _closest(results), _finest(results), _furthest_off(results))
    sentences = (*_contradictions(results), *found)
    return tuple(sentence for sentence in sentences if sentence)


def _contradictions(results: BenchResults) -> tuple[str, ...]:
    return tuple(f"{said(one, results.bench)}." for one in results.doubts)


def _claims(results: BenchResults) -> str:
    words = [verdict.word for verdict in results.verdicts]
    if not words:
        return ""
    counts = [
        f"{n} {'is' if n == 1 else 'are'} {word}" for word in COUNTED if (n := words.count(word))
    ]
    noun = "claim" if len(words) == 1 else "claims"
    return f"Of {len(words)} {noun} by sellers, {listed(counts)}."


def _best(results: BenchResults, column_id: str) -> tuple[list[str], Cell | None]:
    table = results.comparison
    column = _column(results, column_id)
    known = [row for row in table.rows if row.cells[column_id].value is not None]
    if len(known) == 1:
        return [known[0].title], known[0].cells[column_id]
    ids = best_rows(table, column)
    rows = [row for row in table.rows if row.id in ids]
    return [row.title for row in rows], rows[0].cells[column_id] if rows else None


def _column(results: BenchResults, column_id: str) -> Column:
    return next(column for column in results.comparison.columns if column.id == column_id)


def _closest(results: BenchResults) -> str:
    """Who looks closest, of the settings in which chips can be looked at."""
    known = [
        (one, one.seen_width, equivalent.value)
        for instrument in results.bench.instruments
        if (one := closest_setting(results, instrument)) is not None and one.seen_width is not None
        and (equivalent := one.reading("field_equivalent_magnification")) is not None
    ]  # fmt: skip
    if not known:
        return ""
    best, width, value = max(known, key=lambda pair: pair[2].value)
    level = [best]
    for one, _, other in known:
        gap = combine(lambda a, b: a - b, (value, other), "1")
        if one is not best and abs(gap.value) <= gap.expanded:
            level.append(one)
    if len(level) > 1:
        names = listed([one.instrument.title for one in level])
        return f"{names} look equally close, as far as their uncertainties tell."
    return (
        f"{best.instrument.title} looks closest: it shows a field {say_length(width)} wide, as an"
        f" eyepiece view of {say_times(value)} does{_not_counted(results)}."
    )


def _not_counted(results: BenchResults) -> str:
    """Closer settings that no chip can be looked at in, in words."""
    closer = [
        f"{one.instrument.title} in {one.setting.title}"
        for one in results.settings
        if not one.setting.for_chips and one.seen_width is not None
    ]
    return f" ({listed(closer)} not counted: not for chips)" if closer else ""


def _finest(results: BenchResults) -> str:
    names, cell = _best(results, "pixel_size")
    if cell is None or len(results.comparison.rows) < 2:
        return ""
    if len(names) > 1:
        return f"The finest pixels at the object are those of {listed(names)}."
    assert isinstance(cell.value, Quantity)
    size = say(cell.value, " um")
    return f"The finest pixels at the object are those of {names[0]}: {size} each."


def _furthest_off(results: BenchResults) -> str:
    """The claim that is missed by the largest factor, as it is said everywhere."""
    worst = furthest_off(results)
    return f"Furthest from the truth is {worst}" if worst else ""


# ---- one sentence for each instrument ------------------------------------------------------------


def quote(results: BenchResults, instrument: Instrument) -> str:
    """One plain sentence that a reader can quote."""
    one = closest_setting(results, instrument)
    claim = _highest_claim(instrument)
    if one is None:
        measured = any(c.status == "measured" for c in results.captures
                       if c.capture.instrument == instrument.id)  # fmt: skip
        what = "no field was measured" if measured else "nothing was measured"
        said = f"{figure_of(claim)} is claimed ({claim.where}), but {what}" if claim else what
        return f"{instrument.title}: {said} with it."
    said = f"{figure_of(claim)} is claimed ({claim.where}); " if claim else ""
    seen = ", and ".join(_seen(results, one))
    chips = "" if all(setting.for_chips for setting in instrument.settings) else " for chips"
    return f"{instrument.title}: {said}in its closest setting{chips} {seen}."


def closest_setting(results: BenchResults, instrument: Instrument) -> SettingResult | None:
    """The measured setting with the narrowest field in which chips can be looked at, or None."""
    measured = [
        one
        for one in results.settings_of(instrument.id)
        if one.seen_width is not None and one.setting.for_chips and not results.is_doubtful(one)
    ]
    return min(measured, key=lambda one: one.seen_width.value if one.seen_width else 0.0,
               default=None)  # fmt: skip


def _highest_claim(instrument: Instrument) -> Claim | None:
    stated = [
        claim
        for claim in instrument.claims
        if claim.kind == "magnification" and claim.value and not claim.is_low_end
    ]
    return max(stated, key=lambda claim: claim.value or 0, default=None)


def _seen(results: BenchResults, one: SettingResult) -> list[str]:
    parts = []
    display = one.reading("on_display_magnification")
    own = one.reading("own_screen_magnification")
    by_field = one.reading("visual_magnification_measured")
    if display is not None:
        parts.append(f"it gives {say_times(display.value)} {display.name}")
    elif own is not None:
        parts.append(f"it gives {say_times(own.value)} on its own screen")
    elif by_field is not None:
        parts.append(f"it gives {say_times(by_field.value)} to the eye, judged by the field seen")
    width = one.seen_width
    equivalent = one.reading("field_equivalent_magnification")
    if width is not None and equivalent is not None:
        parts.append(
            f"it shows a field {say_length(width)} wide, the same as an eyepiece view of"
            f" {say_times(equivalent.value)}"
        )
    return parts
