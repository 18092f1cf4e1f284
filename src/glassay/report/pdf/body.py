"""The chapters of the printed report: comparison, needs, magnification, every instrument."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import KeepTogether, Spacer, Table

from glassay.bench.document.model import Instrument
from glassay.bench.document.teardown import CAUTIONS
from glassay.bench.judging.decide import RULE
from glassay.bench.judging.needs import RULE as NEEDS_RULE
from glassay.bench.judging.needs import answer_needs
from glassay.bench.keeping.results import CaptureResult, SettingResult, Verdict
from glassay.bench.planning.shots import kinds_used, open_shots, said
from glassay.bench.saying.finding_names import name_of
from glassay.bench.saying.words import say, say_length, say_times
from glassay.finding import Finding
from glassay.optics.readings import without_repeats
from glassay.quantity import Quantity
from glassay.report.answer import quote
from glassay.report.instrument.claims import numbers_of_rule, title_of
from glassay.report.instrument.measured import budget, hidden_of
from glassay.report.numbers import SIGNS, sentence
from glassay.report.parts import Report
from glassay.report.pdf.by_eye import whose_view
from glassay.report.pdf.figures import draw
from glassay.report.pdf.lanes import Lanes, Legend
from glassay.report.pdf.plate import same_chip
from glassay.report.pdf.style import (
    BODY,
    HEADS,
    LARGE,
    SMALL,
    WIDTH,
    clean,
    heading,
    marked,
    table,
    text,
)
from glassay.report.pdf.summary import comparison_tables, needs_table
from glassay.report.sections import magnification
from glassay.report.sections.comparison import shown_columns


def body(report: Report) -> Iterator[Any]:
    """Every chapter in turn."""
    yield from _comparison(report)
    yield from _needs(report)
    yield from _magnification(report)
    yield from whose_view(report)
    yield from same_chip(report)
    results = report.results
    if results.verdicts:
        yield text("How a verdict is reached", HEADS[2])
        yield text(sentence(RULE), SMALL)
    for instrument in results.bench.instruments:
        yield from _instrument(report, instrument)
    yield from _teardown(report)
    yield from _shots(report)


def _comparison(report: Report) -> Iterator[Any]:
    yield text("Comparison", HEADS[1])
    columns = shown_columns(report.results.comparison, report.columns)
    yield from comparison_tables(report, columns)
    for column in columns:
        yield marked(f"<b>{clean(column.title)}</b>: {clean(column.definition)}", SMALL)
    for note in report.results.comparison.notes:
        yield text(sentence(note), SMALL)


def _needs(report: Report) -> Iterator[Any]:
    needs = answer_needs(report.results)
    if not needs.answers:
        return
    yield text("What you need", HEADS[1])
    yield needs_table(report, needs)
    yield Spacer(0, 6)
    for words in needs.sensitivity:
        yield text(words)
    for need in report.results.bench.needs:
        if not need.is_judged:
            continue
        yield heading(need.statement, 3)
        for one in needs.ranking:
            answer = needs.answer(need.id, one.instrument)
            name = report.results.bench.instrument(one.instrument).title
            yield marked(f"{SIGNS[answer.word]} <b>{answer.word}</b>, {clean(name)}:"
                         f" {clean(answer.sentence)}", SMALL)  # fmt: skip
    yield text(sentence(NEEDS_RULE), SMALL)


def _magnification(report: Report) -> Iterator[Any]:
    filling = magnification.fill(report)
    if filling is None:
        return
    yield KeepTogether([
        text("Magnification, claimed and measured", HEADS[1]),
        text("Each row is one instrument, each mark one way to state its magnification, at its"
             " highest."),
        Lanes(filling["lanes"], filling["ticks"]),
        Legend(filling["legend"]),
    ])  # fmt: skip


# ---- instruments ---------------------------------------------------------------------------------


def _instrument(report: Report, instrument: Instrument) -> Iterator[Any]:
    results = report.results
    head = text(f"{report.letter(instrument.id)}  {instrument.title}", HEADS[1])
    yield KeepTogether([head, text(quote(results, instrument), LARGE)])
    if instrument.note:
        yield text(sentence(instrument.note))
    for one in instrument.observations:
        said_so = f"{one.what}: {one.value}" if one.value and one.value != one.what else one.what
        when = ", ".join(part for part in (one.at, one.date) if part)
        yield text(f"Noted: {said_so}" + (f" ({when})" if when else ""), SMALL)
    verdicts = results.verdicts_of(instrument.id)
    yield from _headed("Claims", [list(_verdict(instrument, one)) for one in verdicts])
    measured = [one for one in results.settings_of(instrument.id) if one.findings or one.readings]
    yield from _headed("Measured", [list(_setting(setting)) for setting in measured])
    captures = [one for one in results.captures if one.capture.instrument == instrument.id]
    shown = [_capture(report, instrument, one) for one in captures]
    rows = [_beside(shown[at : at + 2]) for at in range(0, len(shown), 2)]
    yield from _headed("Captures", [[row] for row in rows])


def _beside(captures: Sequence[list[Any]]) -> Table:
    """One or two captures next to each other."""
    cells = [*captures, *([[]] * (2 - len(captures)))]
    return Table([cells], colWidths=[WIDTH / 2] * 2, hAlign="LEFT", style=[
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3 * mm), ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
        ("FONTNAME", (0, 0), (-1, -1), "Text"),  # or else a face that is not embedded is named
    ])  # fmt: skip


def _headed(title: str, groups: Sequence[list[Any]]) -> Iterator[Any]:
    """Groups that are not torn between pages, under a heading that stays with the first one."""
    for number, group in enumerate(groups):
        yield KeepTogether(group if number else [text(title, HEADS[2]), *group])


def _verdict(instrument: Instrument, verdict: Verdict) -> Iterator[Any]:
    claim = verdict.claim
    yield marked(
        f"<b>{SIGNS[verdict.word]} {verdict.word}</b>: {clean(title_of(verdict))}"
        f" <i>({clean(claim.where)})</i>"
    )
    yield text(sentence(verdict.sentence))
    if verdict.readings:
        rows = [["reading", "setting", "it gives", "verdict"]]
        rows += [
            [f"{one.reading.name} ({one.reading.definition})",
             instrument.setting(one.setting).title,
             say_times(one.counted), f"{SIGNS[one.verdict]} {one.verdict}"]
            for one in verdict.readings
        ]  # fmt: skip
        yield table(rows, [WIDTH * 0.5, WIDTH * 0.16, WIDTH * 0.18, WIDTH * 0.16])
        yield Spacer(0, 3)
    for detail in verdict.details:
        yield text(sentence(detail), SMALL)
    numbers = numbers_of_rule(verdict)
    if numbers:
        yield text(numbers, SMALL)
    yield Spacer(0, 5)


def _setting(one: SettingResult) -> Iterator[Any]:
    yield heading(one.setting.title, 3)
    hidden = hidden_of(one)
    rows = [
        [name_of(key), in_words(finding)]
        for key, finding in one.findings.items()
        if key not in hidden
    ]
    rows += [[reading.name, say_times(reading.value)] for reading in without_repeats(one.readings)]
    if rows:
        yield table(rows, [WIDTH * 0.4, WIDTH * 0.35], head=False)
    main = next((one.findings[k].quantity for k in ("field_diameter", "pixel_size")
                 if k in one.findings and k not in hidden), None)  # fmt: skip
    if main is not None:
        lines = [f"{line.source} {_share(line.share)}" for line in budget(main)]
        if lines:
            yield text("Shares of the variance: " + ", ".join(lines) + ".", SMALL)
    if one.binding is not None:
        yield text(sentence(one.binding.sentence))
    for note in one.notes:
        yield text(sentence(note), SMALL)


def _share(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.005 else "below 1 %"


def in_words(finding: Finding) -> str:
    """A finding in the unit that reads best."""
    value = finding.value
    if not isinstance(value, Quantity):
        return ("yes" if value else "no") if isinstance(value, bool) else str(value)
    if value.unit == "um":
        return say_length(value)
    return say(value, "" if value.unit == "1" else f" {value.unit}")


def _capture(report: Report, instrument: Instrument, one: CaptureResult) -> list[Any]:
    results = report.results
    setting = instrument.setting(one.capture.setting).title
    thing = results.bench.object(one.capture.object)
    parts: list[Any] = [heading(f"{thing.name or thing.kind}, {setting}", 3)]
    drawn = draw(results, one)
    if drawn.picture is not None:
        parts += [drawn.picture, Spacer(0, 3)]
    if drawn.missing:
        parts.append(text(drawn.missing, SMALL))
    parts += [text(sentence(caption), SMALL) for caption in drawn.captions]
    if one.status != "measured":
        parts.append(text(sentence(f"{one.status}: {one.reason}"), BODY))
    parts.append(text(", ".join(one.capture.files), SMALL))
    return parts


def _teardown(report: Report) -> Iterator[Any]:
    opened = [one for one in report.results.bench.instruments if one.teardown]
    if not opened:
        return
    yield text("Opened", HEADS[1])
    yield text("Before you open anything", HEADS[3])
    for caution in CAUTIONS:
        yield text(f"• {caution}")
    for instrument in opened:
        yield heading(instrument.title, 2)
        rows = [["part", "package", "marking, as read", "note"]]
        rows += [[part.part, part.package, part.marking, " ".join(filter(None, (part.note, part.date)))]
                 for part in instrument.teardown]  # fmt: skip
        yield table(rows, [WIDTH * share for share in (0.22, 0.22, 0.26, 0.3)])


def _shots(report: Report) -> Iterator[Any]:
    shots = open_shots(report.results)
    if not shots:
        return
    names = {one.id: one.title for one in report.results.bench.instruments}
    yield text("Still to be photographed", HEADS[1])
    for number, shot in enumerate(shots, 1):
        yield text(f"☐ {number}. {said(shot, names)}. Settles {'; '.join(shot.settles)}.")
    for kind in kinds_used(shots):
        yield heading(kind.title, 3)
        for line in kind.how:
            yield text(f"• {line}", SMALL)
