"""`glassay noise PHOTO PHOTO [PHOTO ...]`: noise against light, from pairs of exposures."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.cli.photos import read_photos, tone_notes, tone_option
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.errors import Unusable
from glassay.noise import NoiseResult, measure_photos
from glassay.noise.photon_transfer import USUAL_GREY
from glassay.units import parse_fraction


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--grey", metavar="PERCENT", default=f"{USUAL_GREY:.0%}", show_default=True,
              help="where signal to noise is stated, of full scale in linear light")  # fmt: skip
@tone_option
@single_photo_options
def command(
    photos: tuple[Path, ...], grey: str, tone: str | None, box: str | None, figure: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Measure the noise of a camera from exposures of still scenes, two of each.

    Give photos in pairs: two exposures of one still scene, taken without touching anything; further
    pairs in other light make the line surer. Any scene with plain parts serves.
    """

    def measure() -> NoiseResult:
        level = parse_fraction(grey)
        if not 0 < level < 1:
            raise Unusable(f"--grey {grey!r} must lie between 0 and 100 %")
        if len(photos) == 1:
            raise Unusable("one exposure shows no temporal noise: give two of the same still scene")
        if len(photos) % 2:
            raise Unusable(f"{len(photos)} photos are no pairs: give two exposures of each scene")
        read = read_photos(photos, tone, parse_box(box))
        return measure_photos(read, grey=level, notes=tone_notes(read[0], tone))

    def draw(result: NoiseResult) -> None:
        from glassay.report.evidence_noise import draw_noise

        assert figure is not None
        draw_noise(result, photos[0].name, figure)

    answer(photos, measure, _say, as_json=as_json, draw=draw if figure else None)


def _say(found: NoiseResult) -> str:
    lines = []
    if found.snr is not None:
        lines.append(f"signal to noise {say_quantity(found.snr)} at {found.grey:.0%} of full scale")
    if found.electrons is not None and found.floor is not None:
        lines.append(f"electrons at full scale {say_quantity(found.electrons)}")
        lines.append(f"noise without light     {say_quantity(found.floor)} of full scale")
    if found.fixed_pattern is not None:
        lines.append(f"fixed pattern           {say_quantity(found.fixed_pattern)} of the light")
    lines.append(f"correlation of neighbours {say_quantity(found.correlation)}")
    return "\n".join(lines)
