"""Needs held against findings: yes, no or not shown, with what decides and what would change it.

Never one score: instruments are ranked by how many needs they meet, and every answer stands beside
its reason. A number counts as clear only outside its expanded uncertainty, as with claims.
"""

from __future__ import annotations

from collections.abc import Sequence

from glassay.bench.document.model import Instrument, Money, Need
from glassay.bench.judging.hold_line import hold_line
from glassay.bench.judging.need_answers import ORDER, Answer, Condition, Needs, Rank
from glassay.bench.judging.need_conditions import best_setting, fixed_conditions, in_um
from glassay.bench.keeping.results import BenchResults
from glassay.bench.saying.words import listed
from glassay.quantity import Quantity


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
    fixed = list(fixed_conditions(need, instrument, results))
    setting, placed = best_setting(need, instrument, results)
    conditions = (*placed, *fixed)
    word = min((c.word for c in conditions), key=ORDER.index)
    return Answer(need, instrument.id, word, conditions, setting)


# ---- conditions on a setting: detail and field ---------------------------------------------------


# ---- conditions on the instrument ----------------------------------------------------------------


# ---- rule and words ------------------------------------------------------------------------------


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
        if answer.word == "no" and not _meets_milder(answer, results):
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


def _meets_milder(answer: Answer, results: BenchResults) -> bool:
    """Whether the need as `_milder` tells it would be met for detail: pixels say no to a line, but it
    takes bars or edges to say yes."""
    failed = [c for c in answer.conditions if c.kind == "detail" and c.word == "no"]
    for condition in failed:
        assert isinstance(condition.value, Quantity)
        line = condition.value.value + condition.value.expanded
        mine = [
            one for one in results.settings_of(answer.instrument)
            if one.setting.id == condition.setting
        ]  # fmt: skip
        captures = [c for c in results.captures if c.capture.instrument == answer.instrument]
        # a hair above, since a number is kept with its whole uncertainty
        if any(
            hold_line(one, captures, line * (1 + 1e-9), answer.need.contrast).word != "yes"
            for one in mine
        ):
            return False
    return True


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
        return f"lines of {in_um(value.value + value.expanded)}"
    kept = value.value - value.expanded
    if condition.kind == "rate":
        return f"{kept:.3g} frames a second"
    return f"{in_um(kept)} of {condition.kind}"


# ---- as data -------------------------------------------------------------------------------------
