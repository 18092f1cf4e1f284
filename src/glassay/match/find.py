"""From two photos to one rough mapping that holds, or none."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from glassay.imaging.tone import FloatImage
from glassay.match import template
from glassay.match.agree import Check, check
from glassay.match.features import FeatureStore, Proposal, propose
from glassay.match.pictures import LOOKS, Look, Pair, RoundField

HOLDS_SHARE, HOLDS_CORRELATION = 0.55, 0.4
"""A mapping is considered when this share of the blocks agree with it at this mean correlation. On
simulated pairs, true mappings in the fitting look reach 0.7 and 0.5 or more, dark field against
bright field included; chance reaches them in overlaps of a few hundred px, and is then caught by
the comparison with other places."""

HOLDS_AT_ONCE = 0.75
"""Strength above which nothing else is searched: the share and correlation of like photos."""

CHECKED_PER_SEARCH = 6
"""Proposals of one search that are checked, the strongest first: bounds the time (not studied)."""


@dataclass(frozen=True, eq=False)
class Found:
    """A rough mapping that holds, and whether the first photo is the coarser one."""

    pair: Pair
    check: Check
    first_is_coarse: bool


@dataclass(eq=False)
class Searcher:
    """Everything that is tried on two photos, with features kept between attempts."""

    first: FloatImage
    second: FloatImage

    def __post_init__(self) -> None:
        self._stores = (FeatureStore(self.first), FeatureStore(self.second))
        self._fields = (RoundField.of(self.first), RoundField.of(self.second))

    def by_features(self, scales: list[tuple[float, bool]]) -> Found | None:
        """The best mapping that features propose, at these scales (coarse px / fine px, whether the
        first photo is the coarser)."""
        best: Found | None = None
        for look in LOOKS:
            for ratio, first_is_coarse in scales:
                coarse, fine = self._stores if first_is_coarse else self._stores[::-1]
                tried = propose(coarse, fine, look, ratio)
                best = self._better(best, tried, first_is_coarse)
                if best is not None and best.check.strength > HOLDS_AT_ONCE:
                    return best
        return best

    def by_template(
        self, ratio: float | None, first_is_coarse: bool, most: float, looks: tuple[Look, ...]
    ) -> Found | None:
        """The best mapping of the whole finer photo on the coarser one."""
        pair = self._pair(first_is_coarse)
        best: Found | None = None
        scales = template.scales_for(pair, ratio, most)
        for look in looks:
            best = self._better(best, template.search(pair, look, scales), first_is_coarse)
            if best is not None and best.check.strength > HOLDS_AT_ONCE:
                return best
        return best

    def _pair(self, first_is_coarse: bool) -> Pair:
        if first_is_coarse:
            return Pair(self.first, self.second, *self._fields)
        return Pair(self.second, self.first, *self._fields[::-1])

    def _better(
        self, best: Found | None, tried: Iterator[Proposal], first_is_coarse: bool
    ) -> Found | None:
        pair = self._pair(first_is_coarse)
        for count, proposal in enumerate(tried):
            if count == CHECKED_PER_SEARCH:
                break
            if not _is_sane(proposal):
                continue
            result = check(pair, proposal.mapping, proposal.look)
            if result is None or not holds(result):
                continue
            if best is None or result.strength > best.check.strength:
                best = Found(pair, result, first_is_coarse)
        return best


def holds(result: Check) -> bool:
    """Whether a mapping is worth refining."""
    return result.share >= HOLDS_SHARE and result.correlation >= HOLDS_CORRELATION


LIKE_LIGHT = 0.88
"""Correlation of the brightness above which two photos are taken to be lit alike. Bright-field pairs
reach 0.9 and more, dark field against bright field hardly 0.85."""


def fitting_looks(found: Found) -> list[Check]:
    """The mapping's checks in the looks worth measuring in: brightness alone for photos that are
    lit alike, otherwise every look in which it holds."""
    checks = []
    for look in LOOKS:
        if look == found.check.look:
            result: Check | None = found.check
        else:
            result = check(found.pair, found.check.mapping, look, passes=1)
        if result is not None and holds(result):
            if look == "brightness" and result.correlation >= LIKE_LIGHT:
                return [result]
            checks.append(result)
    checks.sort(key=lambda one: -one.strength)
    return checks


def scales_to_try(ratio: float | None, most: float) -> list[tuple[float, bool]]:
    """Scales for features: the prior (second px / first px) or a ladder in both directions."""
    if ratio is not None:
        return [(max(ratio, 1 / ratio), ratio < 1)]
    scales = [(1.0, False)]
    for n in range(1, math.floor(math.log2(most)) + 1):
        scales += [(2.0**n, False), (2.0**n, True)]
    return scales


def _is_sane(proposal: Proposal) -> bool:
    """No mirror image, no view along the chip's surface."""
    mapping = proposal.mapping
    height, width = mapping.from_shape
    middle = mapping.inverse()([[mapping.to_shape[1] / 2, mapping.to_shape[0] / 2]])
    middle = np.clip(middle, 0, (width - 1, height - 1))
    jacobian = mapping.jacobian(middle)[0]
    return bool(np.linalg.det(jacobian) > 0) and mapping.stretch_at(middle) < 4
