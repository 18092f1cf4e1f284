"""`glassay focus PHOTO PHOTO ...` or `glassay focus CLIP`: a run through focus."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import click

from glassay.bench.measuring.joined import focus_run_with_edges
from glassay.bench.saying.words import say
from glassay.cli.calibration import calibration_options, pixel_sizes_um, positive_length_um
from glassay.cli.photos import parse_tone, tone_option
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.errors import NotMeasurable, Unusable
from glassay.focus import FocusResult
from glassay.focus.run import USUAL_FREQUENCY
from glassay.imaging import read_photo
from glassay.imaging.file_names import is_clip
from glassay.imaging.sequence import clip_frames, photo_frames
from glassay.imaging.tone import OTHER_TONES, FloatImage, Relight, Tone
from glassay.quantity import Quantity
from glassay.units import parse


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--step", metavar="LENGTH",
              help="way of focus from photo to photo (frame to frame), like 2um")  # fmt: skip
@click.option("--by-stage", is_flag=True,
              help="the steps were taken by a motor or a stage with a scale; else they are taken to be"
                   " uneven by a third of one, as turned by hand")  # fmt: skip
@click.option("--frequency", metavar="FREQUENCY",
              help="detail at which focus is judged: like 100lp/mm on the object (with a pixel size),"
                   f" or in cycles/px [default: {USUAL_FREQUENCY}]")  # fmt: skip
@tone_option
@calibration_options
@single_photo_options
def command(
    photos: tuple[Path, ...], step: str | None, by_stage: bool,
    frequency: str | None, tone: str | None, pixel_sizes: tuple[str, ...], slide: Path | None,
    division: str | None, box: str | None,
    figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure a run through focus: photos in order, or a clip taken while focus is turned evenly.

    Begin and end well out of focus, and leave the object alone. Gives best focus, the depth over
    which contrast stays above half, how the picture walks sideways, and, where the sharpest photo
    has straight edges, the contrast that they keep.
    """

    def measure() -> FocusResult:
        (pixel_size,) = pixel_sizes_um(pixel_sizes, slide, division, photos)
        at = _frequency(frequency, pixel_size)
        way = None if step is None else Quantity(positive_length_um(step, "--step"), "um")
        frames, others = _frames(photos, parse_tone(tone))
        return focus_run_with_edges(
            frames,
            other_tones=others,
            frequency=at,
            step=way,
            by_stage=by_stage,
            pixel_size=pixel_size,
            box=parse_box(box),
            names=[path.name for path in photos],
            of_clip=is_clip(photos[0]),
        )

    def draw(result: FocusResult) -> None:
        from glassay.report.evidence_focus import draw_focus

        assert figure is not None
        draw_focus(result, photos[0].name, figure)

    def say_it(found: FocusResult) -> str:
        return _say(found, "frame" if is_clip(photos[0]) else "photo")

    answer(photos, measure, say_it, as_json=as_json, draw=draw if figure else None)


def _frames(
    paths: Sequence[Path], tone: Tone | None
) -> tuple[Iterator[FloatImage], Sequence[Relight]]:
    """The pictures in order, and what the light may be instead."""
    if any(is_clip(path) for path in paths):
        if len(paths) > 1:
            raise Unusable("give one clip, or photos, not several clips or both")
        if tone is not None:
            raise Unusable("--tone is for photos; frames of a clip are taken as sRGB")
        return clip_frames(paths[0]), OTHER_TONES
    if len(paths) == 1:
        raise Unusable("one photo is no focus run: give several in order, or a clip")
    return photo_frames(paths, tone), read_photo(paths[0], tone).other_tones


def _frequency(text: str | None, pixel_size: Quantity | None) -> float:
    """Cycles/px. Raises `Unusable`, or NotMeasurable where the photos cannot carry it."""
    if text is None:
        return USUAL_FREQUENCY
    try:
        plain = float(text.removesuffix("cycles/px"))
    except ValueError:
        per_mm = parse(text, "resolution")
        if pixel_size is None:
            raise Unusable(
                f"--frequency {text!r} is on the object: state the pixel size too, or give cycles/px"
            ) from None
        plain = per_mm / 1000 * pixel_size.value
        if plain > 0.45:
            raise NotMeasurable(
                f"{text} is {plain:.2f} cycles/px here, beyond what these pixels carry"
            ) from None
    if not 0.01 <= plain <= 0.45:
        raise Unusable(f"--frequency {text!r} must lie between 0.01 and 0.45 cycles/px")
    return plain


def _say(found: FocusResult, one: str) -> str:
    findings = found.findings()
    unit = "cycles/px"
    at = f"{found.frequency:.3g} {unit}"
    if found.pixel_size is not None:
        at += f" ({1000 * found.frequency / found.pixel_size.value:.3g} lp/mm on the object)"
    key = "depth_of_field" if "depth_of_field" in findings else "depth_of_field_frames"
    lines = [
        f"contrast at {at} stays above half over {say_quantity(findings[key].quantity)}",
        f"  best focus at {one} {say(findings['best_focus_frame'].quantity)} of {found.frames}",
    ]
    walk = "image_walk_object" if "image_walk_object" in findings else "image_walk"
    lines.append(f"  the picture walks {say_quantity(findings[walk].quantity)}")
    far = walk.replace("walk", "walk_range")
    lines.append(f"  over                {say_quantity(findings[far].quantity)} while it is sharp")
    if found.quality is not None:
        lines.append(f"  edges keep {say_quantity(found.quality)} of their contrast at best focus")
    return "\n".join(lines)
