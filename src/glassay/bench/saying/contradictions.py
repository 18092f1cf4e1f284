"""Contradictions in sentences: what disagrees, by how much, and where to look first."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import Contradiction
from glassay.bench.saying.words import listed, say, say_length, say_times, short

WITHHELD = "verdicts that lean on it are withheld"


def said(one: Contradiction, bench: Bench) -> str:
    """One contradiction as a sentence that stands by itself, without its full stop."""
    return f"Contradiction: {_SENTENCES[one.kind](one, bench)}; {WITHHELD}"


def why_withheld(one: Contradiction, bench: Bench) -> str:
    """The same as the reason of a verdict that is not given."""
    return f"it leans on evidence that contradicts itself: {_SENTENCES[one.kind](one, bench)}"


def _where(one: Contradiction, bench: Bench) -> str:
    titles = []
    for instrument_id, setting_id in one.places:
        instrument = bench.instrument(instrument_id)
        titles.append(f"{instrument.title}, {instrument.setting(setting_id).title}")
    return listed(titles)


def _changed(one: Contradiction, bench: Bench) -> str:
    return (
        f"{listed(list(one.names))} changed since it was filed; put the file back as it was, or file"
        " the new one under its own name"
    )


def _filed_twice(one: Contradiction, bench: Bench) -> str:
    things = list(dict.fromkeys(one.names))
    what = f"as {listed(things)}" if len(things) > 1 else f"in {_where(one, bench)}"
    return f"one photo is filed twice ({listed(list(one.captures))}), {what}; it shows one thing"


def _chain_against_field(one: Contradiction, bench: Bench) -> str:
    seen, low, high = one.numbers
    stated = say_length(low)
    if high.value != low.value:
        stated = f"{stated} to {say_length(high)}"
    return (
        f"{_where(one, bench)}: the stated chain gives a field of {stated}, the photos one of"
        f" {say_length(seen)} ({listed(list(one.captures))}); check the division of the slide, the"
        " zoom and the lenses of the chain"
    )


def _chain_against_sensor(one: Contradiction, bench: Bench) -> str:
    seen, low, high = one.numbers
    stated = f"{short(low.value)}x"
    if high.value != low.value:
        stated += f" to {short(high.value)}x"
    return (
        f"{_where(one, bench)}: the stated chain gives {stated} on the sensor, the photos"
        f" {say_times(seen)} ({listed(list(one.captures))}); check the division of the slide, the"
        " adapter and the sensor"
    )


def _round_field(one: Contradiction, bench: Bench) -> str:
    return (
        f"{_where(one, bench)}: {listed(list(one.captures))} shows a round field, but the setting is"
        " not said to be seen through an eyepiece; if it is, say through_eyepiece = true"
    )


def _mixed(one: Contradiction, bench: Bench) -> str:
    first, last, ratio = one.numbers
    return (
        f"{_where(one, bench)}: {one.captures[0]} has pixels of {say(first, ' um')},"
        f" {one.captures[1]} of {say(last, ' um')}, {say_times(ratio)} as large; were they taken at"
        " one zoom, and with one slide?"
    )


def _cut_out(one: Contradiction, bench: Bench) -> str:
    width, height, full_width, full_height = (f"{side.value:.0f}" for side in one.numbers)
    return (
        f"{one.captures[0]} ({width} x {height} px) seems cut out of a larger photo: this camera"
        f" saves {full_width} x {full_height} px ({one.captures[1]}); file the photo as it came"
    )


def _calibrations(one: Contradiction, bench: Bench) -> str:
    (error,) = one.numbers
    return (
        f"the calibrations of {_where(one, bench)} disagree by {say(error.scaled(100, '%'), ' %')}:"
        f" {listed(list(one.captures))} show the same chip ({listed(list(one.names))}); was the zoom"
        " moved, or the slide filed with another division?"
    )


_SENTENCES: Mapping[str, Callable[[Contradiction, Bench], str]] = {
    "changed file": _changed,
    "filed twice": _filed_twice,
    "chain against field": _chain_against_field,
    "chain against sensor": _chain_against_sensor,
    "round field": _round_field,
    "photos of one setting": _mixed,
    "cut out": _cut_out,
    "calibrations of one chip": _calibrations,
}
