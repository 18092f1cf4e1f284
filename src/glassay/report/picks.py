"""What a reader with one minute wants: three picks with their numbers, and the claim furthest off."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from glassay.bench.document.model import Instrument, Money, Need
from glassay.bench.judging.decide import figure_of
from glassay.bench.judging.needs import answer_needs
from glassay.bench.keeping.results import BenchResults, SettingResult, Verdict
from glassay.bench.measuring.resolved import Resolved, finest_in
from glassay.bench.saying.verdicts import quoted
from glassay.bench.saying.words import listed, say, say_length, say_times
from glassay.quantity import Quantity, combine


@dataclass(frozen=True)
class Pick:
    """One answer: `title` says to what, `instruments` who (several where they cannot be told
    apart), `sentence` why, with its number."""

    id: str
    title: str
    instruments: tuple[str, ...]
    sentence: str


@dataclass(frozen=True)
class Line:
    """The finest line that a setting was shown to tell."""

    setting: SettingResult
    resolved: Resolved

    @property
    def width(self) -> Quantity:
        """In um."""
        return self.resolved.line

    @property
    def sure(self) -> float:
        """Width (um) that is told for sure: with its whole uncertainty. What is badly known earns no
        first place."""
        return self.width.value + self.width.expanded

    @property
    def by_eyepiece(self) -> bool:
        """Whether a phone's photo through the eyepiece told it; the eye may see more."""
        return self.setting.setting.through_eyepiece


def picks(results: BenchResults) -> tuple[Pick, ...]:
    """Finest detail on a chip, a whole die in one view, the money; only those that can be told."""
    found = (_finest(results), _whole(results), _money(results))
    return tuple(one for one in found if one is not None)


def lines(results: BenchResults) -> list[Line]:
    """What each setting tells: only what was told, no bounds, no setting in which no chip can be looked
    at, nothing that rests on a scale or on a capture that is in doubt. What a phone's photo through an
    eyepiece tells, the view does."""
    return results.once("lines", lambda: _lines(results))


def _lines(results: BenchResults) -> list[Line]:
    left = results.captures_that_count
    return [
        Line(one, resolved)
        for one in results.settings
        if one.setting.for_chips and not results.is_scale_doubtful(one)
        and (resolved := finest_in(one, left)) is not None and not resolved.is_bound
    ]  # fmt: skip


def finest_of(results: BenchResults, instrument: str) -> Line | None:
    """The finest line that one instrument tells."""
    mine = [one for one in lines(results) if one.setting.instrument.id == instrument]
    return min(mine, key=lambda one: one.sure, default=None)


def _rivals(best: Line, told: Sequence[Line]) -> list[Line]:
    """Others that may be as fine as the best, since their lines are not known well enough."""
    return [one for one in told if one is not best and _is_level(best.width, one.width)]


def _maybe(best: Line, told: Sequence[Line]) -> str:
    """These in words, "" without any."""
    names = [one.setting.instrument.title for one in _rivals(best, told)]
    return f" {listed(names)} may do as well: not known well enough to say." if names else ""


def _of_missing(results: BenchResults, best: str) -> str:
    """Which others have captures whose files are gone, in words, "" without any: they may show more."""
    ids = dict.fromkeys(one.capture.instrument for one in results.bench.missing)
    names = [results.bench.instrument(one).title for one in ids if one != best]
    return f" {listed(names)} may do better: captures of it are missing." if names else ""


def _is_level(a: Quantity, b: Quantity) -> bool:
    gap = combine(lambda x, y: x - y, (a, b), "um")
    return abs(gap.value) <= gap.expanded


def _finest(results: BenchResults) -> Pick | None:
    told = [
        one for instrument in results.bench.instruments
        if (one := finest_of(results, instrument.id)) is not None
    ]  # fmt: skip
    if not told:
        return None
    best = min(told, key=lambda one: one.sure)
    how = {
        "bars": " by bars",
        "edge": " by edges",
        "lines": " by its slide",
        "chip": " by a chip that a finer one shows",
    }.get(best.resolved.kind, "")
    text = f"{best.setting.instrument.title} shows lines of {say_length(best.width)}{how}"
    level = [best, *_rivals(best, told)]
    others = sorted((one for one in told if one not in level), key=lambda one: one.sure)
    if others:
        text += f"; next is {others[0].setting.instrument.title}, {say_length(others[0].width)}"
    return Pick("finest", "Finest detail on a chip", (best.setting.instrument.id,),
                f"{text}.{_maybe(best, told)}"
                f"{_of_missing(results, best.setting.instrument.id)}")  # fmt: skip


