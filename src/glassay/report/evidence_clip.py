"""The evidence behind a clip's numbers: differences, light and place of its frames over time.

Drawn twice from what is kept of a clip: by matplotlib into a file of its own, and as strips below
the clip's first frame for a page.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from glassay.bench.saying.words import say
from glassay.errors import Unusable
from glassay.motion import ClipEvidence, ClipResult
from glassay.quantity import Quantity
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.pictures import for_screen
from glassay.report.templating import render

Series = npt.NDArray[np.float64]

LEAST_LEVELS = 0.02
"""Differences are drawn on a logarithmic axis, which has no place for exact copies."""


def draw_clip(result: ClipResult, name: str, path: Path) -> None:
    """Draw what each frame showed into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    evidence = result.evidence()
    canvas = Canvas(figsize=(10.0, 7.2), layout="constrained")
    panels = canvas.subplots(3, 1, sharex=True)
    _draw_differences(panels[0], evidence)
    _draw_path(panels[1], evidence, result.pixel_size)
    _draw_levels(panels[2], evidence)
    canvas.suptitle(_title(result, name))
    save_figure(canvas, path)


def _title(result: ClipResult, name: str) -> str:
    rate = "" if result.rate is None else f", {result.rate.value:.2f} different pictures a second"
    return f"{name}: {result.frames} frames{rate}"


def _draw_differences(axes: Any, evidence: ClipEvidence) -> None:
    times, size = evidence.times_s, np.maximum(evidence.differences, LEAST_LEVELS)
    repeats = evidence.repeats
    new = ~repeats
    new[0] = False  # has no predecessor
    axes.plot(times[new], size[new], ".", color="black", markersize=3, label="new pictures")
    axes.plot(times[repeats], size[repeats], "x", color="#b35c00", label="repeated frames")
    for number, time in enumerate(evidence.spoilt_s):
        label = None if number else "unlike both neighbours"
        axes.axvline(time, color="#7a3b8f", linestyle=":", linewidth=1.2, label=label)
    axes.set(yscale="log", ylabel="difference, levels")
    axes.legend(fontsize=7, loc="best")


def _draw_path(axes: Any, evidence: ClipEvidence, pixel_size: Quantity | None) -> None:
    unit, size = ("px", 1.0) if pixel_size is None else ("um", pixel_size.value)
    shown = ~evidence.repeats
    times, path = evidence.times_s[shown], evidence.path_px[shown] * size
    for axis, (words, style) in enumerate((("along x", "-"), ("along y", "--"))):
        axes.plot(times, path[:, axis], style, color="black", linewidth=0.8, label=words)
    axes.set(ylabel=f"place, {unit}")
    axes.legend(fontsize=7, loc="best")


def _draw_levels(axes: Any, evidence: ClipEvidence) -> None:
    axes.plot(evidence.times_s, 100 * evidence.levels, color="black", linewidth=0.8)
    axes.set(ylabel="mean light, % of full scale", xlabel="s")
    if evidence.truncated:
        end = evidence.times_s[-1]
        axes.axvline(end, color="#b35c00", linestyle="--", linewidth=1.0)
        axes.text(end, axes.get_ylim()[0], "cut off ", fontsize=8, ha="right", va="bottom")


# ---- for a page ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Strip:
    """One quantity over the time of a clip, in a frame of 100 x 100: `dots` and `dashed` are path
    data of two series, `marks` of instants; `top` and `foot` are the ends of the scale in words."""

    words: str
    top: str
    foot: str
    dots: str = ""
    line: str = ""
    dashed: str = ""
    marks: str = ""
    floor: int = 100
    """Where the scale ends."""


def figures(case: Case) -> tuple[Figure, ...]:
    """The first frame, and below it what each frame differs by, where it stands, and its light."""
    evidence = _kept(case.evidence)
    picture = case.embed(for_screen(case.photo, 900), 0.8)
    html = _over_time(evidence, picture, f"The first frame of the clip {case.capture.files[0]}")
    return (Figure(html, rhythm_in_words(case.part.findings, evidence.truncated)),)


