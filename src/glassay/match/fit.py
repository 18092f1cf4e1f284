"""The mapping between two photos, to a few thousandths of a pixel, with its uncertainty.

Every block of the overlap tells the displacement that the mapping still misses, and a weighted
least-squares fit turns all of them into a correction; the fine photo is sampled anew and the fit
repeated until nothing moves. Blocks that disagree (dust, a reflection, a bond wire that stands off
the chip) lose weight.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from dataclasses import fields as fields_of
from functools import cached_property

import numpy as np
import numpy.typing as npt

from glassay.distortion import Frame
from glassay.errors import NotMeasurable
from glassay.match.blocks import Blocks, Values, measure_blocks
from glassay.match.mapping import Mapping, Matrix
from glassay.match.pictures import Footing, Seen, blurred

Field = Callable[[Values, Values], Values]

SIMILARITY = ("shift x", "shift y", "scale", "turn")
TILT = ("stretch", "skew", "keystone x", "keystone y")
DISTORTION = ("distortion of the coarse photo", "distortion of the fine photo")

_MATRIX_FIELDS: dict[str, Field] = {
    "shift x": lambda u, v: np.stack([np.ones_like(u), np.zeros_like(u)], axis=1),
    "shift y": lambda u, v: np.stack([np.zeros_like(u), np.ones_like(u)], axis=1),
    "scale": lambda u, v: np.stack([u, v], axis=1),
    "turn": lambda u, v: np.stack([-v, u], axis=1),
    "stretch": lambda u, v: np.stack([u, -v], axis=1),
    "skew": lambda u, v: np.stack([v, u], axis=1),
    "keystone x": lambda u, v: np.stack([-u * u, -u * v], axis=1),
    "keystone y": lambda u, v: np.stack([-u * v, -v * v], axis=1),
}
"""First-order displacement by each term at (u, v), from the middle of the overlap in half sides."""

TYPICAL_DISTORTION = 0.05
"""Prior standard deviation of a radial coefficient: microscopes and their cameras mostly stay below
a few percent. It decides only what the overlap cannot: two photos of the same field say nothing
about the distortion that they have in common."""

OUTLIER_SCALE = 2.0
"""Scale of the Cauchy weight, in standard deviations. On simulated bright-field pairs, 1.5 to 4 and
Tukey's weight give the same error of the scale within its own scatter."""

SETTLED_PX = 0.002
"""The fit has settled when no point of the overlap moves by more than this, grid px."""

BLOCKS_WANTED = 120
"""Blocks are made as large as leaves about this many, within the limits below."""

SMALLEST_BLOCK, LARGEST_BLOCK = 8, 32
"""Limits of the side of a block in grid px. With smaller ones, gain and offset take information
from the displacement; larger ones see changes of light and focus within themselves. On bright-field
pairs the error of the scale is flat from 24 to 32; overlaps of a few dozen px, 12 times apart, are
steadier with 8 than with 12, for then enough blocks are left."""

ZONES = 4
"""The residual is stated for the means of this many zones on a side of the overlap: what the
mapping misses, not what the pixels' noise does to single blocks."""

CLUSTER_BLOCKS, FEW_BLOCKS = 2, 60
"""Neighbouring blocks share what is wrong with the photos there (compression, aliasing, focus), so
the uncertainty is taken from squares of this many blocks on a side, left out one at a time; from
single blocks where there are few of them."""

LARGER_CLUSTERS, FEWEST_CLUSTERS = (3, 4, 6), 12
"""Larger squares that are tried too, as long as so many are left: what reaches over several blocks,
like a lens's distortion that is too small to be fitted, shows in them alone. The size that shows
most counts."""

FEWEST_BLOCKS = 6
"""With fewer blocks the fit has nothing to be checked against."""


@dataclass(frozen=True, eq=False)
class _Look:
    """What blocks say of one mapping.

    They lie at `places` (n, 2) in px of the coarse photo and miss `steps` (n, 2), coarse px, of which
    they claim to know `claimed` (n, 2, 2). `side` is that of a block, `centre` and `half` frame the
    overlap, in coarse px, `grid_px` is a px of the grid.
    """

    blocks: Blocks
    places: Values
    steps: Values
    claimed: Values
    clusters: npt.NDArray[np.int64]
    side: float
    centre: Values
    half: float
    grid_px: float


