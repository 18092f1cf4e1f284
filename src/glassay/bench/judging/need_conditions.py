"""Each condition of a need, answered for one instrument from what was measured or is stated."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from glassay.bench.document.model import Instrument, Money, Need
from glassay.bench.document.observed import noted_numbers
from glassay.bench.judging.decide import NAMED_RATE
from glassay.bench.judging.hold_line import SAME_AGAIN, Word, hold_line, keeps
from glassay.bench.judging.need_answers import ORDER, Condition
from glassay.bench.keeping.results import BenchResults, CaptureResult, SettingResult
from glassay.bench.measuring.clip_rates import surest_rate
from glassay.bench.saying.words import listed, say, say_length
from glassay.quantity import Quantity


def best_setting(
    need: Need, instrument: Instrument, results: BenchResults
) -> tuple[str | None, tuple[Condition, ...]]:
    """Detail and field in the setting that answers best."""
    if need.detail_um is None and need.field_um is None:
        return None, ()
    captures = [c for c in results.captures if c.capture.instrument == instrument.id]
    mine = results.settings_of(instrument.id)
    tried = [
        (one, tuple(_in_setting(need, one, captures))) for one in mine if one.setting.for_chips
    ]
    left_out = _left_out(mine)
    if not tried:
        return None, _nothing_tried(need, instrument, left_out)

    def quality(pair: tuple[SettingResult, tuple[Condition, ...]]) -> tuple[float, ...]:
        one, conditions = pair
        ranks = [ORDER.index(c.word) for c in conditions]
        # Among equals the number with most to spare, then the closest view: there detail is likeliest.
        closest = -one.seen_width.value if one.seen_width is not None else -math.inf
        return min(ranks), sum(ranks), sum(_spare(c) for c in conditions), closest

    best, conditions = max(tried, key=quality)
    doubtful = [one for one, _ in tried if results.is_doubtful(one)]
    gone = _of_missing(instrument, results)
    if doubtful or gone:
        # Sound settings may still say yes; that none of them does says nothing of the others.
        tried = [(one, held) for one, held in tried if one not in doubtful]
        best, conditions = max(tried, key=quality) if tried else (best, conditions)
        if not tried or any(c.word != "yes" for c in conditions):
            return None, _in_doubt(conditions, doubtful, gone)
    if left_out and conditions:
        first = replace(conditions[0], sentence=f"{conditions[0].sentence}; {left_out}")
        conditions = (first, *conditions[1:])
    return best.setting.id, conditions


def _in_doubt(
    conditions: Sequence[Condition], doubtful: Sequence[SettingResult], gone: Sequence[str]
) -> tuple[Condition, ...]:
    names = listed([one.setting.title for one in doubtful if one.setting.title not in gone])
    reasons = [f"what was measured in setting {names} contradicts itself"] if names else []
    reasons += [f"captures of setting {listed(list(gone))} are missing"] if gone else []
    return tuple(
        Condition(c.kind, "not shown", "; ".join(reasons), limit=c.limit,
                  shoot="the contradiction resolved first")
        for c in conditions
    )  # fmt: skip


def _of_missing(instrument: Instrument, results: BenchResults) -> list[str]:
    """Titles of the instrument's settings of which a capture is listed and gone."""
    mine = [one.capture for one in results.bench.missing if one.capture.instrument == instrument.id]
    return [instrument.setting(one).title for one in dict.fromkeys(c.setting for c in mine)]


def _left_out(mine: Sequence[SettingResult]) -> str:
    names = [one.setting.title for one in mine if not one.setting.for_chips]
    return f"{listed(names)} does not count: not for chips" if names else ""


def _nothing_tried(need: Need, instrument: Instrument, left_out: str) -> tuple[Condition, ...]:
    wanted = [("detail", need.detail_um), ("field", need.field_um)]
    kinds = [kind for kind, what in wanted if what]
    if not any(setting.for_chips for setting in instrument.settings):
        return tuple(Condition(kind, "no", "none of its settings is for chips") for kind in kinds)
    nothing = f"nothing was measured with {instrument.title}"
    if left_out:
        nothing += f" in a setting for chips; {left_out}"
    shoot = "a photo of a ruled scale"
    return tuple(Condition(kind, "not shown", nothing, shoot=shoot) for kind in kinds)


