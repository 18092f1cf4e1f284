"""All tiles of the growing map settled together: what they show in common, by least squares."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from glassay.mosaic.live.chart import chart_of
from glassay.mosaic.live.evidence import fit_at, slopes_of
from glassay.mosaic.live.lens import NOTHING, Bend, bend_of
from glassay.mosaic.live.picture import Place, View
from glassay.mosaic.live.sharpness import LEAST_COMMON

MOST_AWAY_PX = 3.0
"""A tie that says otherwise than the map by so much has found another place of a pattern."""
LOOSE_PX = 0.5
"""Residual, working px, from which a tie counts less (Huber 1964)."""


@dataclass(frozen=True, slots=True)
class Tie:
    """How tile `second` lies in the frame of tile `first`, by how many blocks, and what both tell of
    the lens."""

    first: int
    second: int
    place: Place
    weight: float
    bend: Bend = NOTHING


def ties_of(number: int, views: Mapping[int, View], places: Mapping[int, Place]) -> list[Tie]:
    """What tile `number` shares with each of the others."""
    own, view = places[number], views[number]
    height, width = view.detail.shape
    found = []
    for other, place in places.items():
        away = own.seen_from(place)
        common = max(0.0, 1 - abs(away.x) / width) * max(0.0, 1 - abs(away.y) / height)
        if other == number or common < LEAST_COMMON:
            continue
        sheet = chart_of([(views[other], Place(0.0, 0.0), False)])
        fit = fit_at(view, sheet, away)
        if fit.holds() and fit.place.distance(away) < MOST_AWAY_PX:
            bend = bend_of(
                slopes_of(view),
                view.detail - sheet.detail_at(fit.place, (width, height)),
                sheet.known_at(fit.place, (width, height)),
                fit.place,
            )
            found.append(Tie(other, number, fit.place, fit.weight, bend))
    return found


def settled(places: Mapping[int, Place], ties: Sequence[Tie]) -> dict[int, Place]:
    """The places that fit all ties best; the first tile stays."""
    numbers = sorted(places)
    ties = [one for one in ties if one.first in places and one.second in places]
    if len(numbers) < 2 or not ties:
        return dict(places)
    column = {number: n for n, number in enumerate(numbers)}
    turns = _solved(
        column, ties, np.array([[one.place.turn] for one in ties]),
        np.array([[places[n].turn] for n in numbers]), math.inf,
    )[:, 0]  # fmt: skip
    steps = []
    for one in ties:
        c, s = math.cos(turns[column[one.first]]), math.sin(turns[column[one.first]])
        x, y = one.place.x, one.place.y
        steps.append((c * x - s * y, s * x + c * y))
    known = np.array([(places[n].x, places[n].y) for n in numbers])
    spots = _solved(column, ties, np.array(steps), known, LOOSE_PX)
    return {
        number: Place(float(spots[n, 0]), float(spots[n, 1]), float(turns[n]))
        for number, n in column.items()
    }


def _solved(column: Mapping[int, int], ties: Sequence[Tie], steps: np.ndarray,
            known: np.ndarray, loose: float) -> np.ndarray:  # fmt: skip
    """Values of all tiles from differences between them, near what was `known`."""
    count = len(column)
    matrix = np.zeros((len(ties), count))
    for row, one in enumerate(ties):
        matrix[row, column[one.second]], matrix[row, column[one.first]] = 1, -1
    base = np.sqrt([one.weight for one in ties])
    values = known
    for _ in range(3):
        rest = np.abs(matrix @ values - steps).max(axis=1)
        weight = base * np.sqrt(np.minimum(1.0, loose / np.maximum(rest, 1e-9)))
        # what no tie holds stays; the first tile always does
        hold = np.full(count, 1e-3)
        hold[0] = 1e4
        a = np.concatenate([matrix * weight[:, None], np.diag(hold)])
        b = np.concatenate([steps * weight[:, None], known * hold[:, None]])
        values = np.linalg.lstsq(a, b, rcond=None)[0]
    return values
