"""`glassay clip CLIP`: what a clip's container states beside what its frames show."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click

from glassay.bench.measuring.joined import clip_with_sampling
from glassay.cli.calibration import calibration_options, pixel_sizes_um
from glassay.cli.single import answer, parse_box, say_finding, single_photo_options
from glassay.finding import Finding
from glassay.imaging.clip import open_clip
from glassay.motion import ClipResult
from glassay.quantity import Quantity


@click.command()
@click.argument("clip", type=click.Path(path_type=Path))
@calibration_options
@single_photo_options
def command(
    clip: Path, pixel_sizes: tuple[str, ...], slide: Path | None, division: str | None,
    box: str | None, figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure the rhythm, light and steadiness of a clip.

    MP4, MOV, AVI, MKV and WebM are read, cut-off files as far as they go. Repeated frames are told
    best when something moves; drift and shake when nothing should. With a pixel size they are given
    in um.
    """

    def measure() -> ClipResult:
        area = parse_box(box)
        (pixel_size,) = pixel_sizes_um(pixel_sizes, slide, division, [clip])
        reader = open_clip(clip)
        with _progress(reader.facts.frames) as progress:
            result = clip_with_sampling(reader, box=area, progress=progress)
        return result if pixel_size is None else result.calibrated(pixel_size)

    def draw(result: ClipResult) -> None:
        from glassay.report.evidence_clip import draw_clip

        assert figure is not None
        draw_clip(result, clip.name, figure)

    answer(str(clip), measure, _say, as_json=as_json, draw=draw if figure else None)


@contextlib.contextmanager
def _progress(frames: int | None) -> Iterator[Callable[[int], None]]:
    """A progress bar on a terminal, silence elsewhere."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    bar: Any
    with click.progressbar(length=frames, label="frames", file=sys.stderr) as bar:
        yield lambda count: bar.update(count - bar.pos)


_ROWS = (
    ("delivered_rate", "delivered rate"),
    ("nominal_rate", "stated rate"),
    ("repeated_frames", "repeated frames"),
    ("missing_frames", "missing frames"),
    ("uneven_intervals", "uneven intervals"),
    ("damaged_frames", "damaged frames"),
    ("duration", "duration"),
    ("shake", "shake (rms)"),
    ("drift_x", "drift along x"),
    ("drift_y", "drift along y"),
    ("flicker", "flicker (relative)"),
    ("flicker_frequency", "flicker frequency"),
    ("native_verdict", "pixels"),
)


def _say(result: ClipResult) -> str:
    facts, findings = result.facts, result.findings()
    lines = [
        f"{facts.container}, {facts.codec}, {facts.width} x {facts.height} px,"
        f" {result.frames} frames" + (", cut off" if result.truncated else "")
    ]
    for key, words in _ROWS:
        if key in findings:
            lines.append(f"  {words + ' ':.<20} {_in_words(key, findings[key], result)}")
    return "\n".join(lines)


def _in_words(key: str, finding: Finding, result: ClipResult) -> str:
    """The finding, but for numbers of which next to nothing is known: those are said to be unknown, or
    what they are less than."""
    value = finding.value
    if isinstance(value, Quantity):
        u = value.expanded
        if key == "delivered_rate" and u >= value.value:
            most = result.frames / result.duration_s if result.duration_s else value.value
            return f"unknown, at most {most:.3g} {value.unit}"
        if key == "repeated_frames" and value.value + u >= result.frames and u >= result.frames / 2:
            return f"unknown, of {result.frames} frames"
        if key == "shake" and u > VAGUE * value.value and u > VAGUE_PX:
            return f"less than {value.value + u:.2g} {value.unit}"
        if key.startswith("drift") and u > abs(value.value) and u > VAGUE_PX:
            return f"unknown, within {abs(value.value) + u:.2g} {value.unit}"
    return say_finding(finding)


VAGUE, VAGUE_PX = 3.0, 0.3
"""A shake of which U is so many times the value, and more than this, is only known to be small."""
