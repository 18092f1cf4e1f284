"""Magnification claims, held against every reading, the one that favours the seller most first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from glassay.bench.document.claims import CLAIM_KINDS
from glassay.bench.document.model import Claim
from glassay.bench.judging.by_finding import unseen_end
from glassay.bench.judging.decide import decide
from glassay.bench.judging.ends import end_of, stated_magnification
from glassay.bench.judging.held import Held, Seen, printed, untested
from glassay.bench.keeping.results import JudgedReading, SettingResult, Statement
from glassay.optics.limits import aperture_carried_by_pixels
from glassay.optics.readings import USEFUL_RANGE_PER_NA, Reading
from glassay.quantity import Quantity, combine

ZOOMED = (
    "on_display_magnification", "own_screen_magnification", "field_equivalent_magnification"
)  # fmt: skip
"""Readings in which digital zoom counts. The eye and the sensor see nothing of it."""


def hold(claim: Claim, seen: Seen) -> Held:
    """The claim under the reading that favours the seller most, in the best setting for it."""
    judged = judged_readings(claim, seen.settings)
    if not any(one.reading.basis == "measured" for one in judged):
        stated = stated_magnification(seen.instrument, end_of(claim) or "closest")
        if judged and claim.setting is not None:
            stated = judged[0].reading.value.value
        numbers = () if stated is None else (stated,)
        held = untested("takes", CLAIM_KINDS["magnification"].evidence, numbers=numbers)
        return replace(held, readings=judged)
    best = judged[0]
    if best.verdict != "met" and (place := unseen_end(seen.instrument, claim, seen.settings)):
        measured = next(one for one in judged if one.reading.basis == "measured")
        here = next(
            one.setting.title for one in seen.settings if one.setting.id == measured.setting
        )
        names = (*place, here, measured.reading.name)
        held = untested("end unseen", *names, numbers=(measured.counted,))
        return replace(held, readings=judged)
    setting = next(one for one in seen.settings if one.setting.id == best.setting)
    needed, display = _display_needed(claim, seen.settings)
    limit, origin = detail_limit(setting)
    decision = decide(best.counted, best.claimed, claim)
    details = (
        *printed(claim, decision),
        *_zoom(claim, best, setting),
        *_contradicted(judged),
        *display,
        *(_can_follow(claim, limit, origin) if limit is not None else ()),
    )
    return Held(
        best.verdict, _reached(claim, best, setting), decision.rule, best.counted,
        best.reading.name, best.setting, details, judged, needed, limit,
    )  # fmt: skip


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
    return JudgedReading(reading, one.setting.id, zoom, counted, claimed, word)


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


def _contradicted(judged: Sequence[JudgedReading]) -> list[Statement]:
    best = {one.reading.key: one for one in judged}
    seen = best.get("visual_magnification_measured")
    return [
        Statement("factors against field", (), (one.reading.value, seen.reading.value))
        for one in judged
        if seen is not None and _is_contradicted(one, best)
    ]


def _reached(claim: Claim, best: JudgedReading, setting: SettingResult) -> Statement:
    """The reading with its name, the digital zoom in it, and the eyepiece view of the same field."""
    equivalent = setting.reading("field_equivalent_magnification")
    same = () if equivalent is None or equivalent.key == best.reading.key else (equivalent.value,)
    kind = {"at least": "reaches", "at most": "goes down to", "equal": "gives"}[claim.sense]
    return Statement(kind, (best.reading.name,), (best.counted, best.zoom, *same))


def _zoom(claim: Claim, best: JudgedReading, setting: SettingResult) -> list[Statement]:
    if claim.digital_zoom != 1 and claim.value is not None:
        without = claim.value / claim.digital_zoom
        plain = best.counted.scaled(1 / best.zoom / setting.setting.digital_zoom, "1")
        if best.reading.key not in ZOOMED:
            plain = best.counted
        word = decide(plain, without, claim).word
        return [Statement("without zoom", (word,), (claim.digital_zoom, without, plain))]
    if setting.setting.digital_zoom != 1 and best.reading.key in ZOOMED:
        plain = best.counted.scaled(1 / setting.setting.digital_zoom, "1")
        return [Statement("zoom of the setting", (), (setting.setting.digital_zoom, plain))]
    return []


def _display_needed(
    claim: Claim, settings: Sequence[SettingResult]
) -> tuple[Quantity | None, tuple[Statement, ...]]:
    """Width of the displayed picture that would make the claim true, M x field width, in mm."""
    shown = [
        (one, one.findings["field_width"].quantity)
        for one in settings
        if "field_width" in one.findings and not one.setting.through_eyepiece
    ]
    if not shown or claim.value is None or claim.sense == "at most":
        return None, ()
    one, width = min(shown, key=lambda pair: pair[1].value)
    zoom = max(1.0, claim.digital_zoom / one.setting.digital_zoom)
    needed = combine(lambda w: claim.value * w / zoom / 1000, (width,), "mm")
    return needed, (Statement("display needed", (), (needed, claim.value, width, zoom)),)


def detail_limit(one: SettingResult) -> tuple[Quantity | None, Statement]:
    """Magnification beyond which no further detail can appear, 1000 NA, and where it comes from.

    The aperture is the smaller of what is stated and what the pixels can carry (a bound: wavelength
    / (4 x pixel size)). None when neither is known.
    """
    chain = one.setting.chain
    apertures: list[tuple[Quantity, Statement]] = []
    if chain.numerical_aperture is not None:
        stated = chain.numerical_aperture
        apertures.append((Quantity(stated, "1"), Statement("stated aperture", (), (stated,))))
    pixel = one.pixel
    if pixel is not None and not one.setting.through_eyepiece:
        size = pixel.quantity
        carried = aperture_carried_by_pixels(chain.wavelength_um, size.value)
        bound = combine(lambda p: chain.wavelength_um / (4 * p), (size,), "1")
        apertures.append((bound, Statement("aperture of the pixels", (), (size, carried))))
    if not apertures:
        return None, Statement("no aperture")
    aperture, origin = min(apertures, key=lambda pair: pair[0].value)
    return aperture.scaled(USEFUL_RANGE_PER_NA[1], "1"), origin


def _can_follow(claim: Claim, limit: Quantity, origin: Statement) -> tuple[Statement, ...]:
    if claim.value is None or claim.is_low_end:
        return ()
    kind = "detail ends" if claim.value > limit.value else "detail could follow"
    return (Statement(kind, (origin.kind,), (limit, *origin.numbers)),)
