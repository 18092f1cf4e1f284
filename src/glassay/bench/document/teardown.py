"""The teardown log: parts seen with an instrument open, and the cautions that go before it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from glassay.bench.document import values
from glassay.bench.document.fields import Said, Table

CAUTIONS = (
    "Lithium cells: never pierce, bend or heat one. Remove or isolate it before anything else, and"
    " work on a surface that does not burn.",
    "Mains parts: leave them to people licensed for them. Capacitors keep their charge after the"
    " plug is out.",
    "Hot air and heated packages: they give off fumes and burn skin. Ventilate, protect the eyes,"
    " let things cool.",
    "Removing packages with acids: only in an equipped laboratory, under its rules. This log gives"
    " no recipe.",
    "Bare silicon and broken glass have sharp edges: protect the eyes, use tweezers, collect the"
    " splinters.",
    "Bright and ultraviolet lamps, lasers: do not look into them; follow the eye-safety class that"
    " the maker states.",
    "Workshop rules and disposal: local codes decide, and licensed practice goes before anything"
    " written here.",
)
"""Shown at the top of every teardown log, on screen and in print."""


@dataclass(frozen=True, slots=True)
class TeardownPart(Table):
    """A part seen with the instrument open. `photos` lie in the bench folder; `captures` are ids of
    captures whose findings belong to the part (the sensor's own die)."""

    form_name = "Part seen inside"

    part: Annotated[
        values.Words,
        Said("What it is", "image sensor", needed="what it is"),
    ]
    package: Annotated[values.Text, Said("Package")] = ""
    marking: Annotated[values.Text, Said("Marking, as read")] = ""
    """As read, also where it is unclear."""
    photos: Annotated[
        values.Files, Said("Photos, files inside the bench folder", alone="photo")
    ] = ()
    captures: Annotated[values.Texts, Said("Captures that show it, by id", alone="capture")] = ()
    date: values.Day = ""
    note: values.Note = ""
