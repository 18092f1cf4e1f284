"""Needs held against findings: yes, no or not shown, with what decides and what would change it.

Never one score: instruments are ranked by how many needs they meet, and every answer stands beside
its reason. A number counts as clear only outside its expanded uncertainty, as with claims.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from glassay.bench.document.model import Instrument, Money, Need
from glassay.bench.document.observed import observed_values
from glassay.bench.judging.decide import NAMED_RATE
from glassay.bench.judging.hold_line import SAME_AGAIN, Word, hold_line, keeps
from glassay.bench.keeping.plain import value_to_plain
from glassay.bench.keeping.results import BenchResults, CaptureResult, SettingResult
from glassay.bench.measuring.clip_rates import surest_rate
from glassay.bench.saying.words import listed, say, say_length
from glassay.quantity import Quantity

RULE = (
    "yes when the number keeps the need by its expanded uncertainty U (95 %) or more, no when it"
    " misses it by more than U, otherwise not shown; a need with several conditions takes all of"
    " them, detail and field in one setting"
)
_ORDER: tuple[Word, ...] = ("no", "not shown", "yes")


@dataclass(frozen=True)
class Condition:
    """One condition of a need, answered for one instrument.

    `value` decided it (None where nothing did) and `limit` is the need, in one unit. `turns` says
    which need would be answered otherwise; `shoot` what to photograph or note where it is not
    shown.
    """

    kind: str
    word: Word
    sentence: str
    value: Quantity | Money | None = None
    limit: float | None = None
    setting: str | None = None
    turns: str = ""
    shoot: str = ""
    capture: str | None = None


@dataclass(frozen=True)
class Answer:
    """One need, answered for one instrument."""

    need: Need
    instrument: str
    word: Word
    conditions: tuple[Condition, ...]
    setting: str | None = None

    @property
    def sentence(self) -> str:
        """What decides, to be quoted as it stands."""
        deciding = [c for c in self.conditions if c.word == self.word] or list(self.conditions)
        return "; ".join(c.sentence for c in deciding)


@dataclass(frozen=True)
class Rank:
    """One instrument's place. Instruments that meet as many needs and fail as many share one."""

    place: int
    instrument: str
    met: int
    failed: int
    open: int


@dataclass(frozen=True)
class Needs:
    """Every answer, the ranking, and what would change it."""

    answers: tuple[Answer, ...]
    ranking: tuple[Rank, ...]
    sensitivity: tuple[str, ...]
    in_words: tuple[Need, ...] = field(default=())
    """Needs of which nothing but words is stated; they are not judged."""
    without: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """Each judged need (id) with the instruments that would stand first if it were not asked."""

    def answer(self, need_id: str, instrument_id: str) -> Answer:
        """The answer to one need for one instrument. Raises KeyError for unknown ids."""
        return {(a.need.id, a.instrument): a for a in self.answers}[need_id, instrument_id]


def answer_needs(results: BenchResults) -> Needs:
    """Answer every judged need of the bench for every instrument."""
    judged = [need for need in results.bench.needs if need.is_judged]
    answers = tuple(
        _answer(need, instrument, results)
        for need in judged
        for instrument in results.bench.instruments
    )
    ranking = rank(answers, [instrument.id for instrument in results.bench.instruments])
    words = tuple(need for need in results.bench.needs if not need.is_judged)
    ids = [instrument.id for instrument in results.bench.instruments]
    without = tuple(
        (need.id, _first(rank([a for a in answers if a.need.id != need.id], ids)))
        for need in judged
    )
    return Needs(answers, ranking, _sensitivity(results, answers, ranking), words, without)


