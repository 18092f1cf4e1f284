"""Does a rough mapping hold? Every block of the overlap is searched for on its own."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from glassay.imaging.tone import FloatImage
from glassay.match.blocks import Values
from glassay.match.mapping import Mapping
from glassay.match.pictures import Footing, Look, Mask, Pair, blurred

SEARCH_PX = 9
"""How far around its predicted place a block is searched, grid px. Rough mappings from features are
off by up to a few px at the rim."""

MOST_SEARCHED = 96
"""Blocks searched. A true mapping shows in far fewer."""

GRID_MOST_PX = 600_000
"""The overlap is searched at no more px than this: the refinement comes later."""

AGREES_BELOW = 0.12
"""A block agrees with the mapping when its correlation at the fitted place lies within this of its
best within the search. Along an edge all places are alike, and rightly count as agreeing."""

CORRELATES = 0.3
"""A block must correlate by this much to agree with anything. Blocks of unrelated chips reach it
somewhere in the search, but not at the places that one mapping allows them all."""


@dataclass(frozen=True, eq=False)
class Check:
    """How well a mapping holds: `mapping` after a rough correction, `share` of the blocks that
    agree with it, their number, and their mean correlation there."""

    mapping: Mapping
    look: Look
    share: float
    blocks: int
    correlation: float

    @property
    def strength(self) -> float:
        """One number to compare mappings by: mean correlation, shrunk where few blocks tell it."""
        return self.correlation * self.share * min(1.0, math.sqrt(self.blocks / 20))


def check(pair: Pair, mapping: Mapping, look: Look, passes: int = 2) -> Check | None:
    """Search the blocks, correct the mapping by what they say, and again. None: no overlap."""
    footing = Footing.of(pair, mapping, look, GRID_MOST_PX)
    if footing is None:
        return None
    result = None
    for _ in range(passes):
        coarse, fine, mask = footing.seen(mapping)
        if mask.sum() < 400:
            return result
        found = _search(blurred(coarse, 0.7), blurred(fine, 0.7), mask)
        if found is None:
            return result
        middles, steps, peaks = found
        surfaces = ndimage.maximum_filter(peaks, size=(1, 3, 3))
        local = _robust_similarity(middles, steps, surfaces)
        predicted = _displacement(local, middles)
        there = _at(surfaces, predicted)
        best = surfaces.max(axis=(1, 2))
        agrees = (there > CORRELATES) & (there > best - AGREES_BELOW)
        mapping = _composed(mapping, footing, middles, local)
        result = Check(mapping, look, float(agrees.mean()), len(middles), float(there.mean()))
    return result


def _search(
    coarse: FloatImage, fine: FloatImage, mask: Mask
) -> tuple[Values, Values, Values] | None:
    """Correlation of blocks of the coarse picture with the fine one at every small displacement.

    Returns the blocks' middles (n, 2), best displacements (n, 2) and surfaces (n, 19, 19).
    """
    side = int(np.clip(math.sqrt(mask.sum() / 40), 14, 32))
    reach = int(min(SEARCH_PX, max(4, 0.06 * math.sqrt(mask.sum()))))
    stride = side if mask.sum() > 40 * 32**2 else side // 2  # in a small overlap, blocks share px
    tops = range(0, coarse.shape[0] - side + 1, stride)
    lefts = range(0, coarse.shape[1] - side + 1, stride)
    places = [
        (left, top)
        for top in tops for left in lefts
        if mask[top : top + side, left : left + side].mean() > 0.95
    ]  # fmt: skip
    framed = cv2.copyMakeBorder(fine, reach, reach, reach, reach, cv2.BORDER_REPLICATE)
    detail = np.array([coarse[t : t + side, x : x + side].std() for x, t in places])
    if len(places) < 5 or detail.max() <= 0:
        return None
    keep = np.flatnonzero(detail > 0.15 * np.quantile(detail, 0.9))
    keep = keep[np.linspace(0, keep.size - 1, min(keep.size, MOST_SEARCHED)).astype(int)]
    if keep.size < 5:
        return None
    middles, steps, surfaces = [], [], []
    for left, top in (places[k] for k in keep):
        block = coarse[top : top + side, left : left + side]
        around = framed[top : top + side + 2 * reach, left : left + side + 2 * reach]
        surface = cv2.matchTemplate(around, block, cv2.TM_CCOEFF_NORMED)
        surface = np.nan_to_num(surface, nan=0.0, posinf=0.0, neginf=0.0)
        peak = np.unravel_index(int(np.argmax(surface)), surface.shape)
        middles.append((left + (side - 1) / 2, top + (side - 1) / 2))
        steps.append((peak[1] - reach, peak[0] - reach))
        surfaces.append(surface)
    return np.array(middles), np.array(steps, dtype=np.float64), np.array(surfaces)


def _robust_similarity(middles: Values, steps: Values, surfaces: Values) -> Values:
    """Shift x, y, scale, turn (about the blocks' mean, per px) that the blocks agree on best."""
    u, v = (middles - middles.mean(axis=0)).T
    one, zero = np.ones_like(u), np.zeros_like(u)
    design = np.stack(
        [np.stack([one, zero, u, -v], axis=1), np.stack([zero, one, v, u], axis=1)], axis=1
    )
    best, best_score = np.zeros(4), -np.inf
    rng = np.random.default_rng(0)
    confidence = np.clip(surfaces.max(axis=(1, 2)), 0.01, 1) ** 2
    confidence /= confidence.sum()
    for trial in range(60):
        if trial:
            pick = rng.choice(len(u), 3, replace=False, p=confidence)
            local = np.linalg.lstsq(design[pick].reshape(-1, 4), steps[pick].ravel(), rcond=None)[0]
        else:
            local = np.zeros(4)
        score = float(_at(surfaces, design @ local).sum())
        if score > best_score:
            best, best_score = local, score
    for _ in range(5):
        left = steps - design @ best
        weight = confidence / (1 + (left**2).sum(axis=1) / 1.5**2)
        root = np.sqrt(weight)[:, None]
        fitted = np.linalg.lstsq(
            (design * root[..., None]).reshape(-1, 4), (steps * root).ravel(), rcond=None
        )[0]
        if float(_at(surfaces, design @ fitted).sum()) < best_score - 0.02 * len(u):
            break
        best = fitted
    return np.asarray(best)


def _displacement(local: Values, middles: Values) -> Values:
    u, v = (middles - middles.mean(axis=0)).T
    x, y, scale, turn = local
    return np.stack([x + scale * u - turn * v, y + scale * v + turn * u], axis=1)


def _at(surfaces: Values, steps: Values) -> Values:
    """The blocks' best correlation within a px of given displacements; -0.2 beyond the search."""
    reach = surfaces.shape[1] // 2
    column, row = np.rint(steps).astype(int).T + reach
    inside = (column >= 0) & (row >= 0) & (column <= 2 * reach) & (row <= 2 * reach)
    limit = 2 * reach
    values = surfaces[np.arange(len(surfaces)), row.clip(0, limit), column.clip(0, limit)]
    return np.where(inside, values, -0.2)


def _composed(mapping: Mapping, footing: Footing, middles: Values, local: Values) -> Mapping:
    """The mapping with a correction that was found on the grid about the mean of `middles`."""
    centre = footing.grid.to_photo(middles.mean(axis=0, keepdims=True))[0]
    x, y, scale, turn = local
    linear = np.array([[1 + scale, -turn], [turn, 1 + scale]])
    correction = np.eye(3)
    correction[:2, :2] = linear
    correction[:2, 2] = centre - linear @ centre + footing.grid.factor * np.array([x, y])
    return mapping.with_matrix(mapping.matrix @ correction)
