"""How a single-photo command is told the scale of its photo: a pixel size, or a photo of a slide."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from glassay.errors import NotMeasurable, Unusable
from glassay.quantity import Quantity
from glassay.units import half_last_digit, parse, parse_fraction, parse_length_um


def calibration_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add `--pixel-size`, `--slide` and `--division` to a command."""
    for option in (
        click.option("--division", metavar="LENGTH",
                     help="length of one division of the slide in --slide, like 10um"),
        click.option("--slide", type=click.Path(path_type=Path), metavar="PHOTO",
                     help="photo of a ruled scale taken in the same setting"),
        click.option("--pixel-size", "pixel_sizes", multiple=True, metavar="LENGTH",
                     help="length of one px on the object, like 0.73um or, known better, 0.7300um:"
                          " where lengths are told it counts as known to half its last digit;"
                          " repeat it in the photos' order where they differ"),
    ):  # fmt: skip
        function = option(function)
    return function


def pixel_sizes_um(
    stated: Sequence[str],
    slide: Path | None,
    division: str | None,
    measured: Sequence[Path],
    photos: int = 1,
) -> tuple[Quantity | None, ...]:
    """The pixel size of each of so many `photos` (um/px), or None where nothing was said.

    A stated one is known to half its last digit; one that is stated once for several photos is the same
    unknown in all of them. Raises `Unusable` when the options contradict each other, and
    `NotMeasurable` when the slide's photo holds no scale or is of another size than the files that are
    `measured`.
    """
    if slide is not None and stated:
        raise Unusable("give either --pixel-size or --slide, not both")
    if slide is not None:
        if division is None:
            raise Unusable("--slide needs --division, the length of one division, like 10um")
        size = slide_pixel_size(slide, division, measured)
        return (size,) * photos
    if division is not None:
        raise Unusable("--division needs --slide, the photo of the slide that it belongs to")
    if not stated:
        return (None,) * photos
    if len(stated) not in (1, photos):
        raise Unusable(f"--pixel-size is given {len(stated)} times for {photos} photos")
    sizes = tuple(stated_pixel_size(text) for text in stated)
    return sizes * photos if len(sizes) == 1 else sizes


def stated_pixel_size(text: str, option: str = "--pixel-size") -> Quantity:
    """A pixel size (um/px) as written, known to half its last digit: a rectangular distribution
    (JCGM 100:2008, 4.3.7). Raises `Unusable` naming the option."""
    size = parse(text, "pixel size")
    if size <= 0:
        raise Unusable(f"{option} {text!r} must be more than zero")
    half = half_last_digit(text) or 0.0
    return Quantity(size, "um/px").with_contribution(
        "digits as written", size * half / math.sqrt(3), scope="bench"
    )


def slide_pixel_size(slide: Path, division: str, measured: Sequence[Path]) -> Quantity:
    """The pixel size (um/px) from a photo of a slide without a certificate, for the photos or the clip
    that are `measured`.

    Raises `NotMeasurable` when it holds no scale, and when one of them is of another size: its px are
    then others.
    """
    from glassay.imaging import read_photo
    from glassay.scale import Division, measure_scale
    from glassay.scale.calibrate import calibrate

    length = positive_length_um(division, "--division")
    photo = read_photo(slide)
    _refuse_other_sizes(slide, (photo.width, photo.height), measured)
    try:
        result = measure_scale(photo.measuring_grey())
    except NotMeasurable as error:
        hint = f"measure it by `glassay scale {slide}` and give its pixel size by --pixel-size"
        raise NotMeasurable(f"{slide}: {error}; {hint}") from None
    return calibrate(result, Division.uncertified(length)).pixel_size


def _refuse_other_sizes(slide: Path, size: tuple[int, int], measured: Sequence[Path]) -> None:
    for path in measured:
        # a turn by a quarter leaves the px as they are
        if path.is_dir() or sorted(_size_in_header(path)) == sorted(size):
            continue
        other = _picture_size(path)
        if other is not None and sorted(other) != sorted(size):
            raise NotMeasurable(
                f"{slide}: its picture is of another size, {size[0]} x {size[1]} px, than {path}, which"
                f" has {other[0]} x {other[1]} px: its pixel size does not belong there; photograph the"
                " slide in the same setting, picture size included"
            )


def _size_in_header(path: Path) -> tuple[int, ...]:
    """What a photo's header says at once, so that many need not be decoded twice; empty where it is
    not read so."""
    from PIL import Image

    try:
        with warnings.catch_warnings(action="ignore"), Image.open(path) as image:
            return image.size
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        return ()


def _picture_size(path: Path) -> tuple[int, int] | None:
    """Width and height of an upright photo or clip, px; None for what cannot be read, of which the
    measurement itself tells why."""
    from glassay.imaging import read_photo
    from glassay.imaging.file_names import is_clip

    try:
        if is_clip(path):
            from glassay.imaging.clip import open_clip

            facts = open_clip(path).facts
            return facts.width, facts.height
        photo = read_photo(path)
    except Unusable:
        return None
    return photo.width, photo.height


def positive_length_um(text: str, option: str) -> float:
    """A length above zero, in um. Raises `Unusable` naming the option."""
    length = parse_length_um(text)
    if length <= 0:
        raise Unusable(f"{option} {text!r} must be more than zero")
    return length


def stated_division_u_um(text: str | None, length_um: float) -> float | None:
    """`--certificate` as a standard uncertainty in um: a length, or a percentage of the division."""
    if text is None:
        return None
    u = parse_fraction(text) * length_um if text.rstrip().endswith("%") else parse_length_um(text)
    if not 0 < u <= length_um / 10:
        raise Unusable(
            f"--certificate {text!r} is no uncertainty of a {length_um:g} um division: it must be"
            " more than zero, and at most a tenth of it"
        )
    return u
