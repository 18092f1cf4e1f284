"""`glassay repeat PHOTO PHOTO [PHOTO ...]`: where the detail of repeated exposures ends."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.cli.calibration import calibration_options, pixel_sizes_um
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.detail.correlation import repeat_exposures
from glassay.detail.repeat_result import RepeatResult
from glassay.errors import Unusable
from glassay.imaging import read_photo


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@calibration_options
@single_photo_options
def command(
    photos: tuple[Path, ...], pixel_sizes: tuple[str, ...], slide: Path | None,
    division: str | None, box: str | None, figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Compare exposures of one still scene: where repeatable detail ends, and the noise.

    Any texture serves, a chip for instance. With a pixel size the answer is also given in um.
    """

    def measure() -> RepeatResult:
        if len(photos) < 2:
            raise Unusable("one exposure is not enough: give two or more of the same still scene")
        area = parse_box(box)
        (pixel_size,) = pixel_sizes_um(pixel_sizes, slide, division, photos)
        read = [read_photo(path) for path in photos]
        if area is not None:
            read = [photo.crop(area) for photo in read]
        frames = [photo.linear_grey() for photo in read]
        return repeat_exposures(frames, pixel_size=pixel_size, notes=read[0].notes)

    def draw(result: RepeatResult) -> None:
        from glassay.report.evidence_repeat import draw_repeat

        assert figure is not None
        draw_repeat(result, photos[0].name, figure)

    answer(photos, measure, _say, as_json=as_json, draw=draw if figure else None)


def _say(found: RepeatResult) -> str:
    lines = [f"detail repeats {_up_to(found)}"]
    findings = found.findings()
    if "frc_period_object" in findings:
        period = say_quantity(findings["frc_period_object"].quantity)
        lines.append(f"  finest period    {period} on the object")
    for way, end in (("width ", found.frc_cutoff_x), ("height", found.frc_cutoff_y)):
        if end is not None:
            lines.append(f"  along the {way} {say_quantity(end)}")
    share = found.temporal_noise.value / max(found.mean_level, 1e-9)
    lines.append(
        f"temporal noise of one exposure {found.temporal_noise.value:.4f} of full scale"
        f" ({share:.1%} of the mean level)"
    )
    return "\n".join(lines)


def _up_to(found: RepeatResult) -> str:
    if found.frc_cutoff is None:
        return "up to the limit of the pixels, or the camera's own pattern does: unknown"
    at_least = "at least " if found.reaches_nyquist else ""
    return f"up to {at_least}{say_quantity(found.frc_cutoff)}   (95 % interval)"
