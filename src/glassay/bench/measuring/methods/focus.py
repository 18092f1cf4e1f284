"""A run through focus: photos in order, or a clip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from glassay.bench.document.model import Bench, Capture
from glassay.bench.measuring.methods.contract import Method, Outcome, Settings, area, photo_facts
from glassay.imaging import read_photo
from glassay.imaging.clip import open_clip
from glassay.imaging.file_names import CLIP_SUFFIXES
from glassay.imaging.sequence import clip_frames, photo_frames
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity


def _focus_version() -> str:
    from glassay.focus import METHOD_VERSION

    return METHOD_VERSION


def _focus_settings(bench: Bench, capture: Capture) -> dict[str, Any]:
    return {"box": capture.box, "step_um": capture.step_um}


def _frames(paths: Sequence[Path]) -> tuple[Iterator[FloatImage], dict[str, Any]]:
    if paths[0].suffix.lower() in CLIP_SUFFIXES:
        facts = open_clip(paths[0]).facts
        told = {"width": facts.width, "height": facts.height, "bytes": facts.bytes,
                "format": f"{facts.container}, {facts.codec}"}  # fmt: skip
        return clip_frames(paths[0]), told
    return photo_frames(paths), photo_facts(read_photo(paths[0]))


def _measure_focus(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.bench.measuring.joined import focus_run_with_edges

    frames, facts = _frames(paths)
    step = settings["step_um"]
    result = focus_run_with_edges(
        frames, step=None if step is None else Quantity(step, "um"), box=area(settings)
    )
    return Outcome(result.findings(), result.notes, result.evidence(), facts)


METHODS = (
    Method("focus run", ("focus run",), _focus_version, _focus_settings, _measure_focus,
           media=("photos", "clip")),
)  # fmt: skip
