"""Two photos of one chip, laid over each other: scale ratio, rotation, and whether it is the chip.

The result rests on the photos alone. Calibrations speed the search up and are afterwards held
against the scale ratio that was found.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging.tone import FloatImage
from glassay.match.agree import Check
from glassay.match.find import LIKE_LIGHT, Found, Searcher, fitting_looks, scales_to_try
from glassay.match.fit import DISTORTION, SIMILARITY, TILT, ZONES, Blur, Fit, fit
from glassay.match.mapping import Mapping, Points, outline
from glassay.match.pictures import LOOKS, Footing, Look, Pair
from glassay.match.rivals import DECIDED, Rival, strongest_rival
from glassay.quantity import Quantity, combine

METHOD_VERSION = "1"

MOST_APART = 20.0
"""Ratio of the pixel sizes up to which photos are matched without calibrations."""

SMALLEST_SIDE_PX = 40
"""Photos smaller than this on a side are refused."""

GRID_MOST_PX = 1_500_000
"""The refinement uses the overlap at no more px than this: a megapixel of structure fixes the scale
to a few parts in a million, far below what lenses and chips keep."""

SAMPLING_U_PX = 0.012
"""Assumed standard uncertainty of the displacement between opposite rims of the overlap, px of the
coarser photo, from what all blocks have in common: aliasing, colour filters, compression. It is
what simulated pairs of ordinary compressed colour photos leave unexplained by the scatter of their
blocks (0.006 to 0.015 px, from luminance to green alone)."""

BLUR_GRID_PX = 300_000
"""Px of the overlap that are used to find it."""

BLUR_GAIN = 0.005
"""Gain in mean correlation for which more blur is taken: less is chance in a small overlap."""

LEAST_AGREEMENT = 0.25
"""Mean correlation of the blocks below which a look is not measured in."""

OTHER_LIGHT_U_PX = 0.08
"""Assumed standard uncertainty of the displacement between opposite rims, px of the coarser photo,
when the photos are lit differently: edges then shine or lie in shadow here and there, and the
scatter of the blocks does not see what they have in common. It is what simulated pairs of dark
field or oblique light against bright field leave unexplained."""

EXTENSION_WORTH = 12.0
"""How much better (F ratio per term) tilt or lens distortion must fit before it is taken as real."""

EXTENSION_EFFECT_PX = 0.1
"""And it must move the blocks by this much (rms), px of the finer photo: less is nothing to speak
of."""

EXTENSION_EFFECT_OTHER_LIGHT_PX = 0.3
"""The same for photos lit differently, px of the coarser one: edges that shine on one side only
pull the blocks by parts of that."""

RELATIVE_BLURS = (0.0, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
"""Extra blur tried on either photo, px of the coarser one, to make both equally soft."""


@dataclass(frozen=True, eq=False)
class MatchResult:
    """How the second photo lies against the first.

    `scale_ratio`: pixel size of the second photo over that of the first (at the middle of the
    overlap when the view is tilted). `rotation`: deg by which the second photo's content is turned
    against the first's, positive clockwise as seen (rows run down). `residual`: px of the finer
    photo, weighted rms of the displacements that the mapping leaves in the blocks of the overlap.
    `transform` takes (column, row, 1) of the first photo to the second; lens distortion, where it
    was found, is in `mapping` and not in this matrix. `overlap_first` and `overlap_second` are the
    shared region as polygons (n, 2) in px of either photo. `look` says what was compared, `places`
    (n, 2) and `rests` (n, 2) are the blocks in px of the first photo and their residuals in px of
    the finer one. `calibration_ratio` is the ratio that the calibrations state, if they were given.
    """

    scale_ratio: Quantity
    rotation: Quantity
    residual: Quantity
    mapping: Mapping
    overlap_first: Points
    overlap_second: Points
    look: Look
    correlation: float
    places: Points
    rests: Points
    worse_by: float
    calibration_ratio: Quantity | None
    notes: tuple[str, ...]

    @property
    def transform(self) -> npt.NDArray[np.float64]:
        """The 3 x 3 matrix from the first photo's px to the second's."""
        return self.mapping.matrix

    @property
    def calibration_error(self) -> Quantity | None:
        """Calibrations' ratio over the measured one, minus 1; what both lean on cancels."""
        if self.calibration_ratio is None:
            return None
        return combine(lambda a, b: a / b - 1, (self.calibration_ratio, self.scale_ratio), "1")

    @property
    def calibrations(self) -> str | None:
        """ "agree" when the ratios differ by no more than the expanded uncertainty, else
        "disagree"; None without calibrations."""
        error = self.calibration_error
        if error is None:
            return None
        return "agree" if abs(error.value) <= error.expanded else "disagree"

    def findings(self) -> dict[str, Finding]:
        """scale_ratio, rotation, residual, correlation and, with calibrations, their verdict."""
        method = f"registration by {self.look}"
        found = {
            "scale_ratio": Finding(self.scale_ratio, method),
            "rotation": Finding(self.rotation, method),
            "residual": Finding(self.residual, method),
            "correlation": Finding(Quantity(self.correlation, "1"), method),
        }
        if self.calibration_ratio is not None and self.calibration_error is not None:
            found["calibration_ratio"] = Finding(
                self.calibration_ratio, "ratio of the calibrations"
            )
            found["calibration_error"] = Finding(
                self.calibration_error, "ratio of the calibrations over the measured one, minus 1"
            )
            found["calibrations"] = Finding(
                str(self.calibrations), "agree: within the expanded uncertainty"
            )
        return found


