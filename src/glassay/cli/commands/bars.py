"""`glassay bars PHOTO`: a three-bar target's finest element, contrast and pixel size."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.cli.calibration import positive_length_um
from glassay.cli.photos import tone_notes
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.detail.bars import CONTRAST, measure_bars
from glassay.detail.bars_result import BarResult
from glassay.detail.bars_scale import ASSUMED_TOLERANCE
from glassay.errors import Unusable
from glassay.imaging import Photo, read_photo
from glassay.units import parse_fraction


@click.command()
@click.argument("photo", type=click.Path(path_type=Path))
@click.option("--group", type=click.IntRange(-2, 9), metavar="NUMBER",
              help="group of the largest element in view, where its numerals cannot be"
                   " read")  # fmt: skip
@click.option("--pixel-size", metavar="LENGTH",
              help="the photo's pixel size, from a scale at the same setting, like 0.8um: the group"
                   " follows from it where the numerals cannot be read")  # fmt: skip
@click.option("--contrast", default=f"{CONTRAST:g}", show_default=True, metavar="CONTRAST",
              help="contrast, (bar - space) / (bar + space), that counts as resolved, like 0.2 or"
                   " 20%")  # fmt: skip
@click.option("--tolerance", metavar="PERCENT",
              help="how far the target's bar widths may be off by its certificate,"
                   " like 0.2%")  # fmt: skip
@click.option("--tone", type=click.Choice(["srgb", "linear"]),
              help="how stored values relate to light, if not by the usual rule")  # fmt: skip
@single_photo_options
def command(
    photo: Path, group: int | None, pixel_size: str | None, contrast: str, tolerance: str | None,
    tone: str | None, box: str | None, figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure a three-bar resolving power target (MIL-STD-150A pattern) in PHOTO.

    At any rotation, bright or dark bars: the finest element that is resolved in both directions,
    the contrast of every element, and the pixel size along both axes.
    """
    read: list[Photo] = []

    def measure() -> BarResult:
        area = parse_box(box)
        least = _contrast(contrast)
        if group is not None and pixel_size is not None:
            raise Unusable("give either --group or --pixel-size, not both")
        size = None if pixel_size is None else positive_length_um(pixel_size, "--pixel-size")
        stated = None if tolerance is None else parse_fraction(tolerance)
        if stated is not None and not 0 <= stated < 0.2:
            raise Unusable(f"--tolerance {tolerance!r} must lie between 0 % and 20 %")
        read.append(read_photo(photo, tone))  # type: ignore[arg-type]
        if area is not None:
            read[0].crop(area)  # says so when it does not lie within the photo
        return measure_bars(
            read[0].linear_grey(), group=group, pixel_size_um=size, box=area, contrast=least,
            tolerance=ASSUMED_TOLERANCE if stated is None else stated,
            tolerance_stated=stated is not None, full=read[0].at_full_scale(),
            notes=tone_notes(read[0], tone), other_tones=read[0].other_tones,
        )  # fmt: skip

    def draw(result: BarResult) -> None:
        from glassay.report.evidence_bars import draw_bars

        assert figure is not None
        draw_bars(read[0], result, figure)

    answer(str(photo), measure, _say, as_json=as_json, draw=draw if figure else None)


def _contrast(text: str) -> float:
    """A contrast as a share (0.2) or a percentage (20 %). Raises `Unusable`."""
    try:
        found = parse_fraction(text) if "%" in text else float(text)
    except ValueError:
        found = 0.0
    if not 0.01 <= found <= 0.99:
        raise Unusable(f"--contrast {text!r} is no contrast from 0.01 to 0.99 (1 % to 99 %)")
    return found


def _say(found: BarResult) -> str:
    lines = []
    if found.finest is None or found.finest_frequency is None:
        lines.append(f"resolved      nothing at a contrast of {found.threshold:g}")
    else:
        width_um = 500 / found.finest.frequency_lp_mm
        lines.append(
            f"resolved      group {found.finest.group} element {found.finest.number}:"
            f" {say_quantity(found.finest_frequency)}, bars of {width_um:.3g} um,"
            f" at a contrast of {found.threshold:g}"
        )
    lines.append(f"pixel size    x {say_quantity(found.pixel_size_x)}   (95 % interval)")
    lines.append(f"              y {say_quantity(found.pixel_size_y)}")
    lines.append("element   lp/mm     contrast of upright bars   of level bars")
    for element in found.elements:
        both = [
            "-" if bars.contrast is None else say_quantity(bars.contrast)
            for bars in (element.upright, element.level)
        ]
        lines.append(
            f"  {element.group}-{element.number}   {element.frequency_lp_mm:8.2f}    "
            f"{both[0]:>22}   {both[1]}"
        )
    return "\n".join(lines)
