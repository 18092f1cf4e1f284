"""Contradictions in sentences: what disagrees, by how much, and where to look first."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import Contradiction
from glassay.bench.saying.words import listed, say, say_length, say_times, short

WITHHELD = "verdicts that lean on it are withheld"


def said(one: Contradiction, bench: Bench) -> str:
    """One contradiction as a sentence that stands by itself, without its full stop."""
    what = _SENTENCES[one.kind](one, bench)
    return f"Contradiction: {what}" + (f"; {WITHHELD}" if one.touches != "nothing" else "")


def why_withheld(one: Contradiction, bench: Bench) -> str:
    """The same as the reason of a verdict that is not given."""
    return f"it leans on evidence that contradicts itself: {_SENTENCES[one.kind](one, bench)}"


def _where(one: Contradiction, bench: Bench) -> str:
    titles = []
    for instrument_id, setting_id in one.places:
        instrument = bench.instrument(instrument_id)
        titles.append(f"{instrument.title}, {instrument.setting(setting_id).title}")
    return listed(titles)


def _two_finest_lines(one: Contradiction, bench: Bench) -> str:
    (fine, wide), (by_fine, by_wide) = one.numbers, one.names
    return (
        f"{_where(one, bench)}: the finest line is {say_length(fine)} by one source ({by_fine}) and"
        f" {say_length(wide)} by another ({by_wide}); sharpening, smoothing or another focus parts"
        " them, and the wider one counts"
    )


def _two_scales(one: Contradiction, bench: Bench) -> str:
    (fine, wide), (by_fine, by_wide) = one.numbers, one.names
    return (
        f"{_where(one, bench)}: the finest line is {say_length(fine)} by one source ({by_fine}) and"
        f" {say_length(wide)} by another ({by_wide}), further apart than sharpening or focus part"
        " them; check the division of the slide, and which setting each photo was taken in"
    )


def _changed(one: Contradiction, bench: Bench) -> str:
    return (
        f"{listed(list(one.names))} changed since it was filed; put the file back as it was, or file"
        " the new one under its own name"
    )


def _missing(one: Contradiction, bench: Bench) -> str:
    return f"{one.captures[0]} is listed, but {one.names[0]}"


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
    adapter = "the adapter"
    if one.names:
        adapter = f"state the adapter if there is one ({short(seen.value / low.value)}x would fit)"
    return (
        f"{_where(one, bench)}: the stated chain gives {stated} on the sensor, the photos"
        f" {say_times(seen)} ({listed(list(one.captures))}); check the division of the slide, the"
        f" zoom and the sensor, and {adapter}"
    )


def _chain_against_image(one: Contradiction, bench: Bench) -> str:
    seen, image = one.numbers
    return (
        f"{_where(one, bench)}: the photos give a field of {say_length(seen)}"
        f" ({listed(list(one.captures))}), of which the stated chain makes an image {say(image, ' mm')}"
        " wide, and no camera takes that; check the division of the slide and the factors of the chain"
    )


def _settings_apart(one: Contradiction, bench: Bench) -> str:
    seen, stated = one.numbers
    return (
        f"{_where(one, bench)}: by the stated factors, the first shows {say_times(stated)} the width of"
        f" the second, by the photos {say_times(seen)} ({listed(list(one.captures))}); check the"
        " division of each slide, and the zoom"
    )


def _smaller_than_sensor(one: Contradiction, bench: Bench) -> str:
    width, height, columns, rows = (f"{side.value:.0f}" for side in one.numbers)
    return (
        f"{one.captures[0]} has {width} x {height} px, and the sensor is stated to have {columns} x"
        f" {rows}: it was made smaller or cut out, or taken in a smaller mode; file one of full size"
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
        " one zoom, by one camera and with one slide?"
    )


def _framed(one: Contradiction, bench: Bench) -> str:
    (widest,) = one.numbers
    return (
        f"{one.captures[0]} has an even frame around it, up to {widest.value:.0f} px wide, as a"
        " screenshot or a letterboxed picture has: its size and field are not the camera's; file the"
        " photo as it came"
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
        " moved, the slide filed with another division, or were photos filed for each other?"
    )


_SENTENCES: Mapping[str, Callable[[Contradiction, Bench], str]] = {
    "missing file": _missing,
    "changed file": _changed,
    "filed twice": _filed_twice,
    "chain against field": _chain_against_field,
    "chain against sensor": _chain_against_sensor,
    "chain against image": _chain_against_image,
    "settings against each other": _settings_apart,
    "smaller than the sensor": _smaller_than_sensor,
    "round field": _round_field,
    "photos of one setting": _mixed,
    "framed": _framed,
    "cut out": _cut_out,
    "calibrations of one chip": _calibrations,
    "finest line by two sources": _two_finest_lines,
    "finest line by two scales": _two_scales,
}
