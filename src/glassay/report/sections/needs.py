"""What each instrument can do of what is needed: a table of answers, and what decides each."""

from __future__ import annotations

from glassay.bench.judging.need_answers import RULE
from glassay.bench.judging.needs import answer_needs
from glassay.report.parts import Report, Section
from glassay.report.templating import Filling


def fill(report: Report) -> Filling | None:
    """Answers in the order of the ranking; None when no need is judged."""
    needs = answer_needs(report.results)
    if not needs.answers and not needs.in_words:
        return None
    bench = report.results.bench
    judged = sorted((n for n in bench.needs if n.is_judged), key=lambda need: not need.must)
    now = tuple(sorted(one.instrument for one in needs.ranking if one.place == 1))
    return {
        "judged": judged,
        "ranking": [
            {"rank": one, "title": bench.instrument(one.instrument).title,
             "letter": report.letter(one.instrument),
             "answers": [needs.answer(need.id, one.instrument) for need in judged]}
            for one in needs.ranking
        ],
        "sensitivity": needs.sensitivity, "in_words": needs.in_words, "rule": RULE,
        "variations": [("as stated", now), *((f"without {n}", w) for n, w in needs.without)],
    }  # fmt: skip


SECTION = Section("needs", "What you need", "needs.html", fill)