# ---- a whole die in one view ---------------------------------------------------------------------


def _die(results: BenchResults) -> Need | None:
    """The largest field that is needed; a must before a wish."""
    asked = [need for need in results.bench.needs if need.field_um is not None]
    return max(asked, key=lambda need: (need.must, need.field_um or (0, 0)), default=None)


def _holds(one: SettingResult, wanted: tuple[float, float]) -> bool:
    long, short = wanted
    if "field_diameter" in one.findings:
        seen = one.findings["field_diameter"].quantity
        return seen.value - seen.expanded >= math.hypot(long, short)
    if "field_width" not in one.findings or "field_height" not in one.findings:
        return False
    sides = [one.findings[key].quantity for key in ("field_width", "field_height")]
    low = sorted((side.value - side.expanded for side in sides), reverse=True)
    return low[0] >= long and low[1] >= short


def _whole(results: BenchResults) -> Pick | None:
    need = _die(results)
    if need is None or need.field_um is None:
        return None
    able = [one for one in lines(results) if _holds(one.setting, need.field_um)]
    if not able:
        return None
    best = min(able, key=lambda one: one.sure)
    long, short = need.field_um
    size = say_length(Quantity(long, "um"))
    if short:
        size += f" x {say_length(Quantity(short, 'um'))}"
    where = best.setting
    name = f"{where.instrument.title} ({where.setting.title})"
    told = [one for one in able if one.setting.instrument.id != where.instrument.id]
    return Pick(
        "whole", "Best for a whole die in one view", (where.instrument.id,),
        f"{name} shows all of {size} and lines of {say_length(best.width)}."
        f"{_maybe(best, told)}{_of_missing(results, where.instrument.id)}",
    )  # fmt: skip


# ---- the money -----------------------------------------------------------------------------------


def _money(results: BenchResults) -> Pick | None:
    """The cheapest that keeps every must; without musts, the least price times finest line."""
    priced = [(one, total) for one in results.bench.instruments
              if (total := one.price.total) is not None]  # fmt: skip
    if len(priced) < 2 or len({total.currency for _, total in priced}) > 1:
        return None
    return _by_musts(results, priced) or _by_detail(results, priced)


def _by_musts(results: BenchResults, priced: Sequence[tuple[Instrument, Money]]) -> Pick | None:
    musts = [need for need in results.bench.needs if need.is_judged and need.must]
    if not musts:
        return None
    needs = answer_needs(results)
    able = [
        (one, total) for one, total in priced
        if all(needs.answer(need.id, one.id).word == "yes" for need in musts)
    ]  # fmt: skip
    if not able:
        return None
    one, total = min(able, key=lambda pair: pair[1].amount)
    line = finest_of(results, one.id)
    what = f" and shows lines of {say_length(line.width)}" if line is not None else ""
    count = "the one must" if len(musts) == 1 else f"all {len(musts)} musts"
    return Pick("money", "Best for the money", (one.id,),
                f"{one.title}, {total}, is the cheapest that meets {count}{what}.")  # fmt: skip


def _by_detail(results: BenchResults, priced: Sequence[tuple[Instrument, Money]]) -> Pick | None:
    told = [(one, total, line) for one, total in priced
            if (line := finest_of(results, one.id)) is not None]  # fmt: skip
    if len(told) < 2:
        return None
    one, total, line = min(told, key=lambda found: found[1].amount * found[2].sure)
    return Pick(
        "money", "Best for the money", (one.id,),
        f"{one.title}: lines of {say_length(line.width)} for {total}, the least price times line"
        " width (half the line is worth twice the price).",
    )  # fmt: skip


# ---- what is furthest from the truth -------------------------------------------------------------


@dataclass(frozen=True)
class Miss:
    """A claim that is not met, by which factor it is off. Of a claimed range each end is a claim of
    its own: what is said of a miss names the end that was missed."""

    verdict: Verdict
    factor: float

    @property
    def name(self) -> str:
        """ "magnification from 20x"."""
        return quoted(self.verdict.claim)

    @property
    def times(self) -> str:
        """ "off 15 times"."""
        return f"off {self.factor:.2g} times"


TIMES = ("s", "h", "min")
"""Units of claims about how long it runs: a recording that broke off after 2 s is told beside its
claim, but its factor says nothing of what is seen."""


def misses(results: BenchResults) -> list[Miss]:
    """Claims not met with a number that says by how much, the furthest off first."""
    return sorted(_misses(results), key=lambda one: -one.factor)


