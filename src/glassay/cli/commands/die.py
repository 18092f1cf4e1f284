"""`glassay die PHOTO`: a die's size, pads, finest line and pitch."""

from __future__ import annotations

import math
from pathlib import Path

import click

from glassay.bench.judging.decide import half_last_digit
from glassay.cli.calibration import calibration_options, pixel_sizes_um, positive_length_um
from glassay.cli.photos import parse_tone, tone_option
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.die import DieResult, measure_die
from glassay.imaging import Photo, read_photo
from glassay.quantity import Quantity


@click.command()
@click.argument("photo", type=click.Path(path_type=Path))
@click.option("--tells", metavar="LENGTH",
              help="the finest line that the instrument tells in this setting, like 1.6um")  # fmt: skip
@tone_option
@calibration_options
@single_photo_options
def command(
    photo: Path, tells: str | None, tone: str | None, pixel_sizes: tuple[str, ...],
    slide: Path | None, division: str | None, box: str | None, figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure the die in PHOTO: outline and size, tilt, bond pads, finest line and pitch.

    The die must lie wholly in the photo, on a surround that is even and of another brightness. Size is
    that of the silicon as it was sawn, seal ring and what is left of the street included.
    """
    read: list[Photo] = []

    def measure() -> DieResult:
        (size,) = pixel_sizes_um(pixel_sizes, slide, division)
        told = None if tells is None else positive_length_um(tells, "--tells")
        area = parse_box(box)
        read.append(read_photo(photo, parse_tone(tone)))
        if area is not None:
            read[0] = read[0].crop(area)
        if size is not None and pixel_sizes:
            size = as_written(size, pixel_sizes[0])
        return measure_die(read[0].measuring_grey(), size, told_um=told, frame=read[0].frame)

    def draw(result: DieResult) -> None:
        from glassay.report.evidence_die import draw_die

        assert figure is not None
        draw_die(read[0], result, figure)

    found: list[DieResult] = []

    def kept() -> DieResult:
        found.append(measure())
        return found[0]

    answer(str(photo), kept, say_die, as_json=as_json, draw=draw if figure else None,
           beside=lambda: found[0].beside())  # fmt: skip


def as_written(size: Quantity, text: str) -> Quantity:
    """The size, known to half its last digit: a rectangular distribution (JCGM 100:2008, 4.3.7)."""
    half = half_last_digit(text) or 0.0
    return size.with_contribution("digits as written", size.value * half / math.sqrt(3))


def say_die(result: DieResult) -> str:
    """The answer in lines."""
    found = result.findings()
    lines = [
        f"size          {say_quantity(result.width)} x {say_quantity(result.height)}, at the saw cut"
        "   (95 % intervals)",
        f"tilt          {say_quantity(result.outline.tilt)}",
        f"pads          {len(result.pads)}",
    ]
    for row in result.rows:
        pitch = (
            "no even pitch"
            if row.pitch is None
            else f"every {say_quantity(result.length(row.pitch))}"
        )
        lines.append(f"  {row.side:<8}    {row.count} pads, {pitch}")
    for name, words in (
        ("line", "finest line"),
        ("space", "finest space"),
        ("pitch", "finest pitch"),
    ):
        key = f"finest_{name}"
        limit = found.get(f"finest_{'pitch' if name == 'pitch' else 'line'}_limit")
        if limit is None:
            continue
        least = f"{limit.quantity.value:.2g} {limit.quantity.unit}"
        said = say_quantity(found[key].quantity) if key in found else "none told"
        lines.append(f"{words:<13} {said}   (no finer than {least} could be seen)")
    if result.process is not None:
        lines.append(result.process.statement)
    return "\n".join(lines)
