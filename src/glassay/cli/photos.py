"""What commands on several photos share: reading them in linear light with a stated tone curve."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from glassay.cli.single import Box
from glassay.errors import Unusable
from glassay.imaging import Photo, read_photo
from glassay.imaging.tone import Tone
from glassay.imaging.tone import parse_tone as tone_of


def tone_option(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add `--tone` to a command."""
    return click.option(
        "--tone", metavar="CURVE",
        help="how stored values relate to light, if not by the usual rule: srgb, linear, or the"
             " exponent of a power law, like 2.2",
    )(function)  # fmt: skip


def parse_tone(text: str | None) -> Tone | None:
    """Read `--tone`. Raises `Unusable`."""
    try:
        return None if text is None else tone_of(text)
    except Unusable as error:
        raise Unusable(f"--tone {error}") from None


def read_photos(paths: Sequence[Path], tone: str | None, box: Box | None) -> list[Photo]:
    """The photos, cut to `box` where it is given. Raises `Unusable`."""
    curve = parse_tone(tone)
    read = [read_photo(path, curve) for path in paths]
    return read if box is None else [photo.crop(box) for photo in read]


def tone_notes(photo: Photo, stated: str | None) -> tuple[str, ...]:
    """That the usual tone curve was assumed, where it matters and none was stated."""
    if stated is not None or not photo.tone_assumed:
        return photo.notes
    curve = "sRGB" if photo.tone == "srgb" else "linear"
    return (
        *photo.notes,
        f"stored values are taken as {curve}; state --tone if the camera does otherwise",
    )
