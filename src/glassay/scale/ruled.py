"""A ruled scale in a photo: search, refine, fit, and the checks that let it be believed."""

from __future__ import annotations

import contextlib
import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from glassay.distortion import at_picture_corner
from glassay.errors import NotMeasurable
from glassay.fitting import spread
from glassay.quantity import Contribution, Quantity
from glassay.scale.acceptance import doubts
from glassay.scale.bent_ruling import fit_bent_ruling
from glassay.scale.beside import held_against_others
from glassay.scale.comb import finer_division
from glassay.scale.crossing import between_crossings, find_crossing, holds_finer
from glassay.scale.finer_lines import finer_lines_beside, is_veiled
from glassay.scale.hierarchy import HEAVIER_EVERY, Hierarchy, read_heavier, read_hierarchy
from glassay.scale.lines import Lines, refine
from glassay.scale.renumbering import every_second, lines_of, renumbered, without
from glassay.scale.result import MIN_DIVISION_PX, PROCESSING_SHARE, ScaleResult, View
from glassay.scale.row_shape import check_row
from glassay.scale.ruling import RulingFit, fit_ruling
from glassay.scale.search import SEARCH_PIXELS, Sighting, find_rows, reduced

MAX_SEARCH_PIXELS = 40_000_000
"""Largest copy that is searched; memory stays below 1 GB. Finer scales in larger photos need a
division of more px, which they have."""
MIN_LINES = 6
MIN_LINES_POINTED = 4
"""The same where a person has pointed at the scale (`box`), so that chance has less to choose from."""
MIN_FILLED = 0.8
"""Share of the lines between the first and the last that must be seen."""
MIN_EXPLAINED = 0.9
"""Share of the variation around the median line that one common waveform must explain. Scales give
0.92 to 1.0, even under dust and heavy compression; textures that passed the other checks at most
0.89."""
MIN_EXPLAINED_EVEN = 0.8
EVEN_LINES = 12
EVEN_JITTER = 0.015
"""Of at least `EVEN_LINES` lines that scatter by no more than `EVEN_JITTER` divisions, less likeness
is asked (`MIN_EXPLAINED_EVEN`): no texture is so even, and glare or dirt may trouble many lines."""
MAX_UNSTEADINESS = 0.25
"""Largest relative change of a line's contrast along it. Lines of scales change by less than 0.1;
rows of squares, letters and pads, seen as lines, by 0.3 and more."""
MAX_JITTER = 0.025
"""Largest rms residual of the line positions, in divisions. Slides are ruled to better than 0.005;
dust, noise and compression take soft scales to 0.02; weave and brick vary by 0.03 and more."""
MAX_JITTER_ALIKE = 0.05
"""Lines as alike as `MIN_EXPLAINED` may scatter more: those of a faint, noisy
scale do, and no texture was ever so uniform."""
MIN_LENGTH = 1.2
"""Shortest lines, in divisions: a row of dots, pads or letters is not a scale."""
DISTORTION_MODEL_SHARE = 0.005
"""Relative standard uncertainty for each unit of fitted distortion: the radial model of third order,
applied along a straight row, is no better than that for rows far off the middle."""
HIGHER_TERMS = 1.2
"""Standard uncertainty for lenses whose higher radial terms are not the model's, as a share of the
distortion times what it moves the division: rulings of 9 to 20 lines, drawn through a lens of 2 to 6 %
with the opposite higher terms, were off by 0.2 to 1 times that, long lines by up to 2."""
MAX_KEYSTONE = 0.1
"""Largest steady change of the spacing from the middle to the corner: slides seen askew give up to
0.09, and beyond it strong distortion has been taken for it."""
MAX_ALTERNATION = 0.3
"""Largest difference between even and odd lines, as a share of the contrast, before two of them are
taken for one division (see `Lines`)."""
MAX_UNLIKENESS = 0.45
"""Largest relative spread of the lines' contrast (from the median absolute deviation)."""
MAX_CHANCE = 1e-6
"""Largest probability that lines found by looking everywhere are even by accident: each line beyond
the two that fix the comb falls within two standard deviations of its place with a chance of four
times the scatter. Some ten thousand combs are looked at in a photo; one false scale in a hundred
photos of textures would be too many."""
MAX_CHANCE_POINTED = 1e-3
"""The same where a person has pointed at the scale: few combs are looked at then, and one false scale
in a thousand is less than people err in pointing."""


