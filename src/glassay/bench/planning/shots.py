"""What is still to be photographed or noted to settle every open claim and need, in order of value.

The value of a shot is how many open claims and needs it can settle; among equals the quicker one
comes first. Nothing is measured here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from glassay.bench.document.claims import CLAIM_KINDS, OTHER
from glassay.bench.document.model import Claim, Instrument, Setting
from glassay.bench.judging.ends import Missing, end_of, missing_end
from glassay.bench.judging.need_answers import Condition
from glassay.bench.judging.needs import answer_needs
from glassay.bench.keeping.results import BenchResults, CaptureResult, Verdict
from glassay.bench.measuring.methods.contract import ShotKind
from glassay.bench.measuring.settings import nominal_magnification
from glassay.bench.planning.shot_kinds import shot_kind
from glassay.bench.saying.verdicts import quoted
from glassay.bench.saying.words import listed, say

OF_CONDITION: dict[str, str] = {
    "detail": "edge", "field": "scale", "clearance": "ruler", "rate": "clip", "budget": "price",
    "power": "trait", "standalone": "trait",
}  # fmt: skip


@dataclass(frozen=True)
class Shot:
    """One thing to photograph or note. `settles` are the claims and needs it can settle, in words;
    `before` says what came of an earlier capture of the same kind.
    """

    instrument: str
    setting: str | None
    where: str
    key: str
    settles: tuple[str, ...]
    before: tuple[str, ...] = field(default=())

    @property
    def kind(self) -> ShotKind:
        """What it is and how to take it well."""
        return shot_kind(self.key)


@dataclass(frozen=True)
class _Open:
    instrument: Instrument
    setting: Setting | None
    key: str
    what: str
    where: str = ""
    """How to set the instrument, where no listed setting will do."""


def open_shots(results: BenchResults) -> tuple[Shot, ...]:
    """What is to be photographed or noted, the most valuable first."""
    wanted: dict[tuple[str, str | None, str, str], list[_Open]] = {}
    for one in (*_open_claims(results), *_open_needs(results)):
        setting = None if shot_kind(one.key).any_setting or one.setting is None else one.setting.id
        wanted.setdefault((one.instrument.id, setting, one.key, one.where), []).append(one)
    shots = []
    for (instrument, setting, key, where), ones in wanted.items():
        if not where and setting and ones[0].setting:
            where = ones[0].setting.title
        settles = tuple(dict.fromkeys(one.what for one in ones))
        before = _before(results, instrument, setting, key)
        shots.append(Shot(instrument, setting, where, key, settles, before))
    return tuple(sorted(shots, key=lambda shot: (-len(shot.settles), shot.kind.minutes)))


def nothing_open(results: BenchResults) -> str:
    """What to say when there is nothing to shoot: all decided, or nothing that could be."""
    if not results.bench.instruments:
        return "There is nothing to judge yet: bench.toml lists no instrument."
    if not results.verdicts and not any(need.is_judged for need in results.bench.needs):
        return "There is nothing to judge yet: bench.toml lists no claim and no need."
    return "Nothing is open: every claim and every need is decided."


def _open_claims(results: BenchResults) -> Iterator[_Open]:
    for verdict in results.verdicts:
        if verdict.word not in ("untested", "undecided"):
            continue
        instrument = results.bench.instrument(verdict.instrument)
        claim = verdict.claim
        what = f"claim: {quoted(claim)}"
        missing = _missing_end(results, instrument, verdict)
        setting = missing.setting if missing else _setting_of(results, instrument, verdict)
        where = missing.where if missing and missing.setting is None else ""
        if setting is None and not where and len(instrument.settings) > 1:
            where = _AT_THE_END["widest" if _is_wide(claim) else "closest"]
        for key in _keys(instrument, verdict, setting, results):
            yield _Open(instrument, setting, key, what, where)


def _missing_end(results: BenchResults, instrument: Instrument, verdict: Verdict) -> Missing | None:
    """The end of the range that the claim is about, where photos show others but not that one."""
    end, mine = end_of(verdict.claim), results.settings_of(instrument.id)
    if end is None or not any(one.seen_width is not None for one in mine):
        return None
    return missing_end(instrument, mine, end)


def _keys(
    instrument: Instrument, verdict: Verdict, setting: Setting | None, results: BenchResults
) -> list[str]:
    claim = verdict.claim
    key = "words" if claim.kind == OTHER else CLAIM_KINDS[claim.kind].shot
    by_eye = setting.through_eyepiece if setting else _all_by_eye(instrument)
    if key == "scale" and by_eye:
        key = "round field"
    if key == "repeat" and _tried(results, instrument.id):
        key = "finer repeat"
    if verdict.word == "undecided" and verdict.value is not None:
        budget = verdict.value.contributions
        if budget and budget[0].scope == "reference":
            return ["certificate"]
    keys = [key]
    if key == "edge" and setting is not None and not _has_scale(results, verdict, setting):
        keys.insert(0, "scale")  # detail in um takes the setting's pixel size
    return keys


def _all_by_eye(instrument: Instrument) -> bool:
    return all(setting.through_eyepiece for setting in instrument.settings)


def _tried(results: BenchResults, instrument: str) -> list[CaptureResult]:
    """Repeat pairs that gave what they can about how many pixels are real."""
    return [
        one
        for one in results.captures
        if one.capture.instrument == instrument and "native_verdict" in one.findings
        and results.bench.object(one.capture.object).kind == "repeat pair"
    ]  # fmt: skip


def _has_scale(results: BenchResults, verdict: Verdict, setting: Setting) -> bool:
    return any(
        one.setting.id == setting.id and "pixel_size" in one.findings
        for one in results.settings_of(verdict.instrument)
    )


def _setting_of(results: BenchResults, instrument: Instrument, verdict: Verdict) -> Setting | None:
    """The claim's own setting, or the one that is most likely to keep it."""
    claim = verdict.claim
    if claim.setting is not None:
        return instrument.setting(claim.setting)
    if verdict.word == "undecided" and verdict.setting in {s.id for s in instrument.settings}:
        return instrument.setting(str(verdict.setting))
    return _extreme(results, instrument, widest=_is_wide(claim))