def _spare(condition: Condition) -> float:
    """How generously the number keeps the need (bounded), to choose between equal settings."""
    if not isinstance(condition.value, Quantity) or not condition.limit:
        return -9.0
    ratio = condition.value.value / condition.limit
    return min(1 / ratio if condition.kind == "detail" else ratio, 9.0)


def _in_setting(
    need: Need, one: SettingResult, captures: Sequence[CaptureResult]
) -> Iterator[Condition]:
    if need.detail_um is not None:
        yield _detail(need, need.detail_um, one, captures)
    if need.field_um is not None:
        yield _field(need.field_um, one)


def _detail(
    need: Need, wanted_um: float, one: SettingResult, captures: Sequence[CaptureResult]
) -> Condition:
    at = f" at {need.contrast:.0%} contrast" if need.contrast is not None else ""
    where = f"in setting {one.setting.title}"
    held = hold_line(one, captures, wanted_um, need.contrast)
    capture = held.evidence.capture if held.evidence else None
    if held.evidence is None and held.line is not None:
        return Condition(
            "detail", "no", f"lines of {in_um(wanted_um)}{at} cannot be resolved {where}: {held.said}",
            held.line, wanted_um, one.setting.id,
            f"it could only be yes for lines of {say_length(held.line)} and wider",
        )  # fmt: skip
    if held.line is None:
        return Condition(
            "detail", "not shown",
            f"pixels and aperture do not forbid lines of {in_um(wanted_um)}{at} {where}, but"
            f" {held.said}", limit=wanted_um, setting=one.setting.id, shoot=held.shoot,
        )  # fmt: skip
    if held.word == "no" and one.setting.through_eyepiece:
        # What the phone's photo lost, the eye may still see.
        return Condition(
            "detail", "not shown",
            f"the phone's photo {where} shows lines of {say_length(held.line)}"
            f" ({held.evidence.how if held.evidence else ''}); the eye may see more",
            held.line, wanted_um, one.setting.id, shoot="a finer photo through the eyepiece",
            capture=capture,
        )  # fmt: skip
    return Condition(
        "detail", held.word, f"{where}, {held.said}" if held.is_unseen else f"{held.said} {where}",
        held.line, wanted_um, one.setting.id,
        "" if held.is_unseen else f"the answer turns at lines of {say_length(held.line)}",
        held.shoot, capture,
    )  # fmt: skip


def _field(wanted_um: tuple[float, float], one: SettingResult) -> Condition:
    long, short = wanted_um
    name = in_um(long) if not short else f"{in_um(long)} x {in_um(short)}"
    where = f"in setting {one.setting.title}"
    diameter = one.findings.get("field_diameter")
    width, height = one.findings.get("field_width"), one.findings.get("field_height")
    if diameter is not None:
        needed = (long**2 + short**2) ** 0.5
        seen = diameter.quantity
        word = keeps(seen, needed, "at least")
        text = f"the round field is {say_length(seen)} across {where}"
        turns = f"the answer turns at a diagonal of {say_length(seen)}"
        return Condition("field", word, text, seen, needed, one.setting.id, turns, _more(word))
    if width is None or height is None:
        return Condition("field", "not shown", f"the field was not measured {where}",
                         limit=long, setting=one.setting.id,
                         shoot="a photo of a ruled scale")  # fmt: skip
    if one.setting.through_eyepiece:
        return Condition("field", "not shown",
                         f"the photo {where} shows the phone's frame, not the whole round field",
                         limit=long, setting=one.setting.id,
                         shoot="a photo of a ruled scale with the whole round field")  # fmt: skip
    sides = sorted((width.quantity, height.quantity), key=lambda q: -q.value)
    # The side that falls short first decides; a field may be turned to fit.
    seen, needed = min(
        ((side, want) for side, want in zip(sides, (long, short), strict=True) if want),
        key=lambda pair: pair[0].value / pair[1],
    )
    word = keeps(seen, needed, "at least")
    text = f"the field is {say_length(sides[0])} x {say_length(sides[1])} {where}"
    turns = f"for {name}, the answer turns where {in_um(needed)} becomes {say_length(seen)}"
    return Condition("field", word, text, seen, needed, one.setting.id, turns, _more(word))


