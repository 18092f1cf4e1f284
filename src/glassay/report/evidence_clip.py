"""The evidence behind a clip's numbers: differences, light and place of its frames over time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from glassay.bench.keeping.plain import to_plain
from glassay.bench.saying.words import say
from glassay.errors import Unusable
from glassay.motion import ClipEvidence, ClipResult
from glassay.report.drawing import Figure, OverTime, Still, Strip
from glassay.report.evidence import Case
from glassay.report.figure_file import check_figure_name, write_panels
from glassay.report.pictures import for_screen

LEAST_LEVELS = 0.02
"""Differences are drawn on a logarithmic axis, which has no place for exact copies."""


def draw_clip(result: ClipResult, name: str, path: Path) -> None:
    """Draw what each frame showed into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    panel = over_time(to_plain(result.evidence()))
    write_panels([panel], path, _title(result, name), panel.words)


def _title(result: ClipResult, name: str) -> str:
    rate = "" if result.rate is None else f", {result.rate.value:.2f} different pictures a second"
    return f"{name}: {result.frames} frames{rate}"


def figures(case: Case) -> tuple[Figure, ...]:
    """The first frame, and below it what each frame differs by, where it stands, and its light."""
    source = case.embed(for_screen(case.photo(), 900), 0.8)
    first = Still(source, f"The first frame of the clip {case.files[0]}", "The first frame.")
    words = rhythm_in_words(case.findings, bool(case.evidence["truncated"]))
    return (Figure((first, over_time(case.evidence)), words),)


def over_time(kept: Mapping[str, Any]) -> OverTime:
    """What the frames show over time, from the evidence as kept. Raises `Unusable`."""
    evidence = _kept(kept)
    if evidence.frames < 2:
        return OverTime(())
    span = max(float(evidence.times_s[-1]), 1e-9)
    strips = [
        _strip_of_differences(evidence, span),
        _strip_of_path(evidence, span),
        _strip_of_light(evidence, span),
    ]
    words = f"From 0 to {span:.3g} s"
    words += ", where the file is cut off" if evidence.truncated else ""
    words += f"; one frame in {evidence.every} is drawn" if evidence.every > 1 else ""
    return OverTime(tuple(strip for strip in strips if strip is not None), f"{words}.")


def _kept(data: Mapping[str, Any]) -> ClipEvidence:
    """The evidence of a kept result. Raises `Unusable` when it is not complete."""
    try:
        place = [[np.nan if v is None else v for v in pair] for pair in data["path_px"]]
        kept = ClipEvidence(
            int(data["frames"]), int(data["every"]),
            np.asarray(data["times_s"], dtype=np.float64),
            np.asarray(data["levels"], dtype=np.float64),
            np.asarray(place, dtype=np.float64).reshape(-1, 2),
            np.asarray(data["differences"], dtype=np.float64),
            np.asarray(data["repeats"], dtype=np.bool_),
            np.asarray(data["spoilt_s"], dtype=np.float64), bool(data["truncated"]),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError) as error:
        raise Unusable(f"the kept evidence is not complete ({error})") from None
    if not kept.times_s.size:
        raise Unusable("the kept evidence is empty")
    return kept


def rhythm_in_words(findings: Mapping[str, Any], truncated: bool) -> str:
    """What the clip shows, in one sentence."""
    frames = findings["frames"].quantity.value
    told = f"{frames:.0f} {'frame' if frames == 1 else 'frames'}"
    if "duration" in findings:
        told += f" in {say(findings['duration'].quantity, ' s')}"
    repeated = findings["repeated_frames"].quantity
    if "delivered_rate" in findings:
        rate = say(findings["delivered_rate"].quantity)
        if repeated.u:
            told += f"; compression leaves open which of them repeat: {rate} different a second"
        elif repeated.value:
            told += (
                f", of which {repeated.value:.0f} repeat the one before: {rate} different pictures"
                " a second"
            )
        else:
            told += f", none of which repeats the one before: {rate} a second"
    return told + (". The file is cut off there." if truncated else ".")


DEPTH = 0.75
"""Where the scale of differences ends: the strokes of repeated frames have the lowest quarter."""


def _strip_of_differences(evidence: ClipEvidence, span: float) -> Strip | None:
    new = ~evidence.repeats[1:]
    if not new.size:
        return None
    size = np.log10(np.maximum(evidence.differences, LEAST_LEVELS))[1:]
    shown = size[new] if new.any() else size
    low, high = math.floor(shown.min()), max(math.ceil(shown.max()), math.floor(shown.min()) + 1)
    x = evidence.times_s[1:] / span
    y = DEPTH - DEPTH * (size - low) / (high - low)
    marks = [(float(at), 0.82, 1.0) for at in x[~new]]
    marks += [(float(at), 0.0, 0.14) for at in evidence.spoilt_s / span]
    said = "Each frame's difference from the one before (dots)"
    if marks:
        said += "; strokes below: frames that repeat"
    if evidence.spoilt_s.size:
        said += "; strokes above: frames unlike both neighbours"
    return Strip(said, f"{10.0**high:g}", f"{10.0**low:g} levels", reach=DEPTH,
                 dots=np.column_stack([x[new], y[new]]), marks=tuple(marks),
                 rules=((0.0, False), (DEPTH, False)), is_cut=evidence.truncated)  # fmt: skip


def _strip_of_path(evidence: ClipEvidence, span: float) -> Strip | None:
    shown = ~evidence.repeats & np.isfinite(evidence.path_px).all(axis=1)
    if shown.sum() < 2:
        return None
    path = evidence.path_px[shown]
    half = max(float(np.ptp(path, axis=0).max()) / 2, 0.5)
    middle = (path.max(axis=0) + path.min(axis=0)) / 2
    x = evidence.times_s[shown] / span
    across, down = (
        np.column_stack([x, 0.5 - 0.5 * (path[:, k] - middle[k]) / half]) for k in (0, 1)
    )
    return Strip("Where the picture stands, across (line) and down (dashes)",
                 f"+{half:.2g}", f"−{half:.2g} px", line=across, dashed=down,
                 is_cut=evidence.truncated)  # fmt: skip


def _strip_of_light(evidence: ClipEvidence, span: float) -> Strip | None:
    if evidence.levels.size < 2:
        return None
    low, high = float(evidence.levels.min()), float(evidence.levels.max())
    middle, half = (low + high) / 2, max((high - low) / 2, 0.02 * high, 1e-6)
    line = [evidence.times_s / span, 0.5 - 0.5 * (evidence.levels - middle) / half]
    return Strip("Mean light, of full scale", f"{100 * (middle + half):.3g}",
                 f"{100 * (middle - half):.3g} %", line=np.column_stack(line),
                 is_cut=evidence.truncated)  # fmt: skip
