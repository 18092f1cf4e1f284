"""Which measurement is made on which captures: each one record, here or in other packages."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from glassay.bench.document.model import ObjectKind
from glassay.bench.measuring.methods import (
    array,
    clips,
    detail,
    field,
    focus,
    match,
    mosaic,
    noise,
    scale,
    stack,
)
from glassay.bench.measuring.methods.contract import Medium, Method, Outcome, photo_facts
from glassay.bench.measuring.methods.scale import division_u
from glassay.extensions import Records
from glassay.imaging.file_names import CLIP_SUFFIXES

_OWN = tuple(
    method
    for module in (scale, detail, clips, match, array, field, noise, focus, stack, mosaic)
    for method in module.METHODS
)
METHODS: Records[Method] = Records(
    "glassay.methods", Method, ((method.name, method) for method in _OWN)
)
"""Every method by its name, in the order in which they are made; those of other packages last."""


def medium_of(files: Sequence[str | Path]) -> Medium:
    """Whether a capture is a clip or photos, going by the names of its files."""
    clips = [Path(file).suffix.lower() in CLIP_SUFFIXES for file in files]
    return "clip" if all(clips) and clips else "photos"


def methods_for(kind: ObjectKind, medium: Medium) -> tuple[Method, ...]:
    """The methods made on captures of this kind of object, in order."""
    return tuple(m for m in METHODS.values() if kind in (*m.kinds, *m.aside) and medium in m.media)


__all__ = [
    "METHODS",
    "Method",
    "Outcome",
    "division_u",
    "medium_of",
    "methods_for",
    "photo_facts",
]
