"""The seller's claims with their verdicts, magnification reading by reading."""

from __future__ import annotations

from glassay.bench.document.model import Instrument
from glassay.bench.judging.decide import RULE
from glassay.bench.keeping.results import Verdict
from glassay.bench.saying.verdicts import quoted
from glassay.report.parts import Chapter, Report
from glassay.report.templating import Filling


def fill(report: Report, instrument: Instrument) -> Filling | None:
    """Every claim in the order of `bench.toml`."""
    verdicts = report.results.verdicts_of(instrument.id)
    if not verdicts:
        return None
    settings = {setting.id: setting.title for setting in instrument.settings}
    judged = [
        {"verdict": one, "numbers": numbers_of_rule(one), "title": title_of(one)}
        for one in verdicts
    ]
    return {"judged": judged, "settings": settings}


def numbers_of_rule(verdict: Verdict) -> str:
    """The numbers to which the decision rule was applied; the rule itself is printed once."""
    numbers = verdict.rule.removeprefix(RULE).lstrip(". ")
    return numbers.replace("Claim: ", "Rule applied to: claim ", 1)


def title_of(verdict: Verdict) -> str:
    """The claim in a heading."""
    title = quoted(verdict.claim)
    return title[:1].upper() + title[1:]


CHAPTER = Chapter("claims", "Claims", "claims.html", fill)
