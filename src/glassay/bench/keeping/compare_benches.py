"""Two benches held against each other: the same instruments, other samples or other hands.

A difference counts only beyond its expanded uncertainty. What both benches were measured with (one
and the same slide) is common to both and cancels; a slide of the same name is not the same slide,
so identity takes one certificate number, or the user's word.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from glassay.bench.document.model import Bench, Instrument
from glassay.bench.keeping.results import SCALE_IN_DOUBT, BenchResults, SettingResult, Verdict
from glassay.bench.keeping.store import Store
from glassay.bench.measuring.resolved import finest_in
from glassay.bench.saying.verdicts import quoted
from glassay.bench.saying.words import listed, say
from glassay.errors import NotMeasurable, Unusable
from glassay.quantity import Quantity, combine

Word = Literal["agree", "differ"]

RULE = (
    "two numbers agree when their difference is within its expanded uncertainty U (95 %; a"
    " normalised error of at most 1, ISO 13528); what both were measured with cancels in it"
)
COMPARED = {
    "pixel_size": "pixel size", "field_width": "field width", "field_height": "field height",
    "field_diameter": "field diameter",
}  # fmt: skip


@dataclass(frozen=True)
class Pair:
    """One number in both benches. `difference` is second less first, with its own uncertainty."""

    instrument: str
    other: str
    setting: str
    name: str
    first: Quantity
    second: Quantity
    difference: Quantity
    word: Word
    shared: tuple[str, ...]
    """Reference objects that both rest on, so that their error cancels."""

    @property
    def normalised_error(self) -> float:
        """|difference| / U (ISO 13528, E_n); infinite for exact numbers that differ."""
        if not self.difference.u:
            return 0.0 if not self.difference.value else float("inf")
        return abs(self.difference.value) / self.difference.expanded

    @property
    def relative(self) -> float:
        """Difference over the first number."""
        return self.difference.value / self.first.value if self.first.value else float("inf")

    @property
    def sentence(self) -> str:
        """The pair in words."""
        unit = "" if self.first.unit == "1" else f" {self.first.unit}"
        return (
            f"{self.name}: {say(self.first, unit)} against {say(self.second, unit)}, {self.word}"
            f" ({self.relative:+z.2%}, normalised error {self.normalised_error:.2f})"
        )


@dataclass(frozen=True)
class VerdictPair:
    """One claim that both benches judged."""

    instrument: str
    other: str
    claim: str
    first: str
    second: str

    @property
    def sentence(self) -> str:
        """Both verdicts in words; one that was not tested contradicts nothing."""
        if self.first == self.second:
            said = "the same"
        elif "untested" in (self.first, self.second):
            said = "tested in one bench only"
        else:
            said = "not the same"
        return f"{self.first} against {self.second}, {said}"


@dataclass(frozen=True)
class Difference:
    """Everything that two benches say of each other."""

    pairs: tuple[Pair, ...]
    verdicts: tuple[VerdictPair, ...]
    shared_objects: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]


def compare_benches(
    first: BenchResults,
    second: BenchResults,
    *,
    instruments: Mapping[str, str] | None = None,
    objects: Mapping[str, str] | None = None,
) -> Difference:
    """Hold two benches against each other.

    Instruments and settings pair by id; `instruments` names further pairs (id in the first: id in
    the second). `objects` says which reference objects are one and the same thing, beyond those
    with one certificate number. Raises `Unusable` for ids that do not exist, and `NotMeasurable`
    when nothing measured pairs up.
    """
    same = _same_objects(first.bench, second.bench, objects or {})
    couples = _couples(first.bench, second.bench, instruments or {})
    pairs: list[Pair] = []
    verdicts: list[VerdictPair] = []
    for one, other in couples:
        pairs += _numbers(first, second, one, other, same)
        verdicts += _verdicts(first.verdicts_of(one.id), second.verdicts_of(other.id))
    if not pairs and not verdicts:
        raise NotMeasurable(
            "no instrument and setting was measured in both; settings pair by id, instruments by id"
            " or with --pair"
        )
    alone = [note for one, other in couples for note in _alone(first, second, one, other)]
    for which, results, mine in (
        ("first", first, [one for one, _ in couples]),
        ("second", second, [other for _, other in couples]),
    ):
        alone += [
            f"{one.instrument.title}, {one.setting.title} in the {which} bench is left out:"
            f" {SCALE_IN_DOUBT}"
            for instrument in mine for one in results.settings_of(instrument.id)
            if results.is_scale_doubtful(one)
        ]  # fmt: skip
    notes = [*alone, *_object_notes(first.bench, second.bench, same), *_common_files(first, second)]
    return Difference(tuple(pairs), tuple(verdicts), tuple(same.items()), tuple(notes))


# ---- what is one and the same --------------------------------------------------------------------


def _same_objects(one: Bench, other: Bench, stated: Mapping[str, str]) -> dict[str, str]:
    for mine, theirs in stated.items():
        one.object(mine), other.object(theirs)  # raise for unknown ids
    same = dict(stated)
    for a in one.objects:
        for b in other.objects:
            certified = a.certificate is not None and b.certificate is not None
            if not certified or a.id in same or b.id in same.values():
                continue
            assert a.certificate is not None
            assert b.certificate is not None
            if a.certificate.number and a.certificate == b.certificate:
                same[a.id] = b.id
    return same


def _couples(
    one: Bench, other: Bench, stated: Mapping[str, str]
) -> list[tuple[Instrument, Instrument]]:
    taken = set(stated.values())
    couples = [(one.instrument(a), other.instrument(b)) for a, b in stated.items()]
    known = {instrument.id: instrument for instrument in other.instruments}
    couples += [
        (mine, known[mine.id])
        for mine in one.instruments
        if mine.id in known and mine.id not in stated and mine.id not in taken
    ]
    return couples


def renamed(quantity: Quantity, names: Mapping[str, str]) -> Quantity:
    """The quantity with the identities of its shared contributions renamed.

    Those not in `names` become unknowns of their own, so that a name which happens to stand in both
    benches does not cancel.
    """
    return replace(
        quantity,
        contributions=tuple(
            replace(part, identity=names.get(part.identity, f"second bench: {part.identity}"))
            for part in quantity.contributions
        ),
    )  # fmt: skip


# ---- numbers and verdicts ------------------------------------------------------------------------


def _numbers(
    first: BenchResults,
    second: BenchResults,
    one: Instrument,
    other: Instrument,
    same: Mapping[str, str],
) -> list[Pair]:
    names = {f"reference object {b}": f"reference object {a}" for a, b in same.items()}
    theirs = {s.setting.id: s for s in second.settings_of(other.id)}
    pairs = []
    for mine in first.settings_of(one.id):
        match = theirs.get(mine.setting.id)
        if match is None:
            continue
        a, b = _values(first, mine), _values(second, match)
        for name in a:
            if name in b and a[name].unit == b[name].unit:
                pairs.append(_pair(one, other, mine.setting.id, name, a[name],
                                   renamed(b[name], names)))  # fmt: skip
    return pairs


def _alone(
    first: BenchResults, second: BenchResults, one: Instrument, other: Instrument
) -> list[str]:
    """Measured settings of two paired instruments that have no partner, and why."""
    here = {s.setting.id for s in first.settings_of(one.id) if _values(first, s)}
    there = {s.setting.id for s in second.settings_of(other.id) if _values(second, s)}
    name = one.id if one.id == other.id else f"{one.id} and {other.id}"
    notes = []
    for which, mine, theirs in (("first", here, there), ("second", there, here)):
        if lonely := sorted(mine - theirs):
            were = "setting {} was" if len(lonely) == 1 else "settings {} were"
            notes.append(
                f"{name}: {were.format(listed(lonely))} measured in the {which} bench only"
            )
    if here - there and there - here:
        notes.append(f"{name}: settings pair by id; give those that are the same one id")
    return notes


def _values(results: BenchResults, one: SettingResult) -> dict[str, Quantity]:
    """The numbers of a setting, none where its scale is in doubt; frames and pixels of a phone at an
    eyepiece are not its own."""
    if results.is_scale_doubtful(one):
        return {}
    phone = one.setting.through_eyepiece
    found = {
        name: one.findings[key].quantity
        for key, name in COMPARED.items()
        if key in one.findings and not (phone and key != "field_diameter")
    }
    finest = finest_in(one, results.captures_that_count)
    if finest is not None and not phone and not finest.is_bound:
        # Lines told by bars and by edges are each held against their own kind.
        found[f"finest line, by {finest.kind if finest.kind == 'bars' else 'edges'}"] = finest.line
    return found


def _pair(
    one: Instrument, other: Instrument, setting: str, name: str, a: Quantity, b: Quantity
) -> Pair:
    gap = combine(lambda x, y: y - x, (a, b), a.unit)
    agree = abs(gap.value) <= gap.expanded or abs(gap.value) <= 1e-12 * abs(a.value)
    common = {p.identity for p in a.contributions} & {p.identity for p in b.contributions}
    return Pair(one.id, other.id, setting, name, a, b, gap, "agree" if agree else "differ",
                tuple(sorted(common)))  # fmt: skip


def _verdicts(mine: Sequence[Verdict], theirs: Sequence[Verdict]) -> list[VerdictPair]:
    """Claims of one kind and one number, wherever they are stated."""
    known = {(v.claim.kind, v.claim.sense, v.claim.value, v.claim.text): v for v in theirs}
    found = []
    for one in mine:
        match = known.get((one.claim.kind, one.claim.sense, one.claim.value, one.claim.text))
        if match is not None:
            name = quoted(one.claim)
            found.append(VerdictPair(one.instrument, match.instrument, name, one.word, match.word))
    return found


# ---- notes ---------------------------------------------------------------------------------------


def _object_notes(one: Bench, other: Bench, same: Mapping[str, str]) -> list[str]:
    notes = [f"{a!r} and {b!r} are one object: its error cancels" for a, b in same.items()]
    for a in one.objects:
        twin = next((b for b in other.objects if b.id == a.id), None)
        if twin is not None and a.id not in same and a.division_um is not None:
            notes.append(
                f"both benches have a {a.id!r}, but nothing says that it is one object; its"
                f" uncertainty counts twice (--same {a.id}={a.id} when it is one)"
            )
    return notes


def _common_files(first: BenchResults, second: BenchResults) -> list[str]:
    """Captures that are the same files are no independent evidence."""
    hashes = []
    for results in (first, second):
        bench = results.bench
        store = Store(bench.results_folder)
        paths = [path for capture in bench.captures for path in bench.paths(capture)]
        present = [path for path in paths if path.is_file()]
        hashes.append(set(store.contents(present)))
    count = len(hashes[0] & hashes[1])
    if not count:
        return []
    return [f"{count} files are the same in both benches; what rests on them is not independent"]


def parse_pairs(texts: Sequence[str], option: str) -> dict[str, str]:
    """Read "first=second" options. Raises `Unusable`."""
    found = {}
    for text in texts:
        a, mark, b = text.partition("=")
        if not (a and mark and b):
            raise Unusable(f"{option} {text!r} is not FIRST=SECOND")
        found[a] = b
    return found


def difference_as_json(found: Difference) -> dict[str, Any]:
    """Everything as plain data."""
    return {
        "rule": RULE,
        "numbers": [
            {
                "instrument": p.instrument, "other": p.other, "setting": p.setting, "name": p.name,
                "first": p.first.as_json(), "second": p.second.as_json(),
                "difference": p.difference.as_json(), "relative": p.relative,
                "normalised_error": min(p.normalised_error, 1e99), "word": p.word,
                "shared": list(p.shared),
            }
            for p in found.pairs
        ],
        "verdicts": [
            {"instrument": v.instrument, "other": v.other, "claim": v.claim, "first": v.first,
             "second": v.second}
            for v in found.verdicts
        ],
        "same_objects": [{"first": a, "second": b} for a, b in found.shared_objects],
        "notes": list(found.notes),
    }  # fmt: skip