@dataclass(frozen=True, eq=False)
class Fit(_Look):
    """A mapping and what the blocks of the last round say about it.

    `rests` (n, 2) is what the mapping still misses at the blocks, coarse px, `fields` (n, 2, terms)
    how each term moves them, `weights` (n,) their robust weights and `information` (n, 2, 2) what
    they know, scaled to their scatter. `misfit` is the weighted mean square of the rests in units of
    what the blocks claimed to know before that scaling; `moved` is how far the last round moved the
    rim, grid px.
    """

    mapping: Mapping
    terms: tuple[str, ...]
    rests: Values
    fields: Values
    weights: Values
    information: Values
    prior: Values
    misfit: float
    moved: float
    untold: tuple[Fit, ...] = ()
    """Fits with further terms that explain the blocks no better than chance might."""

    @property
    def cluster_count(self) -> int:
        """Number of squares of blocks that are taken to err independently."""
        return int(self.clusters.max()) + 1

    @cached_property
    def rests_fine(self) -> Values:
        """What the mapping still misses at every block, px of the fine photo."""
        return np.asarray(np.einsum("bij,bj->bi", self.mapping.jacobian(self.places), self.rests))

    @cached_property
    def residual_px(self) -> float:
        """Weighted rms displacement left in the zones of the overlap, px of the fine photo.

        Blocks count in their zone, zones in the whole, and directions in either, by what they
        know: along an edge nothing is known. The degrees of freedom that the fit used up are
        allowed for.
        """
        know = self.information * self.weights[:, None, None]
        spot = (self.places - self.centre) / self.half  # -1..1 along the longer side
        zone = np.clip(((spot + 1) / 2 * ZONES).astype(int), 0, ZONES - 1) @ (ZONES, 1)
        square = total = 0.0
        zones = np.unique(zone)
        for one in zones:
            here = zone == one
            known = know[here].sum(axis=0)
            pull = np.einsum("bij,bj->i", know[here], self.rests[here])
            square += float(pull @ np.linalg.solve(known, pull))
            total += float(np.trace(known)) / 2
        used = min(len(self.terms) / (2 * len(zones)), 0.75)
        left = math.sqrt(square / total / (1 - used))
        return left * self.mapping.scale_at(self.centre[None])

    @property
    def agreement(self) -> float:
        """Weighted mean correlation of the blocks."""
        return float((self.weights * self.blocks.correlation).sum() / self.weights.sum())

    @property
    def settled(self) -> bool:
        """Whether the last round hardly moved anything."""
        return self.moved < 10 * SETTLED_PX

    def u(self, term: str) -> float:
        """Standard uncertainty of one term: relative for the scale, rad for the turn."""
        return math.sqrt(float(self._spread[0][self.terms.index(term)])) / self.half

    def dof(self, term: str) -> float:
        """Effective degrees of freedom behind `u`."""
        return float(self._spread[1][self.terms.index(term)])

    @cached_property
    def _spread(self) -> tuple[Values, Values]:
        """Variance and degrees of freedom of each term, by leaving out one cluster at a time.

        Neighbours err together, and a fit that takes every block for independent claims too much;
        this is the jackknife over squares of blocks. The effective degrees of freedom follow from
        how evenly the squares share in the variance: for n equal normal shares, the sum of squares
        squared over the sum of fourth powers is (n + 2) / 3.
        """
        normal, _ = _normal(self.fields, self.rests, self.information, self.weights)
        normal += np.diag(self.prior)
        found, counts = [self._jackknife(normal, self.clusters)], list[int]()
        for times in LARGER_CLUSTERS:
            cell = np.floor((self.places - self.places.min(axis=0)) / (self.side * times))
            _, index = np.unique(cell, axis=0, return_inverse=True)
            if index.max() + 1 >= max(FEWEST_CLUSTERS, len(self.terms) + 4):
                found.append(self._jackknife(normal, index.ravel()))
                counts.append(int(index.max()) + 1)
        variances = np.array([one[0] for one in found])
        # chance alone makes one of several scatter more: by its standard error that is nothing
        chance = np.array([1.0] + [1 + math.sqrt(2 / count) for count in counts])
        best = (variances / chance[:, None]).argmax(axis=0)
        freedom = np.array([one[1] for one in found])
        each = np.arange(len(self.terms))
        return variances[best, each], freedom[best, each]

    def _jackknife(self, normal: Values, clusters: npt.NDArray[np.int64]) -> tuple[Values, Values]:
        """Variance and degrees of freedom of each term with these clusters of blocks."""
        count = int(clusters.max()) + 1
        moves = []
        for one in range(count):
            out = clusters == one
            less, right = _normal(
                self.fields[out], self.rests[out], self.information[out], self.weights[out]
            )
            moves.append(np.linalg.lstsq(normal - less, -right, rcond=1e-9)[0])
        squares = np.array(moves) ** 2
        total = squares.sum(axis=0)
        shared = 3 * total**2 / np.maximum((squares**2).sum(axis=0), 1e-300) - 2
        freedom = np.clip(shared, 1, max(1, count - len(self.terms)))
        return (count - 1) / count * total, np.asarray(freedom)