def measure_ruled(view: View) -> ScaleResult:
    light, mask = view.light, view.mask
    reasons: list[tuple[float, str]] = []
    tried: set[int] = set()
    for limit in (SEARCH_PIXELS, MAX_SEARCH_PIXELS):
        factor = max(1, math.ceil(math.sqrt(light.size / limit)))
        if factor in tried:
            continue
        tried.add(factor)
        candidates: list[tuple[Sighting, ScaleResult]] = []
        for sighting in find_rows(*reduced(light, mask, factor))[:6]:
            row = sighting.enlarged(factor)
            # Once one holds, only a finer one can change the answer.
            if candidates and row.period > 0.6 * candidates[0][0].period:
                continue
            try:
                candidates.append((row, _judged(view, row)))
            except NotMeasurable as error:
                reasons.append((row.merit, str(error)))
            except np.linalg.LinAlgError:  # letters seen as lines may leave nothing to fit
                reasons.append((row.merit, "what repeats in the photo cannot be fitted as lines"))
        if candidates:
            return held_against_others(view, *_finest_consistent(candidates), _judged)
    if not reasons:
        raise NotMeasurable("no row of evenly spaced lines was found")
    raise NotMeasurable(max(reasons)[1])


def _judged(view: View, row: Sighting) -> ScaleResult:
    """Refine one sighting and apply every check. Raises `NotMeasurable` with the one that failed."""
    light, mask = view.light, view.mask
    if row.period < MIN_DIVISION_PX:
        raise NotMeasurable(
            f"the lines are only {row.period:.1f} px apart, too close to be told from aliasing"
        )
    lines = refine(light, mask, row)
    parts = finer_division(lines.waveform)
    if parts > 1:
        if row.period / parts < MIN_DIVISION_PX:
            raise NotMeasurable(
                f"the lines are only {row.period / parts:.1f} px apart,"
                " too close to be told from aliasing"
            )
        row = renumbered(row, lines, parts)
        lines = refine(light, mask, row)
    hierarchy, crossing = _hierarchy(view, row, lines)
    if not hierarchy.every and (finer := _between_boundaries(view, row, lines)) is not None:
        return finer
    if (
        parts == 1
        and lines.alternation > MAX_ALTERNATION
        and len(lines.numbers) >= 10
        and hierarchy.every not in (4, 5, 10)
    ):
        # Two rims of one line make pairs of a length; lines of which every 5th is longer are single
        # ones, which alternate because their period is half a pixel off a whole one.
        row = every_second(row)
        lines = refine(light, mask, row)
        hierarchy, crossing = _hierarchy(view, row, lines)
    if hierarchy.kind in (
        "heavier",
        "crossed",
    ):  # these are unlike the others, and would be compared
        row = without(row, hierarchy)
        lines = refine(light, mask, row)
        if crossing is not None and lines.explained < MIN_EXPLAINED:
            lines = refine(light, between_crossings(light, mask, crossing), row)
    fit = _fit(view, lines)
    _check(lines, row, fit, view.pointed, hierarchy)
    return _result(view, row, lines, fit, hierarchy)


def _between_boundaries(view: View, row: Sighting, lines: Lines) -> ScaleResult | None:
    """The finer lines between those found, where these are a grid's boundary lines; None if not."""
    for every in HEAVIER_EVERY:
        if row.period / every >= MIN_DIVISION_PX and holds_finer(lines.waveform, every):
            with contextlib.suppress(NotMeasurable):
                return _judged(view, renumbered(row, lines, every))
    return None


def _fit(view: View, lines: Lines) -> RulingFit:
    """Fit the lines about the photo's middle, which a box may have moved from the view's."""
    half_diagonal = view.frame.half_diagonal
    c, s = math.cos(lines.angle), math.sin(lines.angle)
    middle = np.array(view.middle) @ np.array([[c, -s], [s, c]])
    along, across = float(middle[0]), float(middle[1])
    square = lines.across_square - 2 * across * lines.across_mean + across**2
    fit = fit_ruling(lines.numbers, lines.positions - along, lines.errors, square, half_diagonal)
    if not lines.bent:
        return fit
    stop = None
    if view.stop is not None:
        off = np.array([view.stop.x, view.stop.y]) - view.frame.axis
        stop = (float(off[0] * c + off[1] * s), float(off[1] * c - off[0] * s))
    numbers = lines.numbers
    return fit_bent_ruling(lines.parts, numbers, (along, across), half_diagonal, stop) or fit


