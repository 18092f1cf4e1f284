"""A run through focus: photos in order, or a clip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from glassay import versions
from glassay.bench.document.model import Bench, Capture
from glassay.bench.keeping.results import Column
from glassay.bench.measuring.methods.contract import (
    Method,
    Outcome,
    Settings,
    ValueColumn,
    area,
    photo_facts,
    with_tone_curve,
)
from glassay.imaging import read_photo
from glassay.imaging.file_names import is_clip
from glassay.imaging.sequence import clip_frames, photo_frames
from glassay.imaging.tone import OTHER_TONES, FloatImage, Relight, Tone
from glassay.quantity import Quantity


def _focus_settings(bench: Bench, capture: Capture) -> dict[str, Any]:
    own = {"box": capture.box, "step_um": capture.step_um}
    if capture.by_stage:
        own["by_stage"] = True
    return with_tone_curve(bench, capture, own)


def _frames(
    paths: Sequence[Path], tone: Tone | None
) -> tuple[Iterator[FloatImage], dict[str, Any], Sequence[Relight]]:
    """The pictures in order, what the files state, and what the light may be instead."""
    from glassay.imaging.clip import open_clip

    if is_clip(paths[0]):
        facts = open_clip(paths[0]).facts
        told = {"width": facts.width, "height": facts.height, "bytes": facts.bytes,
                "format": f"{facts.container}, {facts.codec}"}  # fmt: skip
        return clip_frames(paths[0]), told, OTHER_TONES
    first = read_photo(paths[0], tone)
    return photo_frames(paths, tone), photo_facts(first), first.other_tones


def _measure_focus(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.bench.measuring.joined import focus_run_with_edges

    frames, facts, others = _frames(paths, settings.get("tone"))
    step = settings["step_um"]
    result = focus_run_with_edges(
        frames, step=None if step is None else Quantity(step, "um"), box=area(settings),
        by_stage=settings.get("by_stage", False), other_tones=others,
        names=[path.name for path in paths], of_clip=is_clip(paths[0]),
    )  # fmt: skip
    return Outcome(result.findings(), result.notes, result.evidence(), facts)


JUDGED_PER_MM = 50.0
"""Line pairs per mm on the object at which focus is compared: lines of 10 um, such as bond pads'
gaps and the wide wires of chips, which every instrument for the job should show."""

NAMES = {
    "best_focus_frame": "frame in best focus",
    "best_focus": "best focus, from the first frame",
    "depth_of_field": "depth of field",
    "depth_of_field_frames": "depth of field in frames",
    "focus_frequency": "spatial frequency at which focus is judged",
    "focus_frames": "frames through focus",
    "focus_quality": "contrast that edges keep at best focus",
    "image_walk": "walk of the picture from frame to frame",
    "image_walk_range": "walk of the picture in all",
}  # fmt: skip

SHARES = ("focus_quality",)

METHODS = (
    Method("focus run", ("focus run",), versions.FOCUS, _focus_settings, _measure_focus,
           media=("photos", "clip"), names=NAMES, shares=SHARES,
           drawing="glassay.report.evidence_focus:figures", columns=(
               ValueColumn(
                   Column("focus_quality", "contrast in focus", "%",
                          f"contrast that edges keep at {JUDGED_PER_MM:g} lp/mm on the object in the"
                          " sharpest photo of a focus run", "higher"),
                   ("focus_quality",), True,
                   "no focus run shows an edge, or no pixel size was measured",
                   "glassay.bench.table.across_field:contrast_in_focus",
               ),
               ValueColumn(
                   Column("depth_of_field", "depth of field", "um",
                          f"depth over which contrast at {JUDGED_PER_MM:g} lp/mm on the object stays"
                          " above half of its best"),
                   ("depth_of_field", "depth_of_field_frames"), False,
                   "no focus run with a stated step, or no pixel size was measured",
                   "glassay.bench.table.across_field:depth",
               ),
           )),
)  # fmt: skip
