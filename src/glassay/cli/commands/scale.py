"""`glassay scale PHOTO --division 10um`: pixel size and field from one photo."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import click

from glassay.cli.calibration import positive_length_um, stated_division_u_um
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.detail.grey_levels import check_palette
from glassay.detail.line_response import response_of_lines
from glassay.detail.line_result import LineResponse
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging import Photo, read_photo
from glassay.imaging.tone import Tone
from glassay.scale import Calibration, Division, measure_scale
from glassay.scale.calibrate import calibrate
from glassay.scale.measure import Pattern


@dataclass(frozen=True)
class Slide:
    """What a photo of a slide tells: its scale, and the response where the lines tell it."""

    calibration: Calibration
    response: LineResponse | None
    notes: tuple[str, ...]

    def findings(self) -> Mapping[str, Finding]:
        """Findings of both; the line's own width is evidence of the response."""
        told = {} if self.response is None else self.response.findings()
        return {**self.calibration.findings(), **told}


@click.command()
@click.argument("photo", type=click.Path(path_type=Path))
@click.option("--division", required=True, metavar="LENGTH",
              help="length of the finest division, like 10um or 0.1mm")  # fmt: skip
@click.option("--certificate", metavar="U",
              help="standard uncertainty of that length from the slide's certificate,"
                   " like 0.005um or 0.05%")  # fmt: skip
@click.option("--pattern", type=click.Choice(["auto", "ruled", "grid"]), default="auto",
              show_default=True, help="what the photo shows: a ruled scale or a grid")  # fmt: skip
@click.option(
    "--plain-ruling",
    is_flag=True,
    help="the photo does show a scale, though none of its lines are longer",
)
@click.option("--tone", type=click.Choice(["srgb", "linear"]),
              help="how stored values relate to light, if not by the usual rule")  # fmt: skip
@single_photo_options
def command(
    photo: Path, division: str, certificate: str | None, pattern: Pattern,
    plain_ruling: bool, tone: Tone | None,
    box: str | None, figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure the pixel size and the field from PHOTO, a photo of a ruled scale or a grid."""
    read: list[Photo] = []

    def measure() -> Slide:
        length = positive_length_um(division, "--division")
        u = stated_division_u_um(certificate, length)
        area = parse_box(box)
        read.append(read_photo(photo, tone))
        if area is not None:
            read[0].crop(area)  # says so when it does not lie within the photo
        result = measure_scale(
            read[0].measuring_grey(),
            pattern=pattern,
            box=area,
            word="said" if plain_ruling or pattern != "auto" else "none",
        )
        known = Division.uncertified(length) if u is None else Division(length, u)
        calibration = calibrate(result, known, read[0].notes)
        response: LineResponse | None = None
        why: tuple[str, ...] = ()
        if result.pattern == "ruled":
            try:
                check_palette(read[0].facts)
                response = response_of_lines(
                    read[0].linear_grey(), result.segments, result.division.value,
                    read[0].facts.get("quantization"), read[0].other_tones,
                )  # fmt: skip
            except NotMeasurable as error:
                why = (f"finest line not told by the scale's own lines: {error}",)
        notes = (*calibration.notes, *why, *(response.notes if response else ()))
        return Slide(calibration, response, notes)

    def draw(slide: Slide) -> None:
        from glassay.report.evidence_scale import draw_scale

        assert figure is not None
        draw_scale(read[0], slide.calibration, figure)

    answer(str(photo), measure, _say, as_json=as_json, draw=draw if figure else None)


def _say(slide: Slide) -> str:
    found, response = slide.calibration, slide.response
    result = found.result
    lines = [f"pixel size    {say_quantity(found.pixel_size)}   (95 % interval)"]
    if found.pixel_size_y is not None:
        lines.append(f"  along the other axis {say_quantity(found.pixel_size_y)}")
    sides = [
        say_quantity(one.scaled(1e-3, "mm"))
        for one in (found.field_width, found.field_height)
        if one is not None
    ]
    size = f"{sides[0]} wide, {sides[1]} high" if sides else "not told"
    if found.field_diameter is None:
        lines.append(f"field         {size}")
    else:  # the rest of the picture is black
        across = say_quantity(found.field_diameter.scaled(1e-3, "mm"))
        lines.append(f"round field   {across} across, in a picture {size}")
    what = "lines" if result.pattern == "ruled" else "cells or dots"
    lines.append(
        f"seen          {result.lines} {what}, one division is {say_quantity(result.division)}"
        + (
            f", {found.divisions_across.value:.1f} across the field"
            if found.divisions_across
            else ""
        )
    )
    lines.append(f"tilt          {result.tilt.value:z.2f} deg, clockwise as seen")
    if response is not None and response.frequency_10 is not None:
        lines.append(
            f"finest line   10 % modulation at {say_quantity(response.frequency_10)},"
            f" 50 % at {say_quantity(response.frequency_50)}"
        )
    return "\n".join(lines)