def match(
    first: FloatImage,
    second: FloatImage,
    *,
    pixel_size_1: Quantity | float | None = None,
    pixel_size_2: Quantity | float | None = None,
    most_apart: float = MOST_APART,
) -> MatchResult:
    """Register two photos of one chip, in linear light, shapes (height, width).

    Pixel sizes in um (both, or the match goes by the photos alone) only guide the search. Photos
    may differ in magnification by up to `most_apart`, in rotation, lighting, colour and blur. A
    slight tilt and radial lens distortion are found when the photos show them; a view from another
    side (a plane in perspective) is matched too, and said so.

    Raises `NotMeasurable` when the photos do not show the same piece of one chip, when one is a
    mirror image of the other, or when the chip repeats itself so that the match may be off by a
    period.
    """
    first, second = _usable(first, "first"), _usable(second, "second")
    ratio = _calibration_ratio(pixel_size_1, pixel_size_2)
    notes: list[str] = []
    found = _find(first, second, ratio, most_apart, notes)
    if found is None:
        raise NotMeasurable(_why_nothing(first, second, ratio, most_apart))
    looks = fitting_looks(found)
    alike = looks[0].look == "brightness" and looks[0].correlation >= LIKE_LIGHT
    found, worse_by = _decided(found, looks)
    found, result = _refine(found, [one.look for one in looks], alike)
    return _result(found, result, worse_by, ratio, alike, notes)


def _usable(photo: FloatImage, name: str) -> FloatImage:
    picture = np.asarray(photo, dtype=np.float32)
    if picture.ndim != 2:
        raise ValueError(f"the {name} photo has shape {picture.shape}, not (height, width)")
    if min(picture.shape) < SMALLEST_SIDE_PX:
        raise NotMeasurable(f"the {name} photo is smaller than {SMALLEST_SIDE_PX} px on a side")
    if not np.isfinite(picture).all():
        raise NotMeasurable(f"the {name} photo holds values that are no numbers")
    if float(picture.max()) == float(picture.min()):
        raise NotMeasurable(f"the {name} photo is one even surface")
    return np.ascontiguousarray(picture)


def _calibration_ratio(
    one: Quantity | float | None, two: Quantity | float | None
) -> Quantity | None:
    if one is None or two is None:
        return None
    sizes = [p if isinstance(p, Quantity) else Quantity(float(p), "um") for p in (one, two)]
    if not all(math.isfinite(size.value) and size.value > 0 for size in sizes):
        raise ValueError("pixel sizes are above 0")
    return combine(lambda a, b: b / a, sizes, "1")


def _find(
    first: FloatImage,
    second: FloatImage,
    ratio: Quantity | None,
    most: float,
    notes: list[str],
) -> Found | None:
    """With the prior by features, then as a whole; then as if there were no prior."""
    searcher = Searcher(first, second)
    if ratio is not None:
        found = searcher.by_features(scales_to_try(ratio.value, most))
        if found is None:
            scale, first_is_coarse = scales_to_try(ratio.value, most)[0]
            found = searcher.by_template(scale, first_is_coarse, most, LOOKS)
        if found is not None:
            return found
    found = searcher.by_features(scales_to_try(None, most))
    if found is None and ratio is None:
        for first_is_coarse in (False, True):
            found = searcher.by_template(None, first_is_coarse, most, LOOKS[:3])
            if found is not None:
                break
    if found is not None and ratio is not None:
        notes.append("the photos match only at a scale other than that of the calibrations")
    return found