@dataclass(frozen=True, slots=True)
class Blur:
    """Gaussian blur of both pictures, and the extra one of either to make them equally soft, px."""

    both: float
    coarse: float = 0.0
    fine: float = 0.0


PLAIN = Blur(0.5)
"""A little smoothing against pixel noise and what interpolation does to it."""


def block_side(area_px: float) -> int:
    """Side of the blocks for an overlap of so many grid px."""
    return int(np.clip(math.sqrt(area_px / BLOCKS_WANTED), SMALLEST_BLOCK, LARGEST_BLOCK))


def fit(
    footing: Footing,
    mapping: Mapping,
    terms: tuple[str, ...] = SIMILARITY,
    blur: Blur = PLAIN,
    rounds: int = 8,
) -> Fit:
    """Refine `mapping` (coarse photo px to fine photo px), already right to a pixel or two.

    Raises `NotMeasurable` when too few blocks are left.
    """
    for _ in range(rounds):
        result = _solved(_looked_at(footing, mapping, blur, footing.seen(mapping)), mapping, terms)
        mapping = result.mapping
        if result.moved < SETTLED_PX:
            break
    return result


def foretold(settled: Fit, terms: tuple[str, ...]) -> Fit:
    """The fit with other terms that the blocks of a settled one foretell: no photo is sampled again.

    It is right to second order in how far the terms move the blocks, in widths of their structure.
    """
    return _solved(replace(settled, steps=settled.rests), settled.mapping, terms)


def agreement_at(footing: Footing, mapping: Mapping, blur: Blur, seen: Seen) -> float:
    """Weighted mean correlation of the blocks as they lie, under one blur or another of what
    `footing` shows by `mapping`. Raises `NotMeasurable` as `fit` does."""
    return _solved(_looked_at(footing, mapping, blur, seen), mapping, SIMILARITY).agreement


def _looked_at(footing: Footing, mapping: Mapping, blur: Blur, seen: Seen) -> _Look:
    coarse, fine, mask = seen
    coarse = blurred(coarse, math.hypot(blur.both, blur.coarse))
    fine = blurred(fine, math.hypot(blur.both, blur.fine))
    side = block_side(float(mask.sum()))
    blocks = measure_blocks(coarse, fine, mask, side)
    if blocks.count < FEWEST_BLOCKS:
        raise NotMeasurable("the photos share too small a piece of the chip")
    factor = footing.grid.factor
    places = footing.grid.to_photo(blocks.middles)
    low, high = places.min(axis=0), places.max(axis=0)
    centre, half = (low + high) / 2, (float(np.max(high - low)) + side * factor) / 2
    return _Look(
        blocks, places, blocks.steps * factor, blocks.information / factor**2,
        _clusters(blocks, side), side * factor, centre, half, factor,
    )  # fmt: skip


def _solved(look: _Look, mapping: Mapping, terms: tuple[str, ...]) -> Fit:
    """The mapping corrected by what its blocks say."""
    fields = _fields(mapping, terms, look.places, look.centre, look.half)
    prior = _prior(mapping, terms, look.half)
    change, rests, weights, information = _robust(fields, look.steps, look.claimed, prior)
    distance = np.einsum("bi,bij,bj->b", rests, look.claimed, rests)
    misfit = float((weights * distance).sum() / weights.sum())
    seen = {one.name: getattr(look, one.name) for one in fields_of(_Look)}
    return Fit(
        **seen, mapping=_corrected(mapping, terms, change / look.half, look.centre, look.half),
        terms=terms, rests=rests, fields=fields, weights=weights, information=information,
        prior=prior[0], misfit=misfit, moved=float(np.abs(change).max()) / look.grid_px,
    )  # fmt: skip


