"""Whether a frame resembles itself a step further: then its place is in doubt by just that step.

Where a pattern repeats, a frame fits on the map as well a step of the pattern beside its true place. If
that rival lies beyond what is known of the map, the map cannot speak against it.
"""

from __future__ import annotations

from glassay.mosaic.live.chart import Chart, chart_of
from glassay.mosaic.live.evidence import (
    FARTHEST_PX,
    RIVAL_FEWEST,
    RIVAL_SHARE,
    Fit,
    fit_at,
    is_near,
)
from glassay.mosaic.live.picture import Place, View
from glassay.mosaic.live.search import candidates

LEAST_PX = 3.0
"""Steps below are a shift of the frame itself; places so near are told apart by the fit."""
REACH = 0.6
"""Largest step looked for, in views: the frame and itself have the rest in common."""

Step = tuple[float, float]


def steps_of(view: View, within: float) -> list[Step]:
    """Steps (working px to the right and down) of less than `within` px by which a frame resembles
    itself in half of what it then has in common with itself."""
    if within <= LEAST_PX:
        return []
    height, width = view.detail.shape
    itself = Place(0.0, 0.0)
    sheet = chart_of([(view, itself, False)])
    reach = tuple(min(REACH * side, within + FARTHEST_PX) for side in (width, height))
    found = []
    for place in candidates(view, sheet, itself, (reach[0], reach[1])):
        if place.distance(itself) < LEAST_PX or not is_near(view, sheet, place):
            continue
        fit = fit_at(view, sheet, place)
        far = fit.place.distance(itself)
        if LEAST_PX <= far < within and fit.holds(RIVAL_FEWEST, RIVAL_SHARE):
            found.append((fit.place.x, fit.place.y))
    return found


def is_in_doubt(view: View, chart: Chart, fit: Fit, within: float) -> bool:
    """Whether the place of a frame may be wrong by a step of less than `within` px, as far as the map
    tells."""
    for x, y in steps_of(view, within):
        beside = Place(fit.place.x + x, fit.place.y + y, fit.place.turn)
        if not fit.tells_from(fit_at(view, chart, beside)):
            return True
    return False