def _why_nothing(first: FloatImage, second: FloatImage, ratio: Quantity | None, most: float) -> str:
    mirrored = Searcher(np.ascontiguousarray(first[:, ::-1]), second)
    scales = scales_to_try(None if ratio is None else ratio.value, most)
    if mirrored.by_features(scales) is not None:
        return "one photo is a mirror image of the other; turn it back in what wrote it"
    return "the photos show no common piece of one chip that could be recognised"


def _decided(found: Found, looks: list[Check]) -> tuple[Found, float]:
    """The place that the photos decide for in one of the looks, and how clearly they do."""
    reason = ""
    for one in looks:
        at, rival = _against_rivals(replace(found, check=replace(one, mapping=found.check.mapping)))
        if rival is None:
            return at, math.inf
        if rival.worse_by >= DECIDED:
            return at, rival.worse_by
        turn = f" and turned by {rival.turn_deg:.0f} deg" if abs(rival.turn_deg) > 20 else ""
        reason = reason or f"{rival.shift_px:.0f} px of the coarser photo{turn}"
    raise NotMeasurable(
        f"the chip repeats itself here: shifted by {reason}, the photos fit about as well; show"
        " more of the chip or something that occurs once"
    )


def _against_rivals(found: Found) -> tuple[Found, Rival | None]:
    """The best of the places that look alike, and the strongest of the others."""
    for _ in range(3):
        rival = strongest_rival(found.pair, found.check.mapping, found.check.look)
        if rival is None or rival.worse_by > -DECIDED:
            break
        found = replace(found, check=replace(found.check, mapping=rival.mapping))
    return found, rival


def _refine(found: Found, looks: list[Look], alike: bool) -> tuple[Found, Fit]:
    """The finest mapping, in the look that fixes the scale best."""
    fits: list[tuple[float, Look, Fit]] = []
    for look in looks:
        try:
            result = _refined_in(found, look, alike)
        except (NotMeasurable, np.linalg.LinAlgError):
            continue
        if result.agreement >= LEAST_AGREEMENT or len(looks) == 1:
            fits.append((result.u("scale"), look, result))
    if not fits:
        raise NotMeasurable("the photos lie roughly on each other, but no detail of them agrees")
    _, look, result = min(fits, key=lambda one: one[0])
    return replace(found, check=replace(found.check, look=look)), result


def _refined_in(found: Found, look: Look, alike: bool) -> Fit:
    pair, mapping = found.pair, found.check.mapping
    tilted = bool(mapping.matrix[2, :2].any())  # only a homography proposes that
    terms = (*SIMILARITY, *TILT) if tilted else SIMILARITY
    footing = _footing(pair, mapping, look)
    rough = fit(footing, mapping, terms, Blur(1.5), rounds=4)
    footing = _footing(pair, rough.mapping, look)
    blur = _matched_blur(pair, footing, rough.mapping)
    result = fit(footing, rough.mapping, terms, blur, rounds=16)
    least = EXTENSION_EFFECT_PX
    if not alike:
        least = EXTENSION_EFFECT_OTHER_LIGHT_PX * result.mapping.scale_at(result.centre[None])
    for longer in _LONGER:
        if len(longer) <= len(result.terms):
            continue
        try:
            other = fit(footing, result.mapping, longer, blur)
        except (NotMeasurable, np.linalg.LinAlgError):
            continue
        if _is_worth(result, other, least):
            result = other
    return result


_LONGER = ((*SIMILARITY, *DISTORTION), (*SIMILARITY, *TILT), (*SIMILARITY, *TILT, *DISTORTION))


def _footing(pair: Pair, mapping: Mapping, look: Look) -> Footing:
    footing = Footing.of(pair, mapping, look, GRID_MOST_PX)
    if footing is None:
        raise NotMeasurable("the photos share too small a piece of the chip")
    return footing


def _matched_blur(pair: Pair, footing: Footing, mapping: Mapping) -> Blur:
    """The extra blur of either photo at which the blocks correlate best, px of `footing`'s grid."""
    small = Footing.of(pair, mapping, footing.look, BLUR_GRID_PX) or footing
    finer = small.grid.factor / footing.grid.factor
    both = 0.5 if footing.look == "brightness" else 0.7
    best, best_score = Blur(both), -1.0
    for which in ("fine", "coarse"):
        falling = 0
        for extra in RELATIVE_BLURS:
            blur = Blur(both, **{which: extra})
            score = fit(small, mapping, SIMILARITY, blur, rounds=1).agreement
            if score > best_score + (BLUR_GAIN if extra else 0):
                best, best_score, falling = blur, score, 0
            elif (falling := falling + 1) == 2:
                break
    return Blur(both, best.coarse * finer, best.fine * finer)