def _misses(results: BenchResults) -> Iterator[Miss]:
    for verdict in results.verdicts:
        claimed, value = verdict.claim.value, verdict.value
        if (
            verdict.word == "not met"
            and value is not None
            and claimed
            and value.value > 0
            and value.unit not in TIMES
        ):
            ratio = claimed / value.value
            yield Miss(verdict, max(ratio, 1 / ratio))


def furthest_off(results: BenchResults) -> str:
    """The claim furthest from the truth, in a sentence; "" where none is missed by a number."""
    found = misses(results)
    if not found:
        return ""
    worst = found[0]
    name = results.bench.instrument(worst.verdict.instrument).title
    return (
        f"{worst.name}, claimed for {name} ({worst.verdict.claim.where}): it {_instead(worst)}, off by"
        f" a factor of {worst.factor:.2g}."
    )


def _instead(miss: Miss) -> str:
    """What is there in place of what is claimed: "goes down to 300x at best (on the display)"."""
    claim, value = miss.verdict.claim, miss.verdict.value
    assert value is not None
    verb = "goes down to" if claim.is_low_end else "is"
    if claim.kind == "magnification":
        return f"{verb} {say_times(value)} at best ({miss.verdict.value_name})"
    return f"{verb} {_in_unit(value)}"


def _in_unit(value: Quantity) -> str:
    return say_length(value) if value.unit == "um" else say(value, f" {value.unit}")


# ---- one instrument in words ---------------------------------------------------------------------


def verdict_in_words(results: BenchResults, instrument: str) -> str:
    """A few words for the table: what it is picked for, else what is wrong or right with it."""
    chosen = [one.title for one in picks(results) if instrument in one.instruments]
    words = {"Finest detail on a chip": "finest detail",
             "Best for a whole die in one view": "best for a whole die",
             "Best for the money": "best for the money"}  # fmt: skip
    said = [words[one] for one in chosen]
    own = [one for one in misses(results) if one.verdict.instrument == instrument]
    if own:
        said.append(f"{own[0].name} is {own[0].times}")
    elif not said:
        verdicts = results.verdicts_of(instrument)
        tested = [one for one in verdicts if one.word != "untested"]
        if tested and all(one.word == "met" for one in tested):
            said.append("every claim tested holds")
    return "; ".join(said)


def claims_of_all(results: BenchResults, instrument: str) -> str:
    """ "3 of 6"; "" without claims."""
    verdicts = results.verdicts_of(instrument)
    return f"{sum(one.word == 'met' for one in verdicts)} of {len(verdicts)}" if verdicts else ""


def buyer_sentence(results: BenchResults, instrument: Instrument) -> str:
    """What a buyer should know, in one sentence: the finest line, and what of its magnification."""
    line = finest_of(results, instrument.id)
    widths = [one.seen_width for one in results.settings_of(instrument.id)
              if one.seen_width is not None]  # fmt: skip
    if line is not None:
        said = f"Shows lines down to {say_length(line.width)}"
    elif widths:
        narrow = min(widths, key=lambda width: width.value)
        said = (
            f"Its closest view is {say_length(narrow)} wide; what detail it shows is not measured"
        )
        if all(setting.through_eyepiece for setting in instrument.settings):
            said = (
                f"Its closest view is {say_length(narrow)} wide; its detail is judged by eye only"
            )
    else:
        return "Nothing was measured with it."
    claim = _highest(results.verdicts_of(instrument.id))
    return said + (f"; {_of_magnification(claim)}." if claim is not None else ".")


def _highest(verdicts: Sequence[Verdict]) -> Verdict | None:
    stated = [
        one for one in verdicts
        if one.claim.kind == "magnification" and one.claim.value and not one.claim.is_low_end
    ]  # fmt: skip
    return max(stated, key=lambda one: one.claim.value or 0.0, default=None)


def _of_magnification(one: Verdict) -> str:
    claim = figure_of(one.claim)
    best = one.readings[0] if one.readings else None
    zoom = f" with {best.zoom:g}x digital zoom" if best is not None and best.zoom != 1 else ""
    if one.word == "met":
        return f"its {claim} holds{zoom} ({one.value_name})"
    if one.word == "untested":
        return f"its {claim} is untested"
    value = (
        "" if one.value is None else f", where it gives {say_times(one.value)} ({one.value_name})"
    )
    verb = "is not true" if one.word == "not met" else "is too close to call"
    needed = one.display_width_needed
    if needed is not None:
        counted = one.claim.digital_zoom
        times = f" and {counted:g}x digital zoom" if counted != 1 else ""
        screen = say_length(Quantity(float(f"{1000 * needed.value:.2g}"), "um"))
        return f"its {claim} would take a picture {screen} wide{times}{value}"
    return f"its {claim} {verb}{value}"