def strips_alone(evidence: Mapping[str, Any]) -> Markup:
    """What the frames show over time, without a picture; `evidence` as kept. Raises `Unusable`."""
    return _over_time(_kept(evidence), "", "")


def _over_time(evidence: ClipEvidence, source: str, alt: str) -> Markup:
    span = max(float(evidence.times_s[-1]), 1e-9)
    strips = [
        _strip_of_differences(evidence, span),
        _strip_of_path(evidence, span),
        _strip_of_light(evidence, span),
    ]
    return render("evidence_clip.html", {
        "source": source, "alt": alt,
        "strips": [strip for strip in strips if strip is not None] if evidence.frames > 1 else [],
        "seconds": f"{span:.3g} s", "cut": evidence.truncated, "every": evidence.every,
    })  # fmt: skip


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


def _strip_of_differences(evidence: ClipEvidence, span: float) -> Strip | None:
    new = ~evidence.repeats[1:]
    if not new.size:
        return None
    size = np.log10(np.maximum(evidence.differences, LEAST_LEVELS))[1:]
    shown = size[new] if new.any() else size
    low, high = math.floor(shown.min()), max(math.ceil(shown.max()), math.floor(shown.min()) + 1)
    x = 100 * evidence.times_s[1:] / span
    y = 75 - 75 * (size - low) / (high - low)  # the strokes have the lowest quarter
    marks = "".join(f"M{a:.2f} 82V100" for a in x[~new])
    marks += "".join(f"M{a:.2f} 0V14" for a in 100 * evidence.spoilt_s / span)
    said = "Each frame's difference from the one before (dots)"
    if marks:
        said += "; strokes below: frames that repeat"
    if evidence.spoilt_s.size:
        said += "; strokes above: frames unlike both neighbours"
    return Strip(said, f"{10.0**high:g}", f"{10.0**low:g} levels", floor=75,
                 dots=_dots(x[new], y[new]), marks=marks)  # fmt: skip


def _strip_of_path(evidence: ClipEvidence, span: float) -> Strip | None:
    shown = ~evidence.repeats & np.isfinite(evidence.path_px).all(axis=1)
    if shown.sum() < 2:
        return None
    path = evidence.path_px[shown]
    half = max(float(np.ptp(path, axis=0).max()) / 2, 0.5)
    middle = (path.max(axis=0) + path.min(axis=0)) / 2
    x = 100 * evidence.times_s[shown] / span
    across, down = (50 - 50 * (path[:, k] - middle[k]) / half for k in (0, 1))
    return Strip("Where the picture stands, across (line) and down (dashes)",
                 f"+{half:.2g}", f"−{half:.2g} px",
                 line=_line(x, across), dashed=_line(x, down))  # fmt: skip


def _strip_of_light(evidence: ClipEvidence, span: float) -> Strip | None:
    if evidence.levels.size < 2:
        return None
    low, high = float(evidence.levels.min()), float(evidence.levels.max())
    middle, half = (low + high) / 2, max((high - low) / 2, 0.02 * high, 1e-6)
    x = 100 * evidence.times_s / span
    y = 50 - 50 * (evidence.levels - middle) / half
    return Strip("Mean light, of full scale", f"{100 * (middle + half):.3g}",
                 f"{100 * (middle - half):.3g} %", line=_line(x, y))  # fmt: skip


def _dots(x: Series, y: Series) -> str:
    return "".join(f"M{a:.2f} {b:.1f}h0" for a, b in zip(x, y, strict=True))


def _line(x: Series, y: Series) -> str:
    pairs: Sequence[str] = [f"{a:.2f} {b:.1f}" for a, b in zip(x, y, strict=True)]
    return "M" + "L".join(pairs)
