"""Whether a ruling that was found is a scale: what its own lines tell, and whose word is taken.

Fences, blinds, type and hatching may be ruled as evenly as a slide, and nothing in one photo of plain
lines tells them apart. So a ruling is a scale by its longer lines, or because somebody says so.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.scale.hierarchy import Hierarchy
from glassay.scale.lines import Lines
from glassay.scale.result import View
from glassay.scale.ruling import RulingFit

PLAIN_LINES = 8
PLAIN_JITTER, PLAIN_JITTER_PX = 0.008, 0.12
PLAIN_EXPLAINED, PLAIN_ALIKE = 0.91, 0.96
PLAIN_UNSTEADINESS = 0.1
PLAIN_DUTY = 0.6
"""What lines without longer ones must be where a box points at them or a bench files the photo under a
scale: at least so many, even to 0.8 % of a division or 0.12 px (slides are ruled to 0.5 %, and fine
lines are placed to a tenth of a pixel; hatching by hand and halftone vary by more), alike (bricks,
words and wallpaper explain 0.84 to 0.95, a slide with writing over it 0.92), steady along their length
unless very much alike (bricks and words change by 0.12 and more, arms of a cross by 0.15) and no wider
than this share of a division."""
FILLED_BOX = 0.5
"""Fewer lines than `PLAIN_LINES` in a box must fill this share of it along the scale: three strokes of
a boundary line across a box are no scale of which a person drew the box."""
BOWED = 0.05
"""Common bow of the lines, in divisions, beyond which they are arcs: a lens bends lines on either side
of its axis in opposite senses and those near it little, rings bend all in one."""

PLAIN_NOTE = (
    "no longer 5th or 10th lines tell that this is a scale and which of its lines these are:"
    " check that one division is the distance between the lines drawn"
)
HOW_TO_SAY = (
    "if one division is the distance between them, point at the scale with a box, or say that"
    " it is a plain ruling (pattern: ruled)"
)


class WordWanted(NotMeasurable):
    """What repeats evenly was found, and it takes somebody's word that it is a scale."""


def doubts(view: View, lines: Lines, fit: RulingFit, hierarchy: Hierarchy) -> tuple[str, ...]:
    """What must be said of a ruling that is taken for a scale; nothing where its longer lines tell.

    Raises `NotMeasurable` where neither its lines nor anybody's word tell that it is one.
    """
    if hierarchy.tells_a_scale:
        return ()
    if view.word == "said":
        return (PLAIN_NOTE,)
    used = int(fit.used.sum())
    if hierarchy.kind == "lone" and used >= PLAIN_LINES and _like_a_slides(lines, fit):
        return ()
    if not view.pointed and view.word != "filed":
        raise WordWanted(
            f"{used} lines that repeat were found, but no longer 5th or 10th ones that tell a scale"
            f" from other things that repeat; {HOW_TO_SAY}"
        )
    if not _like_a_slides(lines, fit):
        raise NotMeasurable(
            f"{used} lines that repeat were found, but no longer 5th or 10th ones, and they are less"
            f" even, alike or straight than a slide's ({_jitter(fit):.1%} scatter); if they are a"
            ' scale, say that it is a plain ruling (--plain-ruling; in a bench, pattern = "ruled")'
        )
    if used < PLAIN_LINES and not view.pointed:
        raise NotMeasurable(
            f"only {used} lines were found, none of them longer, which may be anything; {HOW_TO_SAY}"
        )
    if used < PLAIN_LINES and not _fills_box(view, lines, fit):
        raise NotMeasurable(
            f"{used} lines across a part of the box were found, none of them longer, which may be"
            " anything; draw the box around the scale alone, or say that it is a plain ruling"
            " (pattern: ruled)"
        )
    return (PLAIN_NOTE,)


def _like_a_slides(lines: Lines, fit: RulingFit) -> bool:
    return bool(
        _jitter(fit) <= max(PLAIN_JITTER, PLAIN_JITTER_PX / fit.division)
        and lines.explained >= PLAIN_EXPLAINED and _duty(lines.waveform) <= PLAIN_DUTY
        and (lines.unsteadiness <= PLAIN_UNSTEADINESS or lines.explained >= PLAIN_ALIKE)
        and lines.bow <= BOWED * fit.division
    )  # fmt: skip


def _jitter(fit: RulingFit) -> float:
    return float(np.sqrt(np.mean(fit.residuals[fit.used] ** 2))) / fit.division


def _fills_box(view: View, lines: Lines, fit: RulingFit) -> bool:
    height, width = view.light.shape
    c, s = abs(np.cos(lines.angle)), abs(np.sin(lines.angle))
    extent = min(width / max(c, 1e-9), height / max(s, 1e-9))
    return bool(len(lines.numbers) * fit.division >= FILLED_BOX * extent)


def _duty(waveform: npt.NDArray[np.float64]) -> float:
    """Width of the line at half its depth, as a share of the division."""
    middle = float(waveform[len(waveform) // 2])
    low, high = float(waveform.min()), float(waveform.max())
    ground = high if middle - low < high - middle else low
    deep = np.abs(waveform - ground) > abs(middle - ground) / 2
    return float(deep.mean())
