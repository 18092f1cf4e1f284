"""`glassay field PHOTO [PHOTO ...]`: light, geometry and colour across the field."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.bench.measuring.joined import view_of
from glassay.cli.calibration import calibration_options, pixel_sizes_um
from glassay.cli.photos import read_photos, tone_notes, tone_option
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.errors import Unusable
from glassay.field import PARTS, FieldPhoto, FieldResult, flat_correction, measure_field
from glassay.imaging import Photo
from glassay.imaging.compression import LOSSY_FORMATS


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--only", type=click.Choice(PARTS), help="measure this alone")
@click.option("--flat", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
              help="write the image by which photos are multiplied, in linear light, to be even"
                   " (.tif, floating point)")  # fmt: skip
@tone_option
@calibration_options
@single_photo_options
def command(
    photos: tuple[Path, ...], only: str | None, flat: Path | None, tone: str | None,
    pixel_sizes: tuple[str, ...], slide: Path | None, division: str | None, box: str | None,
    figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure how light, geometry and colour change across the field of one setting.

    A photo of something even (bare silicon, a mirror, paper out of focus) gives evenness, hot spots
    and colour shift. A grid, or a ruled scale photographed at several places, gives distortion. Edges
    all over the field, best a grid, give the displacement of red and blue.
    """
    if flat is not None and flat.suffix.lower() not in (".tif", ".tiff"):
        raise Unusable(f"{flat.name}: a correction image is written as .tif")
    read: list[Photo] = []

    def measure() -> FieldResult:
        if box is not None:
            raise Unusable("--box makes no sense here: the whole field is measured")
        parse_box(box)
        (pixel_size,) = pixel_sizes_um(pixel_sizes, slide, division, photos)
        read.extend(read_photos(photos, tone, None))
        taken = [_field_photo(photo) for photo in read]
        parts = PARTS if only is None else tuple(p for p in PARTS if p == only)
        result = measure_field(
            taken,
            view_of=view_of,
            parts=parts,
            pixel_size=pixel_size,
            notes=tone_notes(read[0], tone),
        )
        if flat is not None:
            if result.evenness is None:
                raise Unusable("--flat needs a photo of something even")
            _write_correction(taken, flat)
        return result

    def draw(result: FieldResult) -> None:
        from glassay.report.evidence_field import draw_field

        assert figure is not None
        draw_field(result, photos[0].name, figure)

    answer(photos, measure, _say, as_json=as_json, draw=draw if figure else None)


def _field_photo(photo: Photo) -> FieldPhoto:
    return FieldPhoto(
        photo.linear_light(), photo.measuring_grey(), photo.at_full_scale(),
        photo.facts.get("format") in LOSSY_FORMATS, photo.other_tones,
    )  # fmt: skip


def _write_correction(photos: list[FieldPhoto], path: Path) -> None:
    import tifffile

    from glassay.errors import NotMeasurable

    for photo in photos:
        try:
            gain = flat_correction(photo.light, full=photo.full)
        except NotMeasurable:
            continue
        try:
            tifffile.imwrite(path, gain, photometric="rgb" if gain.ndim == 3 else "minisblack")
        except OSError as error:
            raise Unusable(f"{path}: cannot be written ({error.strerror})") from None
        return


def _say(found: FieldResult) -> str:
    lines: list[str] = []
    if found.evenness is not None:
        even = found.evenness
        if even.corner is not None:
            lines.append(f"light in the corners {say_quantity(even.corner)} of the centre's")
        rim = "at the rim        " if even.field_stop is not None else "at the edges      "
        lines.append(f"light {rim}{say_quantity(even.edge)}")
        lines.append(f"  least over greatest {say_quantity(even.evenness)}")
        for spot in even.hot_spots[:8]:
            lines.append(
                f"  hot spot at {spot.x:.0f}, {spot.y:.0f} px: {spot.excess:+z.0%} of the centre's"
                f" light, {spot.diameter_px:.0f} px across"
            )
        if even.red_shift is not None and even.blue_shift is not None:
            lines.append(f"  red against green, at most {say_quantity(even.red_shift)}")
            lines.append(f"  blue against green, at most {say_quantity(even.blue_shift)}")
    if found.distortion is not None:
        bent = found.distortion
        shape = "barrel" if bent.corner.value < 0 else "pincushion"
        sure = abs(bent.corner.value) > bent.corner.expanded
        none = "none that shows" + (" all around" if bent.decentred else "")
        lines.append(
            f"distortion at the corner {say_quantity(bent.corner)} ({shape if sure else none})"
        )
        lines.append(f"  at the edge {say_quantity(bent.edge)}; {len(bent.points)} points")
    if found.colour is not None:
        colour = found.colour
        keys = found.colour.findings()
        spread = f"colours lie {say_quantity(colour.corner_spread)} apart in the corners"
        if "lateral_colour_object" in keys:
            spread += f" ({say_quantity(keys['lateral_colour_object'].quantity)} on the object)"
        lines.append(spread)
        for name, shift in colour.shifted.items():
            lines.append(f"  {name + ' shifted by':18} {say_quantity(shift)} all over the picture")
        for name, field in (("red", colour.red), ("blue", colour.blue)):
            lines.append(
                f"  {name + ' outwards by':18} {say_quantity(field.radial(colour.edge_radius))} at the"
                f" edge, {say_quantity(field.radial(1.0))} in the corner"
            )
    return "\n".join(lines)