def _is_worth(simple: Fit, longer: Fit, least_px: float) -> bool:
    """F test of the added terms, each cluster of blocks counting as one independent witness."""
    added = len(longer.terms) - len(simple.terms)
    free = longer.cluster_count - len(longer.terms)
    if free < 4 or not longer.settled:
        return False
    gain = (simple.misfit - longer.misfit) / max(longer.misfit, 1e-12)
    effect = longer.mapping(longer.places) - simple.mapping(longer.places)
    moved = math.sqrt(
        float((longer.weights * (effect**2).sum(axis=1)).sum() / longer.weights.sum())
    )
    return gain * free / added > EXTENSION_WORTH and moved > least_px


def _result(
    found: Found,
    result: Fit,
    worse_by: float,
    ratio: Quantity | None,
    alike: bool,
    notes: list[str],
) -> MatchResult:
    """Everything turned to lead from the first photo to the second."""
    onward = result.mapping  # coarse to fine
    centre = result.centre[None]
    scale, turn = onward.scale_at(centre), onward.rotation_at(centre)
    mapping = onward if found.first_is_coarse else onward.inverse()
    overlap_first = _overlap(mapping)
    _say_what_was_found(found, result, alike, notes)
    value = 1 / scale if found.first_is_coarse else scale
    used = len(result.terms) / 2
    u_residual = result.residual_px / math.sqrt(2 * max(1.0, ZONES**2 - used))
    return MatchResult(
        scale_ratio=_with_budget(Quantity(value, "1"), value, "scale", result, alike),
        rotation=_with_budget(
            Quantity(turn if found.first_is_coarse else -turn, "deg"),
            math.degrees(1), "turn", result, alike,
        ),
        residual=Quantity.of(result.residual_px, u_residual, "px", "number of zones"),
        mapping=mapping,
        overlap_first=overlap_first,
        overlap_second=mapping(overlap_first),
        look=found.check.look,
        correlation=result.agreement,
        places=result.places if found.first_is_coarse else onward(result.places),
        rests=result.rests_fine,
        worse_by=worse_by,
        calibration_ratio=ratio,
        notes=tuple(notes),
    )  # fmt: skip


def _with_budget(quantity: Quantity, unit: float, term: str, result: Fit, alike: bool) -> Quantity:
    """The quantity with its contributions, `unit` being its change per relative change of scale or
    per radian."""
    across = 2 * result.half
    quantity = quantity.with_contribution(
        "scatter of the blocks", unit * result.u(term), result.dof(term)
    )
    quantity = quantity.with_contribution(
        "sampling and compression (assumed)", unit * SAMPLING_U_PX / across
    )
    if not alike:
        quantity = quantity.with_contribution(
            "different lighting (assumed)", unit * OTHER_LIGHT_U_PX / across
        )
    return quantity


def _say_what_was_found(found: Found, result: Fit, alike: bool, notes: list[str]) -> None:
    if not alike:
        notes.append(
            f"the photos are lit differently; they were compared by {found.check.look}, and may be"
            " shifted as a whole by about a px of the coarser one where edges shine on one side"
        )
    if TILT[0] in result.terms:
        stretch = result.mapping.stretch_at(result.centre[None]) - 1
        notes.append(
            f"one photo views the chip from another side: squeezed by {stretch:.2%} along one"
            " direction at the middle of the overlap, of which the scale is the mean"
        )
    if DISTORTION[0] in result.terms:
        which = ("first", "second") if found.first_is_coarse else ("second", "first")
        notes.append(
            f"the lenses distort: radial coefficient {result.mapping.from_k:+.4f} of the {which[0]}"
            f" photo and {result.mapping.to_k:+.4f} of the {which[1]}, of which the overlap may"
            " fix only the difference; the scale is that of the middle of the overlap"
        )
    if not result.settled:
        notes.append("the refinement did not settle; the uncertainty may be understated")


def _overlap(mapping: Mapping) -> Points:
    """The shared region as a polygon in px of the mapping's own photo."""
    own = outline(mapping.from_shape, 1).astype(np.float32)
    other = mapping.inverse()(outline(mapping.to_shape)).astype(np.float32)
    area, polygon = cv2.intersectConvexConvex(own, cv2.convexHull(other).reshape(-1, 2))
    if area <= 0 or polygon is None:
        raise NotMeasurable("the photos share too small a piece of the chip")
    return np.asarray(polygon, dtype=np.float64).reshape(-1, 2)
