"""The answers to what a person needs: conditions, needs, ranks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from glassay.bench.document.model import Money, Need
from glassay.bench.judging.hold_line import Word
from glassay.bench.keeping.plain import value_to_plain
from glassay.quantity import Quantity

RULE = (
    "yes when the number keeps the need by its expanded uncertainty U (95 %) or more, no when it"
    " misses it by more than U, otherwise not shown; a need with several conditions takes all of"
    " them, detail and field in one setting"
)
ORDER: tuple[Word, ...] = ("no", "not shown", "yes")


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
