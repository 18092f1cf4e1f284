"""The finest mapping between two photos that already lie on each other.

Both photos are made equally soft, every look in which they agree is fitted, and the one that fixes
the scale best is kept. Tilt and lens distortion are taken up only where the photos show them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from glassay.errors import NotMeasurable
from glassay.match.find import Found
from glassay.match.fit import (
    DISTORTION,
    PLAIN,
    SIMILARITY,
    TILT,
    Blur,
    Fit,
    agreement_at,
    fit,
    foretold,
)
from glassay.match.mapping import Mapping, similarity
from glassay.match.pictures import Footing, Look, Pair

GRID_MOST_PX, GRID_MOST_OTHER_LIGHT_PX = 500_000, 250_000
"""The refinement uses the overlap at no more px than this: 300 000 px of bright-field structure fix
the scale to 0.001 %, far below what lenses and chips keep, and time grows with them. Photos lit
differently are limited by what edges do in either light, not by px."""

RELATIVE_BLURS = (0.0, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
"""Extra blur tried on either photo, px of the coarser one, to make both equally soft."""

BLUR_GRID_PX = 300_000
"""Px of the overlap that are used to find that blur."""

BLUR_GAIN = 0.005
"""Gain in mean correlation for which more blur is taken: less is chance in a small overlap."""

LEAST_AGREEMENT = 0.36
"""Mean correlation of the blocks below which a look is not measured in. True matches of dark field
or oblique light with bright field reach 0.42 and more on simulated pairs; a street between blocks
that happens to fit the mirror image of another one reached 0.30."""

EXTENSION_WORTH = 12.0
"""How much better (F ratio per term) tilt or lens distortion must fit before it is taken as real."""

EXTENSION_EFFECT_PX = 0.1
"""And it must move the blocks by this much (rms), px of the finer photo: less is nothing to speak
of."""

EXTENSION_EFFECT_OTHER_LIGHT_PX = 0.3
"""The same for photos lit differently, px of the coarser one: edges that shine on one side only
pull the blocks by parts of that."""


FORETOLD_PX = 0.5
"""Displacement, px of the grid, up to which the blocks' slopes foretell it: half the width that the
pictures are blurred to at least (Lucas and Kanade 1981 need it small beside the structure)."""


def refine(found: Found, looks: list[Look], alike: bool) -> tuple[Found, Fit]:
    """The finest mapping, in the look that fixes the scale best."""
    rough: list[tuple[float, Look, _Start]] = []
    for look in looks:
        try:
            start = _start_in(found, look, alike)
        except (NotMeasurable, np.linalg.LinAlgError):
            continue
        if start.fit.agreement >= LEAST_AGREEMENT:
            rough.append((start.fit.u("scale"), look, start))
    if not rough:
        raise NotMeasurable("the photos lie roughly on each other, but no detail of them agrees")
    _, look, start = min(rough, key=lambda one: one[0])
    return replace(found, check=replace(found.check, look=look)), _extended(start, alike)


@dataclass(frozen=True, eq=False)
class _Start:
    """A fit in one look with what it was made from, before tilt and distortion are tried."""

    footing: Footing
    blur: Blur
    fit: Fit


def _start_in(found: Found, look: Look, alike: bool) -> _Start:
    pair, mapping = found.pair, found.check.mapping
    tilted = bool(mapping.matrix[2, :2].any())  # only a homography proposes that
    terms = (*SIMILARITY, *TILT) if tilted else SIMILARITY
    most = GRID_MOST_PX if alike else GRID_MOST_OTHER_LIGHT_PX
    footing = _footing(pair, mapping, look, most)
    rough = fit(footing, mapping, terms, Blur(1.5), rounds=4)
    footing = _footing(pair, rough.mapping, look, most)
    blur = _matched_blur(pair, footing, rough.mapping)
    return _Start(footing, blur, fit(footing, rough.mapping, terms, blur, rounds=16))


def _extended(start: _Start, alike: bool) -> Fit:
    """The fit without a tilt that is not there, and with the distortion or tilt that is."""
    footing, blur, result = start.footing, start.blur, start.fit
    least = EXTENSION_EFFECT_PX
    if not alike:
        least = EXTENSION_EFFECT_OTHER_LIGHT_PX * result.mapping.scale_at(result.centre[None])
    if TILT[0] in result.terms:
        plain = _or_none(partial(fit, footing, _straightened(result), SIMILARITY, blur))
        if plain is not None and plain.settled and not _is_worth(plain, result, least):
            result = plain
    untold: list[Fit] = []
    for longer in _LONGER:
        if len(longer) > len(result.terms):
            guess = _or_none(partial(foretold, result, longer))
            if guess is not None and _is_plainly_nothing(result, guess, least):
                untold.append(guess)
                continue
            other = _or_none(partial(fit, footing, result.mapping, longer, blur))
            if other is not None and _is_worth(result, other, least):
                result, untold = other, []
            elif other is not None and (other.settled or TILT[0] not in longer):
                # bends of two lenses nearly cancel, and a fit of both may swing for ever; what it says
                # is bounded by what lenses usually do
                untold.append(other)
    return replace(result, untold=tuple(untold))


def _or_none(made: Callable[[], Fit]) -> Fit | None:
    try:
        return made()
    except (NotMeasurable, np.linalg.LinAlgError):
        return None


def _straightened(tilted: Fit) -> Mapping:
    """The similarity that equals a tilted mapping at the middle of the overlap."""
    centre, mapping = tilted.centre[None], tilted.mapping
    turned = similarity(mapping.scale_at(centre), mapping.rotation_at(centre), (0, 0))
    turned[:2, 2] = mapping(centre)[0] - turned[:2, :2] @ tilted.centre
    return mapping.with_matrix(turned)


_LONGER = ((*SIMILARITY, *DISTORTION), (*SIMILARITY, *TILT), (*SIMILARITY, *TILT, *DISTORTION))


def _footing(pair: Pair, mapping: Mapping, look: Look, most_px: int) -> Footing:
    footing = Footing.of(pair, mapping, look, most_px)
    if footing is None:
        raise NotMeasurable("the photos share too small a piece of the chip")
    return footing


def _matched_blur(pair: Pair, footing: Footing, mapping: Mapping) -> Blur:
    """The extra blur of either photo at which the blocks correlate best, px of `footing`'s grid."""
    small = Footing.of(pair, mapping, footing.look, BLUR_GRID_PX) or footing
    seen = small.seen(mapping)
    finer = small.grid.factor / footing.grid.factor
    both = PLAIN.both if footing.look == "brightness" else 0.7
    best, best_score = Blur(both), -1.0
    for which in ("fine", "coarse"):
        falling = 0
        for extra in RELATIVE_BLURS:
            blur = Blur(both, **{which: extra})
            score = agreement_at(small, mapping, blur, seen)
            if score > best_score + (BLUR_GAIN if extra else 0):
                best, best_score, falling = blur, score, 0
            elif (falling := falling + 1) == 2:
                break
    return Blur(both, best.coarse * finer, best.fine * finer)