def fixed_conditions(
    need: Need, instrument: Instrument, results: BenchResults
) -> Iterator[Condition]:
    if need.clearance_um is not None:
        yield _clearance(need.clearance_um, instrument)
    if need.rate_per_s is not None:
        yield _rate(need.rate_per_s, instrument, results)
    if need.budget is not None:
        yield _budget(need.budget, instrument)
    if need.power:
        yield _power(need.power, instrument)
    if need.standalone is not None:
        yield _standalone(need.standalone, instrument)


def _clearance(wanted_um: float, instrument: Instrument) -> Condition:
    noted = noted_numbers(instrument, "working distance")
    if noted.at_odds is not None:
        ways = " and ".join(f"{say_length(one)} ({where})" for one, where in noted.at_odds)
        return Condition(
            "clearance",
            "not shown",
            f"its clearance is noted as {ways}",
            limit=wanted_um,
            shoot="a note of the clearance, measured anew and dated",
        )
    if not noted.counting:
        return Condition("clearance", "not shown", "its clearance is not noted", limit=wanted_um,
                         shoot="a note of the clearance, measured with a ruler")  # fmt: skip
    value, where = max(noted.counting, key=lambda pair: pair[0].value)
    word = keeps(value, wanted_um, "at least")
    return Condition("clearance", word, f"{say_length(value)} of clearance ({where})", value,
                     wanted_um, None, f"the answer turns at {say_length(value)}",
                     _more(word))  # fmt: skip


def _rate(wanted: float, instrument: Instrument, results: BenchResults) -> Condition:
    found = surest_rate(
        [one for one in results.captures if one.capture.instrument == instrument.id]
    )
    if found is None:
        return Condition("rate", "not shown", "no clip was measured", limit=wanted,
                         shoot="a clip with something moving in it")  # fmt: skip
    value, one = found
    word = keeps(value, wanted * (1 - NAMED_RATE), "at least")
    text = f"{say(value)} different pictures a second are delivered"
    if word == "no" and _of_missing(instrument, results):
        word, text = "not shown", f"{text}; other captures are missing"
    return Condition("rate", word, text, value, wanted, None,
                     f"the answer turns at {say(value)} a second", _more(word),
                     one.capture.id)  # fmt: skip


def _budget(budget: Money, instrument: Instrument) -> Condition:
    """Everything that must be bought counts; an eyepiece needs a camera to take pictures with."""
    price, total = instrument.price, instrument.price.total
    if total is None or total.currency != budget.currency:
        why = "its price is not stated" if total is None else f"its price is in {total.currency}"
        return Condition("budget", "not shown", why, shoot="a note of the price")
    parts = [f"camera {price.camera}"] if price.camera else []
    parts += [f"{name} {money}" for name, money in price.also]
    with_ = f" ({listed(parts)} included)" if parts else ""
    text = f"{total}{with_}"
    lacks = price.camera is None and all(s.through_eyepiece for s in instrument.settings)
    if total.amount > budget.amount:
        return Condition("budget", "no", text, total, budget.amount,
                         turns=f"the answer turns at {total}")  # fmt: skip
    if lacks:
        return Condition(
            "budget", "not shown",
            f"{text}, but what a camera for it costs is not stated (0 when none is needed)", total,
            budget.amount, shoot="a note of the price of a camera",
        )  # fmt: skip
    return Condition("budget", "yes", text, total, budget.amount,
                     turns=f"the answer turns at {total}")  # fmt: skip


def _power(words: Sequence[str], instrument: Instrument) -> Condition:
    if not instrument.power:
        return Condition("power", "not shown", "its power supply is not noted",
                         shoot="a note of the power supply")  # fmt: skip
    has = [word for word in words if word.lower() in instrument.power.lower()]
    return Condition("power", "yes" if has else "no", f"power: {instrument.power}")


def _standalone(wanted: bool, instrument: Instrument) -> Condition:
    if instrument.standalone is None:
        return Condition("standalone", "not shown", "not noted whether it works alone",
                         shoot="a note whether it works without a computer or a phone")  # fmt: skip
    works = "works" if instrument.standalone else "does not work"
    met = instrument.standalone or not wanted
    return Condition("standalone", "yes" if met else "no",
                     f"{works} without a computer or a phone")  # fmt: skip


def _more(word: Word) -> str:
    return SAME_AGAIN if word == "not shown" else ""


def in_um(length_um: float) -> str:
    return say_length(Quantity(length_um, "um"))
