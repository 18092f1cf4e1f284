"""Verdicts in sentences: each kind of statement that a decision makes, in one place."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import cast

from glassay import units
from glassay.bench.document.claims import OTHER
from glassay.bench.document.model import Claim
from glassay.bench.keeping.results import Statement, Verdict, VerdictWord
from glassay.bench.saying.words import listed, say, say_length, say_time, say_times, short
from glassay.quantity import Quantity


def sentence_of(claim: Claim, word: VerdictWord, why: Statement) -> str:
    """The verdict as a sentence that can be quoted as it stands."""
    return f"{quoted(claim)} ({claim.where}) is {word}: {in_words(why)}."


def quoted(claim: Claim) -> str:
    """The claim as a reader would quote it: of a range, the end that it is about."""
    ends = units.split_range(claim.text)
    text = claim.text
    if ends is not None and claim.value is not None:
        text = f"from {_with_unit(*ends)}" if claim.is_low_end else f"up to {ends[1]}"
    return text if claim.kind == OTHER else f"{claim.kind} {text}"


def _with_unit(low: str, high: str) -> str:
    """The low end with the unit that is written once, behind the high end."""
    if not low or not low[-1].isdigit():
        return low
    return low + high.lstrip("0123456789.+-")


def tally(verdicts: Sequence[Verdict]) -> str:
    """How many claims are met and how many not: "1 met, 3 not met"."""
    words = [verdict.word for verdict in verdicts]
    counts = [
        f"{words.count(word)} {word}"
        for word in ("met", "not met", "undecided", "untested")
        if word in words
    ]
    return listed(counts).replace(" and ", ", ")


def in_words(one: Statement) -> str:
    """A statement in words: a reason without its full stop, a detail as a whole sentence."""
    return _SENTENCES[one.kind](one)


def say_value(value: Quantity) -> str:
    """A number of any claim in the unit that reads best."""
    if value.unit == "s":
        return say_time(value)
    return say_length(value) if value.unit == "um" else say(value, f" {value.unit}")


def _quantity(one: Statement, index: int = 0) -> Quantity:
    return cast(Quantity, one.numbers[index])


def _number(one: Statement, index: int = 0) -> float:
    return cast(float, one.numbers[index])


# ---- magnification -------------------------------------------------------------------------------


def _takes(one: Statement) -> str:
    text = f"it takes {one.names[0]}"
    if one.numbers:
        text += f"; the stated factors alone multiply to {short(_number(one))}x"
    return text


def _reaches(one: Statement) -> str:
    value, zoom, *same = one.numbers
    with_zoom = f" with {zoom:g}x digital zoom" if zoom != 1 else ""
    text = f"it {one.kind} {say_times(cast(Quantity, value))}{with_zoom}, {one.names[0]}"
    for equivalent in same:
        text += (
            f"; its field is that of an eyepiece view of {say_times(cast(Quantity, equivalent))}"
        )
    return text


def _end_unseen(one: Statement) -> str:
    what, where, setting, *reading = one.names
    photo = "photo of a ruled scale" + (
        " with its whole round field" if what == "round field" else ""
    )
    value = _quantity(one)
    if reading:
        return (
            f"it takes a {photo} {where}; in setting {setting} it gives {say_times(value)},"
            f" {reading[0]}"
        )
    return f"it takes a {photo} {where}; in setting {setting} it is {say_value(value)}"


def _without_zoom(one: Statement) -> str:
    zoom, claimed, plain = one.numbers
    return (
        f"The claim counts {zoom:g}x digital zoom; without it, it says {short(cast(float, claimed))}x,"
        f" and the microscope gives {say_times(cast(Quantity, plain))}: {one.names[0]}. Digital zoom"
        " adds no detail."
    )


def _zoom_of_setting(one: Statement) -> str:
    return (
        f"This includes {_number(one):g}x digital zoom of the setting, which adds no detail; without"
        f" it, it is {say_times(_quantity(one, 1))}."
    )


def _factors_against_field(one: Statement) -> str:
    return (
        f"The stated factors multiply to {say_times(_quantity(one))}, but the field seen is that of"
        f" {say_times(_quantity(one, 1))}."
    )


def _display_needed(one: Statement) -> str:
    needed, claimed, width, zoom = one.numbers
    counted = f", divided by {zoom:g}x digital zoom" if zoom != 1 else ""
    return (
        "On a display the claim holds when the picture is"
        f" {say_length(cast(Quantity, needed).scaled(1000, 'um'))} wide"
        f" ({short(cast(float, claimed))}x times the field width of"
        f" {say_length(cast(Quantity, width))}{counted})."
    )


def _aperture(one: Statement) -> str:
    """Where the limit of detail comes from; its numbers follow the limit itself."""
    if one.names[0] == "stated aperture":
        return f"the stated aperture of {_number(one, 1):g}"
    return (
        f"pixels of {short(_quantity(one, 1).value)} um carry an aperture of {_number(one, 2):.2g} at"
        " most"
    )


def _detail_ends(one: Statement) -> str:
    return (
        f"Detail cannot follow that far: it ends at {_quantity(one).value:.3g}x at the latest"
        f" (1000 x NA; {_aperture(one)}), and beyond that the picture only gets larger."
    )


def _detail_could_follow(one: Statement) -> str:
    return (
        f"Detail could follow that far: the limit is {_quantity(one).value:.3g}x (1000 x NA;"
        f" {_aperture(one)})."
    )


# ---- one number ----------------------------------------------------------------------------------


def _observed(one: Statement) -> str:
    return f"as observed, {_said_of(*one.names)}"


def _said_of(what: str, value: str, date: str) -> str:
    said = f"{what}: {value}" if value else what
    return said + (f" (noted {date})" if date else "")


def _observed_both(one: Statement) -> str:
    return (
        f'as observed, it is both kept and not: "{_said_of(*one.names[:3])}" and'
        f' "{_said_of(*one.names[3:])}" exclude each other, and nothing tells which is the later'
    )


def _notes_at_odds(one: Statement) -> str:
    where, elsewhere = one.names
    return (
        f"it is {say_value(_quantity(one))}, {where}, and {say_value(_quantity(one, 1))},"
        f" {elsewhere}: the two exclude each other, and nothing tells which is the later"
    )


def _line_only_bounded(one: Statement) -> str:
    setting, how = one.names
    return (
        f"detail in setting {setting} is only bounded, by {say_length(_quantity(one))} ({how}); it"
        " takes a photo of a sharp edge or a bar target"
    )


def _files_too_small(one: Statement) -> str:
    return f"the largest of its photos here has {short(_number(one))} million pixels in all"


def _native_but_no_sensor(one: Statement) -> str:
    return (
        f"its photos carry {say(_quantity(one))} million real pixels, but a sensor may have more than"
        " it delivers; a photo of the sensor's own die would tell"
    )


def _sensor_too_small(one: Statement) -> str:
    return (
        f"its sensor has {say(_quantity(one))} million pixels in all, seen on its own die"
        f" ({one.names[0]}), and no picture can hold more of them"
    )


def _pixels_of_the_die(one: Statement) -> str:
    columns, rows = _quantity(one), _quantity(one, 1)
    return (
        f"The die has {columns.value:.0f} x {rows.value:.0f} pixels (within {columns.expanded:.0f} and"
        f" {rows.expanded:.0f})."
    )


def _file_names_another_rate(one: Statement) -> str:
    stated, repeated, frames = (_quantity(one, i) for i in range(3))
    return (
        f"The file names {say(stated)} a second: {repeated.value:.0f} of its {frames.value:.0f} frames"
        " only repeat the one before."
    )


def _clip(more: str) -> Callable[[Statement], str]:
    def text(one: Statement) -> str:
        capture, width, height = one.names
        return f"its largest clip ({capture}) has {width} x {height} px{more}"

    return text


_SENTENCES: Mapping[str, Callable[[Statement], str]] = {
    "as said": lambda one: one.names[0],
    "takes": _takes,
    "in words": lambda one: "it is in words, and no number settles it",
    "observed": _observed,
    "observed both": _observed_both,
    "observed earlier": lambda one: (
        f"The contrary was observed earlier: {_said_of(*one.names)}; the latest counts."
    ),
    "printed": lambda one: f"Printed as {one.names[0]}, which stands for {one.names[1]}.",
    # magnification
    "reaches": _reaches,
    "goes down to": _reaches,
    "gives": _reaches,
    "end unseen": _end_unseen,
    "without zoom": _without_zoom,
    "zoom of the setting": _zoom_of_setting,
    "factors against field": _factors_against_field,
    "display needed": _display_needed,
    "detail ends": _detail_ends,
    "detail could follow": _detail_could_follow,
    # one number
    "in setting": lambda one: f"it is {say_value(_quantity(one))} in setting {one.names[0]}",
    "native pixels count": lambda one: (
        f"Native pixels count; those of its files, {say_value(_quantity(one))}, are enlarged from"
        " fewer."
    ),
    "noted": lambda one: f"it is {say_value(_quantity(one))}, {one.names[0]}",
    "noted earlier": lambda one: (
        f"An earlier note excludes this: {say_value(_quantity(one))}, {one.names[0]}; the latest"
        " counts."
    ),
    "notes at odds": _notes_at_odds,
    # lines
    "line": lambda one: (
        f"it is {say_length(_quantity(one))} in setting {one.names[0]} ({one.names[1]})"
    ),
    "no finer line": lambda one: (
        f"no line finer than {say_length(_quantity(one))} can be shown in setting {one.names[0]}"
        f" ({one.names[1]})"
    ),
    "line only bounded": _line_only_bounded,
    # pixels
    "files too small": _files_too_small,
    "native but no sensor": _native_but_no_sensor,
    "does not tell": lambda one: (
        f"{one.names[0]} does not tell: {one.names[1] or 'no trace was found'}"
    ),
    "on the die": lambda one: (
        f"it is {say_value(_quantity(one))}, seen on the sensor's own die ({one.names[0]})"
    ),
    "sensor too small": _sensor_too_small,
    "pixels of the die": _pixels_of_the_die,
    # clips
    "no moving clip": lambda one: (
        f"it takes a clip with something moving in it, {_number(one):.0f} frames or longer"
    ),
    "delivers": lambda one: (
        f"it delivers {say(_quantity(one))} different pictures a second ({one.names[0]})"
    ),
    "repeats hidden": lambda one: (
        "Compression hides whether frames repeat; a clip of something that moves, with less"
        " compression, can tell."
    ),
    "file names another rate": _file_names_another_rate,
    "no still clip": lambda one: "it takes a clip of a still scene",
    "clip": _clip(""),
    "clip of unknown pixels": _clip(", and nothing in it tells whether all of them are real"),
    "clip of native pixels": _clip(", and none were made up by enlarging"),
    "clip enlarged": _clip(", but its frames are enlarged from fewer"),
    "clip enlarged, by how much hidden": _clip(
        ", but its frames are enlarged from fewer; compression hides how many"
    ),
    "no long clip": lambda one: "it takes a clip recorded until it stops",
    "no clip long enough": lambda one: (
        "it takes a clip recorded until it stops; the longest here lasts"
        f" {say_time(_quantity(one))} ({one.names[0]})"
    ),
    "recording breaks off": lambda one: (
        f"the longest recording breaks off after {say_time(_quantity(one))} ({one.names[0]})"
    ),
    "recording lasts": lambda one: (
        f"the longest recording lasts {say_time(_quantity(one))} ({one.names[0]})"
    ),
}
"""A sentence for every kind of statement in `glassay.bench.judging`."""