def _is_plainly_nothing(simple: Fit, guess: Fit, least_px: float) -> bool:
    """Whether terms are so far from explaining anything that fitting them in full changes nothing:
    what they foretell is well below what would be taken as real, and small enough to be foretold."""
    effect, moved = _effect_px(simple, guess)
    if effect > FORETOLD_PX * guess.grid_px * simple.mapping.scale_at(simple.centre[None]):
        return False
    gain, free = _gain(simple, guess)
    return free >= 4 and (gain < EXTENSION_WORTH / 2 or moved < least_px / 2)


def _is_worth(simple: Fit, longer: Fit, least_px: float) -> bool:
    """F test of the added terms, each cluster of blocks counting as one independent witness."""
    gain, free = _gain(simple, longer)
    if free < 4 or not longer.settled:
        return False
    return gain > EXTENSION_WORTH and _effect_px(simple, longer)[1] > least_px


def _gain(simple: Fit, longer: Fit) -> tuple[float, int]:
    """F ratio of the added terms, and the degrees of freedom that are left."""
    added = len(longer.terms) - len(simple.terms)
    free = longer.cluster_count - len(longer.terms)
    gain = (simple.misfit - longer.misfit) / max(longer.misfit, 1e-12)
    return gain * free / added, free


def _effect_px(simple: Fit, longer: Fit) -> tuple[float, float]:
    """How far the added terms move the blocks, px of the finer photo: at most, and as rms."""
    square = ((longer.mapping(longer.places) - simple.mapping(longer.places)) ** 2).sum(axis=1)
    rms = math.sqrt(float((longer.weights * square).sum() / longer.weights.sum()))
    return math.sqrt(float(square.max())), rms
