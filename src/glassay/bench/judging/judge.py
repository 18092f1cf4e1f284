"""Claims held against findings: for magnification under every reading, the most generous first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from glassay.bench.document.claims import CLAIM_KINDS, OTHER
from glassay.bench.document.model import Bench, Claim, Instrument, Observation
from glassay.bench.document.observed import NOTED_RULE, observed_values, settling
from glassay.bench.judging.decide import Decision, decide
from glassay.bench.judging.ends import end_of, missing_end, stated_magnification
from glassay.bench.judging.judge_clips import Held, hold_against_clips
from glassay.bench.judging.judge_lines import hold_against_lines
from glassay.bench.judging.judge_pixels import native_but_no_sensor, too_small_to_hold, why_not_told
from glassay.bench.keeping.results import (
    CaptureResult,
    Contradiction,
    JudgedReading,
    SettingResult,
    Verdict,
    VerdictWord,
)
from glassay.bench.measuring.sensor_die import (
    hold_against_die,
    of_its_sensor,
    refuted_by_die,
    through,
)
from glassay.bench.saying.contradictions import why_withheld
from glassay.bench.saying.words import listed, say, say_length, say_time, say_times, short
from glassay.optics.limits import aperture_carried_by_pixels
from glassay.optics.readings import USEFUL_RANGE_PER_NA, Reading
from glassay.quantity import Quantity, combine

ZOOMED = (
    "on_display_magnification", "own_screen_magnification", "field_equivalent_magnification"
)  # fmt: skip
"""Readings in which digital zoom counts. The eye and the sensor see nothing of it."""


def judge(
    bench: Bench, settings: Sequence[SettingResult], captures: Sequence[CaptureResult]
) -> tuple[Verdict, ...]:
    """A verdict on every claim of the bench, in the order of `bench.toml`."""
    verdicts = []
    for instrument in bench.instruments:
        mine = [one for one in settings if one.instrument.id == instrument.id]
        seen = through(bench, instrument, captures)
        dies = of_its_sensor(bench, instrument, captures)
        for claim in instrument.claims:
            about = [one for one in mine if claim.setting in (None, one.setting.id)]
            if claim.kind == "magnification":
                verdicts.append(_judge_magnification(instrument, claim, about))
            else:
                shown = [one for one in seen if claim.setting in (None, one.capture.setting)]
                verdicts.append(_judge_plain(instrument, claim, about, shown, dies))
    return tuple(verdicts)


def withhold(
    bench: Bench,
    verdicts: Sequence[Verdict],
    without: Sequence[Verdict],
    contradictions: Sequence[Contradiction],
) -> tuple[Verdict, ...]:
    """The verdicts, undecided where they lean on a contradiction: where leaving out what it touches
    (`without`, in the same order) changes anything about them."""
    return tuple(
        verdict if verdict == other or verdict.word == "untested"
        else _withheld(bench, verdict, contradictions)
        for verdict, other in zip(verdicts, without, strict=True)
    )  # fmt: skip


def _withheld(bench: Bench, verdict: Verdict, contradictions: Sequence[Contradiction]) -> Verdict:
    mine = [one for one in contradictions if verdict.instrument in (i for i, _ in one.places)]
    reason = why_withheld((mine or list(contradictions))[0], bench)
    sentence = f"{_claimed(verdict.claim)} is undecided: {reason}."
    return Verdict(verdict.instrument, verdict.claim, "undecided", sentence, "")


def _untested(instrument: Instrument, claim: Claim, reason: str) -> Verdict:
    sentence = f"{_claimed(claim)} is untested: {reason}."
    return Verdict(instrument.id, claim, "untested", sentence, "")


def _claimed(claim: Claim) -> str:
    """The claim as a reader would quote it: value, kind and place."""
    text = f"the low end of {claim.text}" if claim.is_low_end else claim.text
    kind = "" if claim.kind in ("magnification", OTHER) else f"{claim.kind} "
    return f"{kind}{text} ({claim.where})"


# ---- claims of one number ------------------------------------------------------------------------


@dataclass(frozen=True)
class _Candidate:
    value: Quantity
    where: str


def _judge_plain(
    instrument: Instrument,
    claim: Claim,
    settings: Sequence[SettingResult],
    captures: Sequence[CaptureResult],
    dies: Sequence[CaptureResult],
) -> Verdict:
    seen = settling(instrument, claim)
    if seen is not None:
        return _as_observed(instrument, claim, seen)
    if claim.kind == OTHER or claim.value is None:
        return _untested(instrument, claim, "it is in words, and no number settles it")
    held = hold_against_die(claim, dies) or refuted_by_die(claim, dies)
    held = held or hold_against_clips(instrument, claim, captures)
    if held is not None:
        return _as_held(instrument, claim, held)
    kind = CLAIM_KINDS[claim.kind]
    found = _candidates(kind.finding, settings, captures) if kind.finding else []
    if not found and kind.finding == "smallest_detail":
        lines = hold_against_lines(claim, settings, captures)
        if lines is not None:
            return _as_held(instrument, claim, lines)
    found = found or [
        _Candidate(value, where) for value, where in observed_values(instrument, claim.kind)
    ]
    if not found:
        return _without_finding(instrument, claim, captures)
    target = claim.value
    best = {
        "at least": max(found, key=lambda c: c.value.value),
        "at most": min(found, key=lambda c: c.value.value),
        "equal": min(found, key=lambda c: abs(c.value.value - target)),
    }[claim.sense]
    decision = decide(best.value, target, claim)
    noted = best.where.startswith("noted")
    if (
        decision.word != "met"
        and not noted
        and (unseen := _end_unseen(instrument, claim, settings))
    ):
        return _untested(
            instrument, claim, f"{unseen}; in setting {best.where} it is {_say(best.value)}"
        )
    place = f", {best.where}" if noted else f" in setting {best.where}"
    sentence = f"{_claimed(claim)} is {decision.word}: it is {_say(best.value)}{place}."
    return Verdict(
        instrument.id, claim, decision.word, sentence, decision.rule,
        value=best.value, value_name=claim.kind, setting=None if noted else best.where,
        details=_by_digits(claim, decision),
    )  # fmt: skip


def _by_digits(claim: Claim, decision: Decision) -> tuple[str, ...]:
    if not decision.by_digits:
        return ()
    return (f"Printed as {claim.text}, which stands for {decision.by_digits}.",)


def _as_held(instrument: Instrument, claim: Claim, held: Held) -> Verdict:
    if held.word == "untested":
        return _untested(instrument, claim, held.sentence)
    return Verdict(
        instrument.id, claim, held.word, f"{_claimed(claim)} is {held.word}: {held.sentence}.",
        held.rule, value=held.value, value_name=claim.kind, setting=held.setting,
        details=held.details,
    )  # fmt: skip


def _without_finding(
    instrument: Instrument, claim: Claim, captures: Sequence[CaptureResult]
) -> Verdict:
    small = too_small_to_hold(claim, captures)
    if small is not None:
        said, rule = small
        sentence = f"{_claimed(claim)} is not met: {said}."
        return Verdict(instrument.id, claim, "not met", sentence, rule)
    kind = CLAIM_KINDS[claim.kind]
    if kind.finding == "native_megapixels" and (why := why_not_told(captures)):
        return _untested(instrument, claim, why)
    if claim.kind == "sensor pixels" and (seen := native_but_no_sensor(captures)):
        return _untested(instrument, claim, seen)
    return _untested(instrument, claim, f"it takes {kind.evidence}")


def _as_observed(instrument: Instrument, claim: Claim, seen: Observation) -> Verdict:
    word: VerdictWord = "met" if seen.holds else "not met"
    said = f"{seen.what}: {seen.value}" if seen.value else seen.what
    date = f" (noted {seen.date})" if seen.date else ""
    sentence = f"{_claimed(claim)} is {word}, as observed: {said}{date}."
    return Verdict(instrument.id, claim, word, sentence, NOTED_RULE)


def _say(value: Quantity) -> str:
    if value.unit == "s":
        return say_time(value)
    return say_length(value) if value.unit == "um" else say(value, f" {value.unit}")


def _candidates(
    key: str, settings: Sequence[SettingResult], captures: Sequence[CaptureResult]
) -> list[_Candidate]:
    found = []
    averaged = set()
    for one in settings:
        name = key
        if one.setting.through_eyepiece:
            # The photo's own width and pixels are those of the phone; the round field is not.
            name = "field_diameter" if key in ("field_width", "field_diameter") else ""
        if name in one.findings:
            found.append(_Candidate(one.findings[name].quantity, one.setting.title))
        averaged |= set(one.findings)
    if key not in averaged and key not in ("field_width", "field_height", "pixel_size"):
        found += [
            _Candidate(one.findings[key].quantity, one.capture.setting)
            for one in captures
            if key in one.findings
        ]
    return found


# ---- magnification -------------------------------------------------------------------------------


def _judge_magnification(
    instrument: Instrument, claim: Claim, settings: Sequence[SettingResult]
) -> Verdict:
    judged = judged_readings(claim, settings)
    if not any(one.reading.basis == "measured" for one in judged):
        reason = f"it takes {CLAIM_KINDS['magnification'].evidence}"
        stated = stated_magnification(instrument, end_of(claim) or "closest")
        if judged and claim.setting is not None:
            stated = judged[0].reading.value.value
        if stated is not None:
            reason += f"; the stated factors alone multiply to {short(stated)}x"
        return replace(_untested(instrument, claim, reason), readings=judged)
    best = judged[0]
    if best.verdict != "met" and (unseen := _end_unseen(instrument, claim, settings)):
        measured = next(one for one in judged if one.reading.basis == "measured")
        reason = f"{unseen}; in setting {_title(measured, settings)}, the most generous reading is"
        reason += f" {say_times(measured.counted)}, {measured.reading.name}"
        return replace(_untested(instrument, claim, reason), readings=judged)
    setting = next(one for one in settings if one.setting.id == best.setting)
    needed, display = _display_needed(claim, settings)
    limit, detail = detail_limit(setting)
    decision = decide(best.counted, best.claimed, claim)
    details = [
        *_by_digits(claim, decision),
        *_zoom_words(claim, best, setting),
        *_contradictions(judged),
    ]
    details += [display] if display else []
    details += [_can_follow(claim, limit, detail)] if limit and not claim.is_low_end else []
    return Verdict(
        instrument.id, claim, best.verdict, _headline(claim, best, setting),
        decision.rule,
        value=best.counted, value_name=best.reading.name, setting=best.setting,
        readings=judged, display_width_needed=needed, detail_limit=limit, details=tuple(details),
    )  # fmt: skip


def _end_unseen(instrument: Instrument, claim: Claim, settings: Sequence[SettingResult]) -> str:
    """Why the end of the range that the claim is about is not known; "" when it is."""
    end = end_of(claim)
    missing = None if end is None else missing_end(instrument, settings, end)
    if missing is None:
        return ""
    what = "photo of a ruled scale"
    if any(one.setting.through_eyepiece for one in settings):
        what += " with its whole round field"
    return f"it takes a {what} {missing.where}"


def _title(judged: JudgedReading, settings: Sequence[SettingResult]) -> str:
    return next(one.setting.title for one in settings if one.setting.id == judged.setting)


def judged_readings(claim: Claim, settings: Sequence[SettingResult]) -> tuple[JudgedReading, ...]:
    """A magnification claim under every reading, each in its best setting, most generous first.

    Generous means nearest to keeping the claim: by the word first (a reading that surely keeps it
    comes before a higher one that is too uncertain to say), then the highest for "at least", the
    lowest for "at most". A stated visual magnification that the field seen contradicts comes last,
    and so does the magnification on the sensor for a low end, which it would always keep.
    """
    if claim.value is None:
        return ()
    unwanted = "visual_magnification_max" if claim.sense == "at most" else (
        "visual_magnification_min"
    )  # fmt: skip
    best: dict[str, JudgedReading] = {}
    for one in settings:
        for reading in one.readings:
            if reading.key == unwanted:
                continue
            judged = _judge_reading(claim, reading, one)
            rival = best.get(reading.key)
            if rival is None or _generosity(claim, judged) > _generosity(claim, rival):
                best[reading.key] = judged
    return tuple(
        sorted(
            best.values(),
            key=lambda judged: (
                _comes_last(claim, judged, best),
                _KINDEST.index(judged.verdict),
                -_generosity(claim, judged),
            ),
        )
    )


_KINDEST = ("met", "undecided", "not met", "untested")


def _generosity(claim: Claim, judged: JudgedReading) -> float:
    value = judged.counted.value
    if claim.sense == "equal":
        return -abs(value - judged.claimed)
    return value if claim.sense == "at least" else -value


def _judge_reading(claim: Claim, reading: Reading, one: SettingResult) -> JudgedReading:
    zoom = 1.0
    if reading.key in ZOOMED:  # what the setting's own digital zoom has not already given
        zoom = max(1.0, claim.digital_zoom / one.setting.digital_zoom)
    counted = reading.value.scaled(zoom, "1")
    claimed = claim.value or 0.0
    word = decide(counted, claimed, claim).word
    times = f", times {zoom:g} for the digital zoom that is claimed" if zoom != 1 else ""
    basis = ", from stated factors only" if reading.basis == "stated" else ""
    sentence = (
        f"{reading.name}: {say_times(counted)} in setting {one.setting.title}{times}{basis}"
        f" ({reading.definition}): {word}"
    )
    return JudgedReading(reading, one.setting.id, zoom, counted, claimed, word, sentence)


def _is_contradicted(judged: JudgedReading, best: dict[str, JudgedReading]) -> bool:
    """Whether a stated visual magnification is refuted by the field seen in that setting."""
    seen = best.get("visual_magnification_measured")
    if judged.reading.basis != "stated" or seen is None or seen.setting != judged.setting:
        return False
    return abs(judged.reading.value.value - seen.reading.value.value) > seen.reading.value.expanded


def _comes_last(claim: Claim, judged: JudgedReading, best: dict[str, JudgedReading]) -> bool:
    if claim.sense == "at most" and judged.reading.key == "on_sensor_magnification":
        return True
    return _is_contradicted(judged, best)


def _contradictions(judged: Sequence[JudgedReading]) -> list[str]:
    best = {one.reading.key: one for one in judged}
    seen = best.get("visual_magnification_measured")
    return [
        f"The stated factors multiply to {say_times(one.reading.value)}, but the field seen is that"
        f" of {say_times(seen.reading.value)}."
        for one in judged
        if seen is not None and _is_contradicted(one, best)
    ]


def _headline(claim: Claim, best: JudgedReading, setting: SettingResult) -> str:
    zoom = f" with {best.zoom:g}x digital zoom" if best.zoom != 1 else ""
    text = (
        f"{_claimed(claim)} is {best.verdict}: the most generous reading is"
        f" {say_times(best.counted)}{zoom}, {best.reading.name}"
    )
    equivalent = setting.reading("field_equivalent_magnification")
    if equivalent is not None and equivalent.key != best.reading.key:
        text += f"; it shows the same field as an eyepiece view of {say_times(equivalent.value)}"
    return text + "."


def _zoom_words(claim: Claim, best: JudgedReading, setting: SettingResult) -> list[str]:
    words = []
    if claim.digital_zoom != 1 and claim.value is not None:
        without = claim.value / claim.digital_zoom
        plain = best.counted.scaled(1 / best.zoom / setting.setting.digital_zoom, "1")
        if best.reading.key not in ZOOMED:
            plain = best.counted
        word = decide(plain, without, claim).word
        words.append(
            f"The claim counts {claim.digital_zoom:g}x digital zoom; without it, it says"
            f" {short(without)}x, and the microscope gives {say_times(plain)}: {word}."
            " Digital zoom adds no detail."
        )
    elif setting.setting.digital_zoom != 1 and best.reading.key in ZOOMED:
        plain = best.counted.scaled(1 / setting.setting.digital_zoom, "1")
        words.append(
            f"This includes {setting.setting.digital_zoom:g}x digital zoom of the setting, which"
            f" adds no detail; without it, it is {say_times(plain)}."
        )
    return words


def _display_needed(claim: Claim, settings: Sequence[SettingResult]) -> tuple[Quantity | None, str]:
    """Width of the displayed picture that would make the claim true, M x field width, in mm."""
    shown = [
        (one, one.findings["field_width"].quantity)
        for one in settings
        if "field_width" in one.findings and not one.setting.through_eyepiece
    ]
    if not shown or claim.value is None or claim.sense == "at most":
        return None, ""
    one, width = min(shown, key=lambda pair: pair[1].value)
    zoom = max(1.0, claim.digital_zoom / one.setting.digital_zoom)
    needed = combine(lambda w: claim.value * w / zoom / 1000, (width,), "mm")
    counted = f", divided by {zoom:g}x digital zoom" if zoom != 1 else ""
    return needed, (
        f"On a display the claim holds when the picture is {say_length(needed.scaled(1000, 'um'))}"
        f" wide ({short(claim.value)}x times the field width of {say_length(width)}{counted})."
    )


def detail_limit(one: SettingResult) -> tuple[Quantity | None, str]:
    """Magnification beyond which no further detail can appear, 1000 NA, and where it comes from.

    The aperture is the smallest of what is stated, what the pixels can carry (a bound: wavelength /
    (4 x pixel size)) and what a measured cut-off shows. None when none of them is known.
    """
    chain = one.setting.chain
    apertures: list[tuple[Quantity, str]] = []
    if chain.numerical_aperture is not None:
        stated = chain.numerical_aperture
        apertures.append((Quantity(stated, "1"), f"the stated aperture of {stated:g}"))
    pixel = one.findings.get("pixel_size")
    if pixel is not None and not one.setting.through_eyepiece:
        size = pixel.quantity
        carried = aperture_carried_by_pixels(chain.wavelength_um, size.value)
        bound = combine(lambda p: chain.wavelength_um / (4 * p), (size,), "1")
        apertures.append(
            (bound, f"pixels of {short(size.value)} um carry an aperture of {carried:.2g} at most")
        )
    if not apertures:
        return None, ""
    aperture, why = min(apertures, key=lambda pair: pair[0].value)
    return aperture.scaled(USEFUL_RANGE_PER_NA[1], "1"), why


def _can_follow(claim: Claim, limit: Quantity | None, why: str) -> str:
    if limit is None or claim.value is None:
        return ""
    if claim.value > limit.value:
        return (
            f"Detail cannot follow that far: it ends at {limit.value:.3g}x at the latest"
            f" (1000 x NA; {why}), and beyond that the picture only gets larger."
        )
    return f"Detail could follow that far: the limit is {limit.value:.3g}x (1000 x NA; {why})."


def tally(verdicts: Sequence[Verdict]) -> str:
    """How many claims are met and how many not: "1 met, 3 not met"."""
    words = [verdict.word for verdict in verdicts]
    counts = [
        f"{words.count(word)} {word}"
        for word in ("met", "not met", "undecided", "untested")
        if word in words
    ]
    return listed(counts).replace(" and ", ", ")
