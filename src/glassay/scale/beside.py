"""A second ruling of another division that runs along the one measured, as an eyepiece's reticle over a
slide does: which of the two the stated division belongs to, no line tells."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from glassay.errors import NotMeasurable
from glassay.scale.comb import Proposal, propose
from glassay.scale.result import ScaleResult, View
from glassay.scale.search import (
    CONVINCING_MERIT,
    SEARCH_PIXELS,
    STRIP_PX,
    Sighting,
    merged,
    reduced,
    sight,
)
from glassay.scale.strips import Strips, cut_strips

WINDOWS = (None, 640)
"""Widths of the windows looked through, px (None: the whole strip)."""
TRIES = 6
"""Proposals followed at most."""
NEAR = 0.008
"""A proposed period so near to a simple multiple, or part, of the division found is that ruling's own,
or one's that agrees with it: proposals are good to some tenths of a per cent."""
OWN = 0.03
"""The same for rows where the ruling found stands: parts of it that a lens draws larger."""
MOST_TIMES = 100
"""Coarsest division, in finer ones, that slides are ruled in: 0.01 beside 1 mm."""
AGREES = 0.004
"""Relative difference up to which two divisions are a simple multiple of each other: what a slide seen
a little askew, or a lens, makes of two rows at different places."""
HALVES = (1.0, 1.25, 2.5, 12.5, 25.0)
"""Multiples beside whole ones: chambers hold 0.2 beside 0.25 mm, and 2.5 is 5 by 2."""


def held_against_others(
    view: View, row: Sighting, result: ScaleResult, judged: Callable[[View, Sighting], ScaleResult]
) -> ScaleResult:
    """The result, unless a ruling of another division runs along it and may as well be the scale.

    `judged` measures a row with every check. Lines that no longer ones tell to be a scale are only
    told of beside some that do.
    """
    if view.pointed:
        return result
    own = result.division
    for beside in rows_beside(view, row):
        over = _overlap(beside, row)
        pitch, u, tells = beside.period, 0.0, over
        try:
            other = judged(replace(view, word="filed"), beside)
        except (NotMeasurable, np.linalg.LinAlgError):
            # The lines of one laid over another hide some of the other's.
            if not (over and beside.merit > CONVINCING_MERIT):
                continue
        else:
            pitch, u = other.division.value, other.division.expanded / other.division.value
            tells = over or other.hierarchy.tells_a_scale
        if agree(own.value, pitch, AGREES + math.hypot(u, own.expanded / own.value)):
            continue
        both = (
            f"two rulings of different divisions run along each other, {own.value:.2f} and"
            f" {pitch:.2f} px from line to line"
        )
        if tells or not result.hierarchy.tells_a_scale:
            raise NotMeasurable(
                f"{both}, as an eyepiece's reticle over a slide: draw a box around a part of"
                " the slide's own lines that holds none of the others, or take the reticle out"
            )
        note = f"{both}: the one with longer lines is told; a box chooses"
        return replace(result, notes=(*result.notes, note))
    return result


def _overlap(one: Sighting, two: Sighting) -> bool:
    """Whether lines of both stand in some rows of the photo, where longer ones cannot be read."""
    return bool(one.begins.min() < two.ends.max() and two.begins.min() < one.ends.max())


def rows_beside(view: View, row: Sighting) -> list[Sighting]:
    """Rows of lines along `row`, of a division that is no simple multiple or part of its own, in px
    of the photo, best first."""
    factor = max(1, math.ceil(math.sqrt(view.light.size / SEARCH_PIXELS)))
    small, mask = reduced(view.light, view.mask, factor)
    period = row.period / factor
    fine = cut_strips(small, mask, row.angle, STRIP_PX)
    found: list[Sighting] = []
    tried: list[Proposal] = []
    for proposal, level in _proposals(fine, period):
        if len(tried) >= TRIES:
            break
        if any(abs(other.period / proposal.period - 1) < NEAR for other in tried):
            continue
        tried.append(proposal)
        other = sight(small, mask, fine, level, proposal)
        if other is not None and not _its_own(other.enlarged(factor), row):
            found.append(other.enlarged(factor))
    return sorted(found, key=lambda one: -one.merit)


def _its_own(other: Sighting, row: Sighting) -> bool:
    """Whether these are lines of the `row` itself, or ones that agree with them."""
    same_place = other.core[0] < row.core[1] and row.core[0] < other.core[1]
    return agree(other.period, row.period, OWN if same_place else AGREES)


def _proposals(fine: Strips, period: float) -> list[tuple[Proposal, Strips]]:
    pairs = [
        (proposal, level)
        for level in merged(fine)
        for window in WINDOWS
        if window is None or window < fine.rows.shape[1]
        for proposal in propose(level, window)
        if not agree(proposal.period, period, NEAR)
    ]
    return sorted(pairs, key=lambda pair: -pair[0].strength)


def agree(one: float, two: float, within: float = AGREES) -> bool:
    """Whether one division is a simple multiple of the other, as on one slide, within a relative
    difference."""
    ratio = max(one, two) / min(one, two)
    whole = min(max(round(ratio), 1), MOST_TIMES)
    multiples = np.array([whole, *HALVES])
    return bool((np.abs(ratio / multiples - 1) < within).any())
