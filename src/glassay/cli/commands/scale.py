"""`glassay scale PHOTO --division 10um`: pixel size and field from one photo."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.cli.calibration import positive_length_um, stated_division_u_um
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.imaging import Photo, read_photo
from glassay.imaging.tone import Tone
from glassay.scale import Calibration, Division, calibrate, measure_scale
from glassay.scale.measure import Pattern


@click.command()
@click.argument("photo", type=click.Path(path_type=Path))
@click.option("--division", required=True, metavar="LENGTH",
              help="length of the finest division, like 10um or 0.1mm")  # fmt: skip
@click.option("--certificate", metavar="U",
              help="standard uncertainty of that length from the slide's certificate,"
                   " like 0.005um or 0.05%")  # fmt: skip
@click.option("--pattern", type=click.Choice(["auto", "ruled", "grid"]), default="auto",
              show_default=True, help="what the photo shows: a ruled scale or a grid")  # fmt: skip
@click.option("--tone", type=click.Choice(["srgb", "linear"]),
              help="how stored values relate to light, if not by the usual rule")  # fmt: skip
@single_photo_options
def command(
    photo: Path, division: str, certificate: str | None, pattern: Pattern, tone: Tone | None,
    box: str | None, figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure the pixel size and the field from PHOTO, a photo of a ruled scale or a grid."""
    read: list[Photo] = []

    def measure() -> Calibration:
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
        )
        known = Division.uncertified(length) if u is None else Division(length, u)
        return calibrate(result, known, read[0].notes)

    def draw(calibration: Calibration) -> None:
        from glassay.report.evidence_scale import draw_scale

        assert figure is not None
        draw_scale(read[0], calibration, figure)

    answer(str(photo), measure, _say, as_json=as_json, draw=draw if figure else None)


def _say(found: Calibration) -> str:
    result = found.result
    lines = [f"pixel size    {say_quantity(found.pixel_size)}   (95 % interval)"]
    if found.pixel_size_y is not None:
        lines.append(f"  along the other axis {say_quantity(found.pixel_size_y)}")
    millimetre = [found.field_width.scaled(1e-3, "mm"), found.field_height.scaled(1e-3, "mm")]
    size = f"{say_quantity(millimetre[0])} wide, {say_quantity(millimetre[1])} high"
    if found.field_diameter is None:
        lines.append(f"field         {size}")
    else:  # the rest of the picture is black
        across = say_quantity(found.field_diameter.scaled(1e-3, "mm"))
        lines.append(f"round field   {across} across, in a picture {size}")
    what = "lines" if result.pattern == "ruled" else "cells or dots"
    lines.append(
        f"seen          {result.lines} {what}, one division is {say_quantity(result.division)},"
        f" {found.divisions_across.value:.1f} across the field"
    )
    lines.append(f"tilt          {result.tilt.value:.2f} deg, clockwise as seen")
    return "\n".join(lines)