def rank(answers: Sequence[Answer], instruments: Sequence[str]) -> tuple[Rank, ...]:
    """Musts decide first: most met, then fewest failed; all needs likewise after them.

    Instruments that are equal in all four counts share a place.
    """
    if not answers:
        return ()
    counts: dict[str, tuple[int, int, int]] = {}
    standing: dict[str, tuple[int, ...]] = {}
    for instrument in instruments:
        mine = [a for a in answers if a.instrument == instrument]
        words = [a.word for a in mine]
        musts = [a.word for a in mine if a.need.must]
        counts[instrument] = (words.count("yes"), words.count("no"), words.count("not shown"))
        standing[instrument] = (-musts.count("yes"), musts.count("no"), -words.count("yes"),
                                words.count("no"))  # fmt: skip
    order = sorted(instruments, key=lambda i: standing[i])
    places: dict[tuple[int, ...], int] = {}
    for number, instrument in enumerate(order, 1):
        places.setdefault(standing[instrument], number)
    return tuple(Rank(places[standing[i]], i, *counts[i]) for i in order)


def _answer(need: Need, instrument: Instrument, results: BenchResults) -> Answer:
    fixed = list(_fixed(need, instrument, results))
    setting, placed = _best_setting(need, instrument, results)
    conditions = (*placed, *fixed)
    word = min((c.word for c in conditions), key=_ORDER.index)
    return Answer(need, instrument.id, word, conditions, setting)


# ---- conditions on a setting: detail and field ---------------------------------------------------


