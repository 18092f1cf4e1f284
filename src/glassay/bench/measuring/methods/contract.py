"""What every way of measuring a capture takes and gives.

A method gets the capture's files and its settings as plain data, because it runs in another
process, and returns an `Outcome` or raises `NotMeasurable` or `Unusable`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from glassay.bench.document.model import Bench, Capture, ObjectKind
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging import Photo, read_photo

Settings = Mapping[str, Any]

Medium = Literal["photos", "clip"]


@dataclass(frozen=True)
class Outcome:
    """What a method found: findings by key, notes, evidence for drawing, facts of the files."""

    findings: Mapping[str, Finding]
    notes: tuple[str, ...] = ()
    evidence: Any = None
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Method:
    """One way to measure a capture.

    It is made on captures of these `kinds` of objects that consist of one of these `media`.
    `settings` picks what the result depends on besides the files; `version` is raised whenever the
    same input may give another number. It is made `aside` on further kinds, whose captures are
    there for something else (edges in a photo of a chip): finding nothing is normal there and no
    failure. `wanted` leaves single captures out.
    """

    name: str
    kinds: tuple[ObjectKind, ...]
    version: Callable[[], str]
    settings: Callable[[Bench, Capture], dict[str, Any]]
    measure: Callable[[Sequence[Path], Settings], Outcome]
    media: tuple[Medium, ...] = ("photos",)
    slow: bool = False
    """Takes much longer than most: begun first, so that no processor waits for it in the end."""
    aside: tuple[ObjectKind, ...] = ()
    wanted: Callable[[Bench, Capture], bool] = lambda bench, capture: True


def box_only(bench: Bench, capture: Capture) -> dict[str, Any]:
    """Settings of a method that depends on nothing but the files and the box."""
    return {"box": capture.box}


def word_for(capture: Capture) -> Literal["filed", "said"]:
    """Whose word it is that a capture shows its scale or grid: being filed under one may be a mistake,
    a stated `pattern` is not."""
    return "filed" if capture.pattern == "auto" else "said"


def area(settings: Settings) -> tuple[int, int, int, int] | None:
    """The box in a method's settings, px of the upright photo; None for the whole photo."""
    box = settings["box"]
    return None if box is None else (box[0], box[1], box[2], box[3])


def only_photo(paths: Sequence[Path], shown: str) -> Photo:
    """The photo of a capture that has one; `shown` names it in the refusal of several."""
    if len(paths) != 1:
        raise NotMeasurable(f"a capture of {shown} is one photo; file each as its own capture")
    return read_photo(paths[0])


def photo_facts(photo: Photo) -> dict[str, Any]:
    """What a photo's file states, for result files and reports."""
    return {
        "width": photo.width,
        "height": photo.height,
        "format": photo.facts.get("format"),
        "bits": photo.facts.get("bits"),
        "bytes": photo.facts.get("bytes"),
        "exif": dict(photo.facts.get("exif", {})),
    }
