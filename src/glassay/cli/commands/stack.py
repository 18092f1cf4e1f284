"""`glassay stack PHOTO PHOTO ... --out FILE.tif` or `glassay stack CLIP ...`: a focus stack."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

import click
import numpy as np

from glassay.cli.calibration import calibration_options, pixel_sizes_um, positive_length_um
from glassay.cli.output_files import check_apart, check_tiff_path
from glassay.cli.outputs import check_all, output_option
from glassay.cli.photos import parse_tone, tone_option
from glassay.cli.single import Box, answer, parse_box, say_quantity, single_photo_options
from glassay.disk import write_stream_atomically
from glassay.errors import Unusable
from glassay.imaging.file_names import is_clip
from glassay.imaging.sequence import PhotosInLight
from glassay.imaging.tone import FloatImage, Tone, linear_table
from glassay.quantity import Quantity
from glassay.stack import StackResult, measure_stack

UNEVEN = 1.5
"""Intervals between frames of a clip, over the usual one and under it, beyond which one was dropped or
came late: clocks of phones scatter by a tenth."""
LARGEST_PLAIN_TIFF = 3_900_000_000
"""Bytes from which a TIFF needs the offsets of BigTIFF."""


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@output_option("--out", required=True, type=click.Path(path_type=Path), metavar="FILE.tif",
              help="the stacked picture; the map of depth goes beside it, FILE-depth.tif")  # fmt: skip
@click.option("--step", metavar="LENGTH",
              help="way of focus from photo to photo (frame to frame), like 5um")  # fmt: skip
@tone_option
@calibration_options
@single_photo_options
def command(
    photos: tuple[Path, ...], out: Path, step: str | None, tone: str | None,
    pixel_sizes: tuple[str, ...], slide: Path | None, division: str | None, box: str | None,
    figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Stack photos taken at different focus into one picture that is sharp at every height.

    Give the photos in the order of focus, or a clip taken while focus is turned evenly; leave object
    and light alone. The picture is 16-bit in linear light (to measure in it, state --tone linear).
    The map of depth holds two pages of float: depth from the first photo (um with --step, else
    steps) and its standard uncertainty; NaN is unknown.
    """
    depth = out.with_name(f"{out.stem}-depth{out.suffix}")

    def measure() -> StackResult:
        check_tiff_path(out, "--out")
        check_all([depth], photos)
        check_apart([out, depth] + ([figure] if figure else []))
        (pixel_size,) = pixel_sizes_um(pixel_sizes, slide, division, photos)
        way = None if step is None else Quantity(positive_length_um(step, "--step"), "um")
        frames = _frames(photos, parse_tone(tone), parse_box(box))
        of_clip = isinstance(frames, _Clip)
        found = measure_stack(frames, step=way, pixel_size=pixel_size, of_clip=of_clip)
        if isinstance(frames, _Clip):
            found = _in_even_steps(found, frames.path)
        _write_picture(found, out)
        _write_depth(found, depth)
        return found

    def draw(found: StackResult) -> None:
        from glassay.report.evidence_stack import draw_stack

        assert figure is not None
        draw_stack(found, photos[0].name, figure)

    def say_it(found: StackResult) -> str:
        return f"{_say(found)}\n  written: {out} and {depth}"

    answer(
        photos, measure, say_it, as_json=as_json, draw=draw if figure else None,
        beside=lambda: {"picture": str(out), "depth": str(depth)},
    )  # fmt: skip


def _frames(paths: Sequence[Path], tone: Tone | None, box: Box | None) -> Iterable[FloatImage]:
    if not any(is_clip(path) for path in paths):
        return PhotosInLight(tuple(paths), tone, box)
    if len(paths) > 1:
        raise Unusable("give one clip, or photos, not several clips or both")
    return _Clip(paths[0], tone, box)


@dataclass(frozen=True)
class _Clip:
    """The frames of a clip in linear light, decoded anew each time they are gone through."""

    path: Path
    tone: Tone | None
    box: Box | None

    def __iter__(self) -> Iterator[FloatImage]:
        from glassay.imaging.clip import open_clip

        table = linear_table(8, self.tone or "srgb")
        for frame in open_clip(self.path).frames():
            stored = frame.stored()
            if self.box is not None:
                x, y, width, height = self.box
                if x < 0 or y < 0 or x + width > stored.shape[1] or y + height > stored.shape[0]:
                    raise Unusable("--box does not lie within the clip's picture")
                stored = stored[y : y + height, x : x + width]
            yield np.asarray(table[stored], dtype=np.float32)


def _in_even_steps(found: StackResult, clip: Path) -> StackResult:
    """Depth in um only where frames follow each other evenly in time, as focus was turned."""
    from glassay.imaging.clip import open_clip

    if found.step is None:
        return found
    times = [frame.time_s for frame in open_clip(clip).frames()]
    known = [time for time in times if time is not None]
    intervals = np.diff(np.array(known, dtype=np.float64))
    if not len(intervals):
        return found
    least, usual, most = (float(value) for value in np.percentile(intervals, (0, 50, 100)))
    if least * UNEVEN >= usual and most <= UNEVEN * usual:
        return found
    said = (
        f"the clip's frames do not follow each other evenly ({1000 * least:.0f} to {1000 * most:.0f}"
        " ms), so that focus goes on by more from some to the next; depth is told in frames, uneven"
        " ones, and not in um"
    )
    return replace(found, step=None, notes=(said, *found.notes))


def _write_picture(found: StackResult, path: Path) -> None:
    stored = np.rint(found.picture * 65535).astype(np.uint16)
    facts = {"light": "linear", "full scale": 65535, "photos": found.frames}
    _write_tiff(path, [(stored, facts)], found.pixel_size)


def _write_depth(found: StackResult, path: Path) -> None:
    unit = found.depth_unit
    pages = [
        (found.depth, {"page": "depth from the first photo", "unit": unit, "unknown": "NaN"}),
        (found.u_depth, {"page": "standard uncertainty of depth", "unit": unit, "unknown": "NaN"}),
    ]
    _write_tiff(path, pages, found.pixel_size)


def _write_tiff(
    path: Path, pages: Sequence[tuple[Any, dict[str, Any]]], pixel_size: Quantity | None
) -> None:
    import tifffile

    big = sum(page.nbytes for page, _ in pages) > LARGEST_PLAIN_TIFF
    per_cm = None if pixel_size is None else (1e4 / pixel_size.value,) * 2

    def fill(stream: BinaryIO) -> None:
        with tifffile.TiffWriter(stream, bigtiff=big) as tiff:
            for page, facts in pages:
                tiff.write(
                    page, photometric="rgb" if page.ndim == 3 else "minisblack",
                    compression="zlib", predictor=True, description=json.dumps(facts),
                    metadata=None, software=False, resolution=per_cm,
                    resolutionunit=None if per_cm is None else "CENTIMETER",
                )  # fmt: skip

    write_stream_atomically(path, fill)


def _say(found: StackResult) -> str:
    deep = found.depth_range()
    findings = found.findings()
    change = findings["magnification_change"].quantity
    relief = "depth is not known anywhere" if deep is None else f"relief of {say_quantity(deep)}"
    return "\n".join([
        f"{found.frames} photos stacked: {relief}",
        f"  {found.sharp_share:.0%} of the picture is sharp in one of them,"
        f" depth is known over {float(np.isfinite(found.places).mean()):.0%}",
        "  magnification changes by"
        f" {say_quantity(change.scaled(100, '%'))} from the first to the last",
    ])  # fmt: skip
