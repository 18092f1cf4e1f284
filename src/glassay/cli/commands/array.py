"""`glassay array PHOTO [PHOTO ...]`: pitch of a lattice, and a sensor's array from photos of it."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from glassay.cli.calibration import calibration_options, pixel_sizes_um
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.imaging import Photo, read_photo
from glassay.lattice import ArrayResult, DiePicture, measure_array


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--mosaic", type=click.Choice(["auto", "colour", "none"]), default="auto",
              show_default=True,
              help="whether a two by two colour mosaic lies over the pixels")  # fmt: skip
@calibration_options
@single_photo_options
def command(
    photos: tuple[Path, ...], mosaic: Literal["auto", "colour", "none"],
    pixel_sizes: tuple[str, ...], slide: Path | None, division: str | None, box: str | None,
    figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure a sensor's pixels from PHOTOS of its die: a close-up for the pitch, an overview for
    the extent, in any order; one photo may do. Of bond pads or any other lattice the pitch is given.

    With the pixel size of each photo (in their order) the pitch is in um. --box applies to the
    first photo.
    """
    read: list[Photo] = []

    def measure() -> ArrayResult:
        area = parse_box(box)
        sizes = pixel_sizes_um(pixel_sizes, slide, division, photos, len(photos))
        read.extend(read_photo(path) for path in photos)
        if area is not None:
            read[0] = read[0].crop(area)
        pictures = [
            DiePicture(photo.linear_light(), size, name=path.name, frame=photo.frame)
            for photo, size, path in zip(read, sizes, photos, strict=True)
        ]
        return measure_array(pictures, mosaic=mosaic)

    def draw(result: ArrayResult) -> None:
        from glassay.report.evidence_array import draw_array

        assert figure is not None
        draw_array(read, result, figure)

    answer(photos, measure, _say, as_json=as_json, draw=draw if figure else None)


def _say(result: ArrayResult) -> str:
    lines = []
    for axis, pitch in (("along x", result.pitch_x), ("along y", result.pitch_y)):
        if pitch is not None:
            lines.append(f"pitch {axis} {say_quantity(pitch)}   (95 % interval)")
    if result.columns is not None and result.rows is not None:
        lines.append(
            f"pixels        {result.columns.value:.0f} x {result.rows.value:.0f}"
            f" (within {result.columns.expanded:.1f} and {result.rows.expanded:.1f})"
        )
    if result.megapixels is not None:
        lines.append(f"in millions   {say_quantity(result.megapixels)}")
    if result.width is not None and result.height is not None:
        unit, scale = ("mm", 1e-3) if result.width.unit == "um" else ("px", 1.0)
        named = result.findings().get("optical_format")
        lines.append(
            f"active area   {result.width.value * scale:.4g} x {result.height.value * scale:.4g}"
            f" {unit}" + (f", {named.value}" if named else "")
        )
    lines.append(f"tilt          {result.lattice.tilt_deg:z.2f} deg")
    return "\n".join(lines)