def _is_wide(claim: Claim) -> bool:
    return claim.is_low_end or claim.kind in ("field width", "field height", "field diameter")


_AT_THE_END = {
    "closest": "in the setting that shows the smallest field",
    "widest": "in the setting that shows the largest field",
}


def _extreme(
    results: BenchResults, instrument: Instrument, *, widest: bool, for_chips: bool = False
) -> Setting | None:
    """The widest or the closest setting, by field measured, else by stated factors.

    None where there are several and neither tells which it is: their order in `bench.toml` says
    nothing.
    """
    fields = {
        one.setting.id: one.seen_width.value
        for one in results.settings_of(instrument.id)
        if one.seen_width is not None
    }

    among = [one for one in instrument.settings if one.for_chips or not for_chips]
    if len(among) < 2:
        return among[0] if among else None
    close = {id: 1 / width for id, width in fields.items()}
    if not all(one.id in close for one in among):
        stated = {one.id: _stated_factor(one) for one in among}
        close = {id: factor for id, factor in stated.items() if factor is not None}
    if not all(one.id in close for one in among):
        return None
    return (min if widest else max)(among, key=lambda one: close[one.id])


def _stated_factor(setting: Setting) -> float | None:
    ends = setting.chain.first_factor
    factor = nominal_magnification(setting) or (ends[1] if ends else None)
    return None if factor is None else factor * setting.chain.auxiliary


def _open_needs(results: BenchResults) -> Iterator[_Open]:
    for answer in answer_needs(results).answers:
        instrument = results.bench.instrument(answer.instrument)
        for condition in answer.conditions:
            # What is no for another reason stays no, whatever is shot.
            if condition.word == "not shown" and condition.shoot and answer.word == "not shown":
                yield _of_condition(results, instrument, condition, answer.need.id)


def _of_condition(
    results: BenchResults, instrument: Instrument, condition: Condition, need: str
) -> _Open:
    key = OF_CONDITION[condition.kind]
    setting = (
        instrument.setting(condition.setting)
        if condition.setting
        else _extreme(results, instrument, widest=condition.kind == "field", for_chips=True)
    )
    if key == "scale" and setting is not None and setting.through_eyepiece:
        key = "round field"
    elif key == "edge" and "ruled scale" in condition.shoot:
        key = "scale"
    where = ""
    if setting is None and len(instrument.settings) > 1:
        where = _AT_THE_END["widest" if condition.kind == "field" else "closest"]
    return _Open(instrument, setting, key, f"need: {need}", where)


def _before(
    results: BenchResults, instrument: str, setting: str | None, key: str
) -> tuple[str, ...]:
    kinds = shot_kind(key).objects
    if key == "finer repeat":
        return tuple(_what_came(one) for one in _tried(results, instrument))
    return tuple(
        f"{one.capture.id} was {one.status}: {one.reason}"
        for one in results.captures
        if one.capture.instrument == instrument and setting in (None, one.capture.setting)
        and one.status in ("refused", "unusable")
        and results.bench.object(one.capture.object).kind in kinds
    )  # fmt: skip


def _what_came(pair: CaptureResult) -> str:
    count = pair.findings.get("native_megapixels")
    if count is None:
        return f"{pair.capture.id} does not tell"
    return f"{pair.capture.id} gave {say(count.quantity, ' MP')}"


def shots_as_json(results: BenchResults) -> dict[str, Any]:
    """The list as plain data, in order of value."""
    return {
        "shots": [
            {
                "instrument": shot.instrument, "setting": shot.setting, "shot": shot.key,
                "title": shot.kind.title, "settles": list(shot.settles),
                "how": list(shot.kind.how), "minutes": shot.kind.minutes,
                "before": list(shot.before),
            }
            for shot in open_shots(results)
        ],
        "not_run": list(results.not_run),
    }  # fmt: skip


def said(shot: Shot, names: dict[str, str]) -> str:
    """One line: instrument, setting, what to take."""
    where = f", {shot.where}" if shot.where and shot.where != "as is" else ""
    return f"{names[shot.instrument]}{where}: {shot.kind.title}"


def settles_words(shot: Shot) -> str:
    """What it settles, in one line."""
    return listed(list(shot.settles))


def kinds_used(shots: Sequence[Shot]) -> list[ShotKind]:
    """The kinds that occur, each once, in the order of the list."""
    return [shot_kind(key) for key in dict.fromkeys(shot.key for shot in shots)]