def _fields(
    mapping: Mapping, terms: tuple[str, ...], places: Values, centre: Values, half: float
) -> Values:
    """Displacement in coarse px at every block by one unit of each term, (n, 2, terms).

    One unit moves the rim of the overlap by about one px.
    """
    u, v = ((places - centre) / half).T
    columns = []
    for term in terms:
        if term in _MATRIX_FIELDS:
            columns.append(_MATRIX_FIELDS[term](u, v))
            continue
        coarse = term == DISTORTION[0]
        shape = mapping.from_shape if coarse else mapping.to_shape
        at = places if coarse else mapping(places)
        seen = Frame.of(shape)
        bend = (at - seen.axis) * seen.square(at)[:, None] / half
        # a distorted coarse photo sees points farther out than they are; a fine one shows them so
        inverse = np.linalg.inv(mapping.jacobian(places))
        columns.append(-bend if coarse else np.einsum("bij,bj->bi", inverse, bend))
    return np.stack(columns, axis=2)


def _corrected(
    mapping: Mapping, terms: tuple[str, ...], change: Values, centre: Values, half: float
) -> Mapping:
    by = dict(zip(terms, change, strict=True))
    g = {name: by.get(name, 0.0) for name in _MATRIX_FIELDS}
    local = np.array([
        [1 + g["scale"] + g["stretch"], -g["turn"] + g["skew"], g["shift x"]],
        [g["turn"] + g["skew"], 1 + g["scale"] - g["stretch"], g["shift y"]],
        [g["keystone x"], g["keystone y"], 1.0],
    ])  # fmt: skip
    norm = np.array([[1 / half, 0, -centre[0] / half], [0, 1 / half, -centre[1] / half], [0, 0, 1]])
    moved = mapping.with_matrix(mapping.matrix @ np.linalg.inv(norm) @ local @ norm)
    return replace(
        moved,
        from_k=float(mapping.from_k + by.get(DISTORTION[0], 0.0)),
        to_k=float(mapping.to_k + by.get(DISTORTION[1], 0.0)),
    )


def _prior(mapping: Mapping, terms: tuple[str, ...], half: float) -> tuple[Values, Values]:
    """Inverse variance of each change, and the pull of the prior on it (see TYPICAL_DISTORTION)."""
    known = {DISTORTION[0]: mapping.from_k, DISTORTION[1]: mapping.to_k}
    tight = 1 / (TYPICAL_DISTORTION * half) ** 2
    weight = np.array([tight if term in known else 0.0 for term in terms])
    return weight, -weight * half * np.array([known.get(term, 0.0) for term in terms])


def _robust(
    fields: Values, steps: Values, information: Values, prior: tuple[Values, Values]
) -> tuple[Values, Values, Values, Values]:
    """Least squares with Cauchy weights: the change, what is left, weights, scaled information."""
    weights = np.ones(len(steps))
    scaled = information
    for _ in range(20):
        normal, right = _normal(fields, steps, scaled, weights)
        ridge = 1e-9 * np.trace(normal) * np.eye(len(normal))
        change = np.linalg.solve(normal + np.diag(prior[0]) + ridge, right + prior[1])
        rests = steps - fields @ change
        distance = np.einsum("bi,bij,bj->b", rests, information, rests)
        # the median of a chi-squared of 2 degrees of freedom is 2 ln 2
        spread = max(float(np.median(distance)) / (2 * math.log(2)), 1e-9)
        weights = 1 / (1 + distance / spread / OUTLIER_SCALE**2)
        scaled = information / spread
    return change, rests, weights, scaled


def _normal(
    fields: Values, steps: Values, information: Values, weights: Values
) -> tuple[Matrix, Values]:
    weighted = information * weights[:, None, None]
    normal = np.einsum("bki,bkl,blj->ij", fields, weighted, fields)
    return normal, np.einsum("bki,bkl,bl->i", fields, weighted, steps)


def _clusters(blocks: Blocks, side: int) -> npt.NDArray[np.int64]:
    if blocks.count <= FEW_BLOCKS:
        return np.arange(blocks.count)
    cell = np.floor((blocks.middles - blocks.middles.min(axis=0)) / (side * CLUSTER_BLOCKS))
    _, index = np.unique(cell, axis=0, return_inverse=True)
    return np.asarray(index.ravel(), dtype=np.int64)
