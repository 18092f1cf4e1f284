"""What happens in time: a clip of any object."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from glassay import versions
from glassay.bench.document.model import OBJECT_KINDS
from glassay.bench.measuring.methods.contract import Method, Outcome, Settings, area, box_only
from glassay.errors import NotMeasurable


def _measure_clip(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.bench.measuring.joined import clip_with_sampling
    from glassay.imaging.clip import open_clip

    if len(paths) != 1:
        raise NotMeasurable("a capture in motion is one clip; file each as its own capture")
    clip = open_clip(paths[0])
    result = clip_with_sampling(clip, box=area(settings))
    facts = {
        "width": clip.facts.width,
        "height": clip.facts.height,
        "format": f"{clip.facts.container}, {clip.facts.codec}",
        "bytes": clip.facts.bytes,
    }
    return Outcome(result.findings(), result.notes, result.evidence(), facts)


NAMES = {
    "width": "width of frames in px",
    "height": "height of frames in px",
    "codec": "codec",
    "container": "container",
    "frames": "frames",
    "truncated": "recording is cut off",
    "repeated_frames": "repeated frames",
    "missing_frames": "missing frames",
    "damaged_frames": "damaged frames",
    "spoilt_frames": "spoilt frames",
    "uneven_intervals": "uneven intervals",
    "nominal_rate": "frame rate that the file states",
    "delivered_rate": "different pictures delivered",
    "duration": "duration",
    "stated_duration": "duration that the file states",
    "drift_x": "drift along x",
    "drift_y": "drift along y",
    "shake": "shake",
    "flicker": "flicker",
    "flicker_frequency": "frequency of the flicker",
}  # fmt: skip

SHARES = ("flicker",)

METHODS = (
    Method(
        "clip",
        OBJECT_KINDS,
        versions.CLIP,
        box_only,
        _measure_clip,
        media=("clip",),
        names=NAMES,
        shares=SHARES,
        drawing="glassay.report.evidence_clip:figures",
    ),
)
