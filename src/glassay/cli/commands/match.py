"""`glassay match FIRST SECOND`: two photos of one chip laid over each other."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from glassay.cli.calibration import pixel_sizes_um, slide_pixel_size
from glassay.cli.single import answer, figure_option, say_quantity
from glassay.errors import Unusable
from glassay.imaging import Photo, read_photo
from glassay.match import MatchResult, match
from glassay.quantity import Quantity


@click.command()
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option(
    "--pixel-size",
    "pixel_sizes",
    multiple=True,
    metavar="LENGTH",
    help="length of one px on the object, like 0.73um; repeat it, once for each photo",
)
@click.option(
    "--slide",
    "slides",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="PHOTO",
    help="photo of a ruled scale taken in the setting of the first photo; repeat it for the second",
)
@click.option(
    "--division",
    metavar="LENGTH",
    help="length of one division of the slide in both --slide photos, like 10um",
)
@figure_option("draw the evidence over the photos")
@click.option("--json", "as_json", is_flag=True, help="print the answer as data")
def command(
    first: Path, second: Path, pixel_sizes: tuple[str, ...], slides: tuple[Path, ...],
    division: str | None, figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Lay SECOND over FIRST, two photos of one chip: their scale ratio and rotation.

    Magnifications may be up to 20 times apart, rotation, lighting and blur may differ. Without
    calibrations the photos alone decide; with them (--pixel-size or --slide, once for each photo)
    the search is quicker, and their ratio is held against the one found. A pixel size counts as
    known to half its last digit.
    """
    read: list[Photo] = []

    def measure() -> MatchResult:
        one, two = _calibrations(pixel_sizes, slides, division, (first, second))
        read.extend(read_photo(path) for path in (first, second))
        # luminance uses every pixel behind a colour mosaic; green alone doubles the error
        grey = [photo.linear_grey() for photo in read]
        return match(*grey, pixel_size_1=one, pixel_size_2=two)

    def draw(result: MatchResult) -> None:
        from glassay.report.evidence_match import draw_match

        assert figure is not None
        draw_match(read[0], read[1], result, figure)

    answer((first, second), measure, _say, as_json=as_json, draw=draw if figure else None)


def _calibrations(
    stated: Sequence[str], slides: Sequence[Path], division: str | None, photos: tuple[Path, Path]
) -> tuple[Quantity | None, Quantity | None]:
    if slides and stated:
        raise Unusable("give either --pixel-size or --slide, not both")
    if slides:
        if division is None:
            raise Unusable("--slide needs --division, the length of one division, like 10um")
        if len(slides) != 2:
            raise Unusable("give --slide twice: one photo of the slide for each of the two photos")
        one, two = (
            slide_pixel_size(slide, division, [photo])
            for slide, photo in zip(slides, photos, strict=True)
        )
        return one, two
    # Stated once, it is each photo's all the same: the two may differ by what the digits leave open.
    each = tuple(stated) * 2 if len(stated) == 1 else stated
    known = pixel_sizes_um(each, None, division, photos, 2)
    return known[0], known[1]


def _say(result: MatchResult) -> str:
    width, height = result.shared_px
    lines = [
        f"scale ratio   {say_quantity(result.scale_ratio)}   (pixel size of the second photo over"
        " that of the first, 95 % interval)",
        f"rotation      {say_quantity(result.rotation)}, second against first, clockwise as seen",
        f"residual      {say_quantity(result.residual)} of the finer photo",
        f"shared        {width:.0f} x {height:.0f} px of the coarser photo",
    ]
    error, ratio = result.calibration_error, result.calibration_ratio
    if error is not None and ratio is not None:
        lines.append(
            f"calibrations  {result.calibrations}: their ratio is {ratio.value:.6g},"
            f" {100 * error.value:+z.3f} % off (within {100 * error.expanded:.3f} %)"
        )
    return "\n".join(lines)