def _check(
    lines: Lines, row: Sighting, fit: RulingFit, pointed: bool, hierarchy: Hierarchy
) -> None:
    used = int(fit.used.sum())
    if fit.division < MIN_DIVISION_PX:
        raise NotMeasurable(
            f"the lines are only {fit.division:.1f} px apart, too close to be told from aliasing"
        )
    needed = MIN_LINES_POINTED if pointed else MIN_LINES
    if used < needed:
        hint = "" if pointed else f" ({MIN_LINES_POINTED} where a box points at the scale)"
        raise NotMeasurable(
            f"only {used} evenly spaced lines were found; {needed} are needed{hint}"
        )
    span = int(np.ptp(lines.numbers[fit.used])) + 1
    if hierarchy.kind in ("heavier", "crossed"):
        span -= span // hierarchy.every
    if used < MIN_FILLED * span:
        raise NotMeasurable(
            f"only {used} of {span} lines stand where an even ruling would have them"
        )
    jitter = float(np.sqrt(np.mean(fit.residuals[fit.used] ** 2))) / fit.division
    explained = lines.explained
    if jitter > (MAX_JITTER_ALIKE if explained > MIN_EXPLAINED else MAX_JITTER):
        raise NotMeasurable(
            f"the lines found are not evenly spaced (they scatter by {jitter:.0%} of a division)"
        )
    even = used >= EVEN_LINES and jitter <= EVEN_JITTER and not fit.keystone and not fit.curved
    if explained < (MIN_EXPLAINED_EVEN if even else MIN_EXPLAINED):
        raise NotMeasurable("what repeats in the photo differs too much from place to place")
    if lines.unsteadiness > MAX_UNSTEADINESS and hierarchy.kind != "crossed":
        raise NotMeasurable("what repeats in the photo changes along its length, as no line does")
    amplitudes = lines.amplitudes[fit.used]
    unlike = spread(amplitudes) / max(abs(float(np.median(amplitudes))), 1e-9)
    if unlike > MAX_UNLIKENESS:
        raise NotMeasurable("what repeats in the photo differs too much in contrast")
    chance = (4 * max(jitter, 0.002)) ** (used - 2)
    if chance > (MAX_CHANCE_POINTED if pointed else MAX_CHANCE):
        raise NotMeasurable(
            f"{used} lines that scatter by {jitter:.1%} of a division may be even by chance"
        )
    length = row.core[1] - row.core[0]
    if length < MIN_LENGTH * fit.division:
        raise NotMeasurable("what repeats in the photo is too short to be the lines of a scale")
    check_row(lines, fit)
    if abs(fit.keystone) > MAX_KEYSTONE:
        raise NotMeasurable(
            f"the spacing changes by {abs(fit.keystone):.0%} from the middle of the photo to its"
            " corner; the camera must look at the slide more squarely, or through less of the lens"
        )
    if fit.error / fit.division > 0.02:
        raise NotMeasurable("the lines are too faint or too few to give a useful number")


def _finest_consistent(
    candidates: list[tuple[Sighting, ScaleResult]],
) -> tuple[Sighting, ScaleResult]:
    """The best candidate, or a finer one of which it is every 2nd, 4th, 5th or 10th line."""
    best_row, best = max(candidates, key=lambda pair: pair[0].merit)
    for row, result in candidates:
        ratio = best.division.value / result.division.value
        nearest = round(ratio)
        parallel = abs(math.sin(row.angle - best_row.angle)) < math.sin(math.radians(2))
        if nearest in (2, 4, 5, 10) and abs(ratio / nearest - 1) < 0.01 and parallel:
            best_row, best = row, result
    return best_row, best


def _result(
    view: View, row: Sighting, lines: Lines, fit: RulingFit, hierarchy: Hierarchy
) -> ScaleResult:
    light, stop = view.light, view.stop
    parts = [Contribution("fit of the lines", fit.error, float(max(1, fit.dof)))]
    parts.append(Contribution("colour and processing", PROCESSING_SHARE * fit.division))
    if fit.distortion:
        k, moved = abs(fit.distortion), abs(fit.division - fit.mean_division)
        higher = 0.0 if fit.from_bends else HIGHER_TERMS * k * moved
        model = math.hypot(DISTORTION_MODEL_SHARE * k * fit.division, higher)
        parts.append(Contribution("model of the distortion", model, scope="setting"))
    if fit.curved and fit.keystone and len(lines.numbers) < FEW_LINES and not fit.from_bends:
        other = CHOICE_SHARE * abs(fit.division - fit.mean_division)
        parts.append(Contribution("choice between tilt and distortion", other, scope="capture"))
    if fit.distortion_allowance:
        parts.append(
            Contribution("lens distortion not seen", fit.distortion_allowance, scope="setting")
        )
    segments = _segments(light.shape, lines)
    tilt = math.degrees(lines.angle)
    tilt = 90 - (90 - tilt) % 180  # into (-90, 90]
    length = max(row.core[1] - row.core[0], 1.0)
    tilt_error = math.degrees(3.5 * lines.wander / (length * math.sqrt(len(lines.numbers))))
    veiled = is_veiled(light, row, lines, fit.division)
    if hierarchy.every in (0, 2):
        _refuse_finer(finer_lines_beside(light, row, lines, fit.division), fit.division)
        if veiled and not view.pointed:
            raise NotMeasurable(
                "the ground between the lines differs in a band along the scale, as finer lines that"
                " are not resolved make it; if the lines seen are a division apart all the same,"
                " point at the scale with a box"
            )
    doubt = doubts(view, lines, fit, hierarchy)
    return ScaleResult(
        division=Quantity(fit.division, "px", tuple(parts)),
        distortion=fit.distortion,
        distortion_error=fit.distortion_error,
        distortion_2=fit.distortion_2,
        tilt=Quantity.of(tilt, max(tilt_error, 1e-4), "deg", "direction of the lines"),
        lines=int(fit.used.sum()),
        span=int(np.ptp(lines.numbers[fit.used])) + 1,
        segments=segments[fit.used],
        residuals=fit.residuals[fit.used],
        along=lines.positions[fit.used],
        dark_lines=_is_dark(lines.waveform),
        hierarchy=hierarchy,
        curved=fit.curved or bool(fit.keystone),
        field_stop=stop,
        shape=(light.shape[0], light.shape[1]),
        waveform=lines.waveform,
        explained=lines.explained,
        notes=_notes(hierarchy, fit, len(lines.numbers), veiled) + doubt,
    )