def _best_setting(
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
        ranks = [_ORDER.index(c.word) for c in conditions]
        # Among equals the number with most to spare, then the closest view: there detail is likeliest.
        closest = -one.seen_width.value if one.seen_width is not None else -math.inf
        return min(ranks), sum(ranks), sum(_spare(c) for c in conditions), closest

    best, conditions = max(tried, key=quality)
    doubtful = [one for one, _ in tried if results.is_doubtful(one)]
    if doubtful:
        # Sound settings may still say yes; that none of them does says nothing of the others.
        tried = [(one, held) for one, held in tried if one not in doubtful]
        best, conditions = max(tried, key=quality) if tried else (best, conditions)
        if not tried or any(c.word != "yes" for c in conditions):
            return None, _in_doubt(conditions, doubtful)
    if left_out and conditions:
        first = replace(conditions[0], sentence=f"{conditions[0].sentence}; {left_out}")
        conditions = (first, *conditions[1:])
    return best.setting.id, conditions


def _in_doubt(
    conditions: Sequence[Condition], doubtful: Sequence[SettingResult]
) -> tuple[Condition, ...]:
    names = listed([one.setting.title for one in doubtful])
    why = f"what was measured in setting {names} contradicts itself"
    return tuple(
        Condition(c.kind, "not shown", why, limit=c.limit, shoot="the contradiction resolved first")
        for c in conditions
    )


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
            "detail", "no", f"lines of {_um(wanted_um)}{at} cannot be resolved {where}: {held.said}",
            held.line, wanted_um, one.setting.id,
            f"it could only be yes for lines of {say_length(held.line)} and wider",
        )  # fmt: skip
    if held.line is None:
        return Condition(
            "detail", "not shown",
            f"pixels and aperture do not forbid lines of {_um(wanted_um)}{at} {where}, but"
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
    name = _um(long) if not short else f"{_um(long)} x {_um(short)}"
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
    turns = f"for {name}, the answer turns where {_um(needed)} becomes {say_length(seen)}"
    return Condition("field", word, text, seen, needed, one.setting.id, turns, _more(word))


# ---- conditions on the instrument ----------------------------------------------------------------


def _fixed(need: Need, instrument: Instrument, results: BenchResults) -> Iterator[Condition]:
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
    noted = observed_values(instrument, "working distance")
    if not noted:
        return Condition("clearance", "not shown", "its clearance is not noted", limit=wanted_um,
                         shoot="a note of the clearance, measured with a ruler")  # fmt: skip
    value, where = max(noted, key=lambda pair: pair[0].value)
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


# ---- rule and words ------------------------------------------------------------------------------


def _more(word: Word) -> str:
    return SAME_AGAIN if word == "not shown" else ""


def _um(length_um: float) -> str:
    return say_length(Quantity(length_um, "um"))


# ---- what would change the ranking ---------------------------------------------------------------


def _sensitivity(
    results: BenchResults, answers: Sequence[Answer], ranking: Sequence[Rank]
) -> tuple[str, ...]:
    if len(ranking) < 2:
        return ()
    ids = [one.id for one in results.bench.instruments]
    names = {one.id: one.title for one in results.bench.instruments}
    now = _first(ranking)
    sentences = []
    needs = list(dict.fromkeys(answer.need.id for answer in answers))
    for need_id in needs:
        without = _first(rank([a for a in answers if a.need.id != need_id], ids))
        if without and without != now:
            sentences.append(f"Without the need {need_id!r}, {_stand(without, names)} first.")
    for answer in answers:
        if answer.word == "yes":
            continue
        if answer.word == "no" and not _gradual(answer):
            continue
        changed = _first(rank([_as_yes(a) if a is answer else a for a in answers], ids))
        if changed == now:
            continue
        sentences.append(f"{_if_met(answer, names)}, {_stand(changed, names)} first.")
    return tuple(sentences) or ("No single answer or need changes who stands first.",)


def _first(ranking: Sequence[Rank]) -> tuple[str, ...]:
    return tuple(sorted(one.instrument for one in ranking if one.place == 1))


def _stand(ids: Sequence[str], names: dict[str, str]) -> str:
    return listed([names[i] for i in ids]) + (" stands" if len(ids) == 1 else " stand")


def _as_yes(answer: Answer) -> Answer:
    return Answer(answer.need, answer.instrument, "yes", answer.conditions, answer.setting)


def _gradual(answer: Answer) -> bool:
    """Whether everything that fails is a number, so that a milder need would be met."""
    return all(c.value is not None for c in answer.conditions if c.word == "no")


def _if_met(answer: Answer, names: dict[str, str]) -> str:
    name = names[answer.instrument]
    if answer.word == "not shown":
        shoot = listed([c.shoot for c in answer.conditions if c.word == "not shown" and c.shoot])
        return f"If {name} turned out to meet {answer.need.id!r} (it takes {shoot})"
    milder = [_milder(c) for c in answer.conditions if c.word == "no"]
    return f"If {answer.need.id!r} asked only for {listed(milder)}, which {name} meets"


def _milder(condition: Condition) -> str:
    """The strictest need that the number keeps with its whole uncertainty."""
    value = condition.value
    if isinstance(value, Money):
        return f"at most {value}"
    assert value is not None
    if condition.kind == "detail":
        return f"lines of {_um(value.value + value.expanded)}"
    kept = value.value - value.expanded
    if condition.kind == "rate":
        return f"{kept:.3g} frames a second"
    return f"{_um(kept)} of {condition.kind}"


# ---- as data -------------------------------------------------------------------------------------


def needs_as_json(needs: Needs) -> dict[str, Any]:
    """Answers, ranking and sensitivity as plain data; docs/json.md describes it."""
    return {
        "rule": RULE,
        "answers": [
            {
                "need": answer.need.id, "statement": answer.need.statement,
                "must": answer.need.must,
                "instrument": answer.instrument, "answer": answer.word,
                "setting": answer.setting, "sentence": answer.sentence,
                "conditions": [_condition_json(one) for one in answer.conditions],
            }
            for answer in needs.answers
        ],
        "ranking": [
            {"place": one.place, "instrument": one.instrument, "yes": one.met, "no": one.failed,
             "not_shown": one.open}
            for one in needs.ranking
        ],
        "sensitivity": list(needs.sensitivity),
        "without": {need: list(first) for need, first in needs.without},
        "in_words_only": [need.id for need in needs.in_words],
    }  # fmt: skip


def _condition_json(one: Condition) -> dict[str, Any]:
    return {
        "kind": one.kind, "answer": one.word, "sentence": one.sentence,
        "value": value_to_plain(one.value), "limit": one.limit, "setting": one.setting,
        "turns": one.turns, "shoot": one.shoot, "capture": one.capture,
    }  # fmt: skip
