"""Edges that run so close along a side of a die that their rises melt into one.

Along a side's length the median profile has next to no noise, and its slope is a sum of lobes, one for
each edge, all as wide as the picture is blurred. The widest lobe of which so many fit the slope tells
the blur, and least squares with weights that are not negative (Lawson and Hanson 1974) tell where the
edges are: a step of a twentieth three blurs from a strong one is no top of the slope, and is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from glassay.die.nested import FINE_STEP_PX, LEAST_STEP, Start
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

REACH_PX = 9.0
"""How far from the outline edges are told apart, px; farther ones are tops of the slope."""
OWN_PX = 2.25
"""Distance from the outline up to which a lobe belongs to its own rise."""
BLURS_PX = tuple(float(v) for v in np.geomspace(0.4, 4.0, 20))
FITS = 0.01
"""What may be left of the slope, rms over its top: profiles of drawn edges leave 0.005."""
OWN_BLURS = 2.2
"""The same in lobe widths: a twentieth of a step nearer than that may be the blur's own shape."""
TOGETHER_PX, PARTS_PX = 0.8, 2.0
"""Lobes up to so far apart are one edge; and what lies so near a stronger edge is a part of it."""
SHARE, SHARE_WITHIN = 0.05, 0.08
"""Least step over that of the outline's own rise, of an edge beyond and of one within it: the attack's
streets make 0.06 and more, its shadows 0.12."""
DEEPEST_PX = 7.5
"""Depth from which tops of the slope tell edges; the window ends soon after."""
PIECES = 32
BESIDE_PX = 1.5
"""Distance from an edge at which the light on either side of it is taken, px."""


@dataclass(frozen=True)
class CloseEdges:
    """Edges close beside the outline at a side. `within`: how far within
    (px, the nearest first), the step of light (outside less inside) over the surround's light, and in
    what part of the side it is seen. `beyond`: how far outward (px) an edge that changes the light the
    same way can be told, 0 for none."""

    within: tuple[tuple[float, float, float], ...]
    beyond: float


def close_edges(grey: FloatImage, start: Start) -> CloseEdges:
    """Edges beside the own rise of a side, `start`, in a picture (height, width) of linear light."""
    pieces, profile, across = _profile(grey, start)
    ground = max(float(np.median(profile[-round(2 / FINE_STEP_PX) :])), 1e-6)
    slope = np.gradient(profile, across)
    near = np.abs(across) < OWN_PX
    top = int(np.argmax(np.where(near, np.abs(slope), 0.0)))
    sign = float(np.sign(slope[top]))
    places, steps, blur = _lobes(across, np.clip(sign * slope, 0.0, None), sign * float(slope[top]))
    near_px = max(OWN_PX, OWN_BLURS * blur)
    own = float(steps[np.abs(places) <= near_px].sum())
    least = max(SHARE * own, LEAST_STEP * ground)
    # the outermost place at and beyond which a step is left
    left = np.cumsum(steps[::-1])[::-1]
    beyond = float(places[np.flatnonzero(left > least)].max(initial=0.0))
    edges = _edges(places, steps, sign)
    dip = _fit(across, np.clip(-sign * slope, 0.0, None), blur)[1]
    edges += _edges(places, dip, -sign)
    within = [
        (far, step / ground, _along(pieces, across, far, step))
        for far, step in edges
        if near_px < far < DEEPEST_PX
        and abs(step) > SHARE_WITHIN * own
        # else a part of a stronger one
        and not any(abs(far - its) < PARTS_PX and 0 < step / more < 1 for its, more in edges)
    ]
    return CloseEdges(tuple(sorted(within)), beyond if beyond > near_px else 0.0)


def _edges(places: Array, steps: Array, sign: float) -> list[tuple[float, float]]:
    """How far within, px, edges lie that lobes make up, and their steps."""
    return [
        (-float(steps[g] @ places[g] / steps[g].sum()), sign * float(steps[g].sum()))
        for g in _together(places, steps)
    ]


def _along(pieces: Array, across: Array, depth: float, step: float) -> float:
    """In what part of a side the light changes at a depth by half of `step` and more."""
    away = np.abs(across[:, None] + depth - np.array([BESIDE_PX, -BESIDE_PX])).argmin(axis=0)
    return float(np.mean((pieces[:, away[0]] - pieces[:, away[1]]) * np.sign(step) > abs(step) / 2))


def _profile(grey: FloatImage, start: Start) -> tuple[Array, Array, Array]:
    """Light of the pieces of a side (pieces, places) and its median along the whole side, against the
    distance outward, px."""
    each = max(2, round(0.88 * start.length / PIECES))
    t = np.linspace(-0.44, 0.44, PIECES * each) * start.length
    across = np.arange(-REACH_PX - 2.0, REACH_PX + 2.0 + FINE_STEP_PX / 2, FINE_STEP_PX)
    at = start.places(t, across)
    x, y = np.moveaxis(at.astype(np.float32), -1, 0)
    values = cv2.remap(grey, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    pieces = values.reshape(PIECES, each, -1).mean(axis=1).astype(np.float64)
    return pieces, np.median(values, axis=0).astype(np.float64), across


def _lobes(across: Array, slope: Array, top: float) -> tuple[Array, Array, float]:
    """Places (px) and steps of the lobes that make up a slope of one sign, and their standard deviation
    (px)."""
    fits = [(blur, *_fit(across, slope, blur)) for blur in BLURS_PX]
    limit = max(1.5 * min(left for _, _, _, left in fits), FITS * top)
    return next(
        (places, steps, blur) for blur, places, steps, left in reversed(fits) if left <= limit
    )


def _fit(across: Array, slope: Array, blur: float) -> tuple[Array, Array, float]:
    """Places (px) and steps of lobes of one width that make up a slope, and what is left of it, rms."""
    places = np.arange(-REACH_PX, REACH_PX + 0.1, FINE_STEP_PX)
    shape = np.exp(-0.5 * ((across[:, None] - places) / blur) ** 2) / (blur * np.sqrt(2 * np.pi))
    steps, left = nnls(shape, slope, maxiter=30 * places.size)
    return places, steps, float(left) / np.sqrt(slope.size)


def _together(places: Array, steps: Array) -> list[list[int]]:
    """Indices of lobes that are one edge."""
    groups: list[list[int]] = []
    for n in np.flatnonzero(steps > 1e-3 * max(float(steps.max()), 1e-9)):
        if groups and places[n] - places[groups[-1][-1]] <= TOGETHER_PX:
            groups[-1].append(int(n))
        else:
            groups.append([int(n)])
    return groups