FEW_LINES, CHOICE_SHARE = 40, 0.6
"""With fewer lines a slide seen askew and a distorting lens can hardly be told apart where both bend
the ruling: the difference between the division in the middle and its mean over the scale enters as the
half-width of a rectangular distribution (JCGM 100:2008, 4.3.7)."""


def _hierarchy(view: View, row: Sighting, lines: Lines) -> tuple[Hierarchy, Sighting | None]:
    """Longer lines, or else heavier ones, with the lines that cross them if they are a grid's."""
    these = lines_of(row, lines)
    longer = read_hierarchy(view.light, view.mask, these)
    if longer.tells_a_scale:
        return longer, None
    heavier = read_heavier(view.light, view.mask, these)
    if not heavier.every:
        return longer, None
    crossing = find_crossing(view, row, row.period, heavier.every)
    return (heavier if crossing is None else replace(heavier, kind="crossed")), crossing


def _refuse_finer(parts: int, division_px: float) -> None:
    if parts:
        raise NotMeasurable(
            f"only every {parts}th line is clearly seen; between them stand finer ones, only"
            f" {division_px / parts:.1f} px apart, too close to be measured"
        )


def _is_dark(waveform: npt.NDArray[np.float64]) -> bool:
    """Whether the middle of the waveform, where the line stands, lies below its mean."""
    return bool(waveform[len(waveform) // 2] < waveform.mean())


def _segments(shape: tuple[int, ...], lines: Lines) -> npt.NDArray[np.float64]:
    c, s = math.cos(lines.angle), math.sin(lines.angle)
    cx, cy = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    at, a, b = lines.positions, lines.begins, lines.ends
    return np.column_stack(
        [cx + at * c - a * s, cy + at * s + a * c, cx + at * c - b * s, cy + at * s + b * c]
    )


def _notes(
    hierarchy: Hierarchy, fit: RulingFit, count: int, veiled: bool = False
) -> tuple[str, ...]:
    notes = []
    if veiled:
        notes.append(
            "the ground between the lines differs in a band along the scale, as finer lines that are"
            " not resolved make it: check that the stated division is that of the lines found"
        )
    if hierarchy.every == 2:
        notes.append(
            "every second line is longer: on a slide with longer 5th and 10th lines this means that"
            " only its 5th lines are seen; check that the stated division is that of these lines"
        )
    elif hierarchy.kind == "longer" and hierarchy.every not in (0, 5, 10):
        notes.append(
            f"every {hierarchy.every}th line is longer, which is unusual: check that the stated"
            " division is that of the finest lines seen"
        )
    if fit.keystone:
        notes.append(
            f"the spacing changes steadily along the scale ({abs(fit.keystone):.2%} from the middle to"
            " the corner): the camera did not look squarely at the slide; the pixel size is that at"
            " the middle of the photo"
        )
    if fit.curved:
        corner = at_picture_corner(fit.distortion, fit.distortion_2)
        notes.append(
            f"the spacing changes along the scale: lens distortion of {corner:+z.2%} at the corner of"
            " the picture; the pixel size is that at the middle of the photo, and the division averages"
            f" {fit.mean_division / fit.division - 1:+z.2%} over the scale"
        )
    return tuple(notes)
