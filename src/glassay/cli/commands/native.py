"""`glassay native PHOTO [PHOTO ...]`: how many of a file's pixels are real."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.errors import NotMeasurable
from glassay.imaging import Photo, read_photo
from glassay.sampling import NativeResult
from glassay.sampling.native import native


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@single_photo_options
def command(photos: tuple[Path, ...], box: str | None, figure: Path | None, as_json: bool) -> None:
    """Tell how many pixels the camera delivered before its firmware enlarged the picture.

    One PHOTO may show traces of enlargement. Two or more exposures of a still scene, taken without
    touching anything in between, show their noise and usually decide.
    """

    def measure() -> NativeResult:
        read = [_cut(read_photo(path), box) for path in photos]
        result = native([photo.stored for photo in read], facts=read[0].facts)
        if figure is not None:
            from glassay.report.evidence_native import draw_native

            draw_native(result, photos[0].name, figure)
        if result.verdict == "cannot tell":
            raise NotMeasurable(_undecided(result))
        return result

    answer(photos, measure, _say, as_json=as_json)


def _cut(photo: Photo, box: str | None) -> Photo:
    area = parse_box(box)
    return photo if area is None else photo.crop(area)


def _undecided(result: NativeResult) -> str:
    shares = [low / size for (low, _), size in zip(
        result.between, (result.width, result.height), strict=True
    )]  # fmt: skip
    least = min(shares)
    known = f"at least {least:.0%} of the pixels along each side are real; " if least > 0 else ""
    pieces = "".join(f"\n  {piece.name}: {piece.says}" for piece in result.evidence)
    return f"cannot tell how many pixels are real; {known}{result.advice}{pieces}"


def _say(found: NativeResult) -> str:
    size = f"{found.width} x {found.height}"
    if found.verdict == "native":
        lines = [f"native: all {size} pixels are the camera's own"]
    elif found.native_width is not None and found.native_height is not None:
        lines = [
            f"enlarged: {size} pixels were made from"
            f" {found.native_width.value:.0f} x {found.native_height.value:.0f}"
        ]
    else:
        lines = [f"enlarged along one side of {size}; the other side does not tell"]
    findings = found.findings()
    words = {
        "native_width": "native width", "native_height": "native height",
        "native_megapixels": "native pixels", "enlargement": "enlargement",
        "detail_megapixels": "detail would fit in",
    }  # fmt: skip
    for key, name in words.items():
        if key in findings:
            lines.append(f"  {name:20} {say_quantity(findings[key].quantity)}")
    lines += [f"  {piece.name}: {piece.says}" for piece in found.evidence]
    return "\n".join(lines)
