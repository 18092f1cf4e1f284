"""Edges that run so close along a side of a die that their rises melt into one.

Along a side's length the median profile has next to no noise, and its slope is a sum of lobes, one for
each edge, all as wide as the picture is blurred. The widest lobe of which so many fit the slope tells the
blur, and least squares with weights that are not negative (Lawson and Hanson 1974) tell where the edges
are: a step of a twentieth three blurs from a strong one, which as a top of the slope is not there.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from glassay.die.nested import LEAST_STEP, Start
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

STEP_PX = 0.25
REACH_PX = 9.0
"""How far from the outline edges are told apart, px: beyond twice `glassay.die.rivals.NEAREST_PX`, where
tops of the slope tell them."""
OWN_PX = 1.75
"""Distance from the outline up to which a lobe belongs to its own rise."""
BLURS_PX = tuple(float(v) for v in np.geomspace(0.4, 4.0, 20))
FITS = 0.01
"""What may be left of the slope, rms over its top: the profiles of drawn and simulated edges leave 0.005."""
OWN_BLURS = 2.2
"""The same in lobe widths: what a twentieth of a step leaves nearer than that may be the blur's own shape."""
TOGETHER_PX, PARTS_PX = 0.8, 2.0
"""Lobes up to so far apart are one edge; and what lies so near a stronger edge is a part of it."""
SHARE, SHARE_WITHIN = 0.05, 0.15
"""Least step over that of the outline's own rise, of an edge beyond and of one within it, as for those
farther within (`glassay.die.rivals.LEAST_SHARE`)."""
DEEPEST_PX = 7.5
"""Depth from which the tops of the slope tell edges; the window ends soon after."""


@dataclass(frozen=True)
class CloseEdges:
    """Edges beside the outline at a side that change the light the same way. `within`: how far within
    (px, the nearest first) and the step of light (outside less inside) over the surround's light.
    `beyond`: how far outward (px) an edge can be told, 0 where nothing is left there."""

    within: tuple[tuple[float, float], ...]
    beyond: float


def close_edges(grey: FloatImage, start: Start) -> CloseEdges:
    """Edges beside the own rise of a side, `start`, in a picture (height, width) of linear light."""
    profile, across = _profile(grey, start)
    ground = max(float(np.median(profile[-round(2 / STEP_PX) :])), 1e-6)
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
    edges = [
        (-float(steps[g] @ places[g] / steps[g].sum()), float(steps[g].sum()))
        for g in _together(places, steps)
    ]
    within = [
        (far, sign * step / ground)
        for far, step in edges
        if near_px < far < DEEPEST_PX and step > SHARE_WITHIN * own
        # else a part of a stronger one
        and not any(abs(far - its) < PARTS_PX and step < more for its, more in edges)
    ]
    return CloseEdges(tuple(sorted(within)), beyond if beyond > near_px else 0.0)


def _profile(grey: FloatImage, start: Start) -> tuple[Array, Array]:
    """Median light along a side against the distance outward, px."""
    t = np.linspace(-0.44, 0.44, max(64, round(start.length))) * start.length
    across = np.arange(-REACH_PX - 2.0, REACH_PX + 2.0 + STEP_PX / 2, STEP_PX)
    base = start.foot + t[:, None] * start.way + (start.bend * t**2)[:, None] * start.outward
    at = base[:, None, :] + across[None, :, None] * start.outward
    x, y = np.moveaxis(at.astype(np.float32), -1, 0)
    values = cv2.remap(grey, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.median(values, axis=0).astype(np.float64), across


def _lobes(across: Array, slope: Array, top: float) -> tuple[Array, Array, float]:
    """Places (px) and steps of the lobes that make up a slope of one sign, and how wide they are (standard
    deviation, px)."""
    places = np.arange(-REACH_PX, REACH_PX + 0.1, STEP_PX)
    away = across[:, None] - places
    fits = []
    for blur in BLURS_PX:
        shape = np.exp(-0.5 * (away / blur) ** 2) / (blur * np.sqrt(2 * np.pi))
        steps, left = nnls(shape, slope, maxiter=30 * places.size)
        fits.append((float(left) / np.sqrt(slope.size), steps))
    least = min(left for left, _ in fits)
    steps, blur = next(
        (steps, blur)
        for (left, steps), blur in zip(reversed(fits), reversed(BLURS_PX), strict=True)
        if left <= max(1.5 * least, FITS * top)
    )
    return places, steps, blur


def _together(places: Array, steps: Array) -> list[list[int]]:
    """Indices of lobes that are one edge."""
    groups: list[list[int]] = []
    for n in np.flatnonzero(steps > 1e-3 * steps.max()):
        if groups and places[n] - places[groups[-1][-1]] <= TOGETHER_PX:
            groups[-1].append(int(n))
        else:
            groups.append([int(n)])
    return groups
