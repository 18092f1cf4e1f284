"""The response of a microscope from the lines of a ruled scale, superposed.

A slide has dozens of straight lines at known places. Folded onto one another by their measured places
they sample one line far more finely than the pixels do. Of the folded profile the harmonics are

    c_k = A sinc(k w / P) M(k / P),

P the division, w the width of the line, which nobody states, M the response. A line's end is a
step whatever the line's width: summed across one whole division it is the edge spread along the
line. Ends and harmonics together are fitted with the family of `response_model`, with w and the
strength unknown: what they cannot tell apart is in the uncertainty. Derived here. The fold is in
`lines_folded`, the ends in `lines_ends`.

Frequencies in cycles/px, lengths in px; the pixel's aperture is included in the response.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.edge_loss import TAKEN_U
from glassay.detail.grey_levels import check_levels
from glassay.detail.line_result import (
    MAX_MISFIT,
    MOST_VAGUE,
    PROFILE,
    LineResponse,
    Places,
    result_of,
)
from glassay.detail.lines_compressed import CompressedLines
from glassay.detail.lines_ends import Step, shifted_kernel, step_kernel, steps_in
from glassay.detail.lines_folded import MIN_LINES, Fold, Lines, folded
from glassay.detail.lines_profile import (
    PRIORS,
    PROFILE_PARAMETERS,
    RIMS_FROM_BAR,
    Profile,
    Profiles,
)
from glassay.detail.response_model import (
    FREQUENCY,
    Posterior,
    Summits,
    Told,
    draw,
    interpolation,
    summits,
)
from glassay.errors import NotMeasurable
from glassay.imaging.tone import Relight

Float = npt.NDArray[np.float64]

ENDS_ALONE = (
    "the lines' shape and their ends disagree (no bars, or a camera that works hard on its pictures):"
    " their ends alone count"
)
DISAGREEMENT = "lines and their ends disagree"
UNLIKE = (
    "the lines differ from each other by {:.0%} of their strength, as cut or scratched ones do: without"
    " usable ends they do not tell how sharp they are themselves"
)
RAISED = (
    "the camera raises the detail of the lines so much that lines without usable ends do not tell what"
    " it does from what their width does"
)

MIN_DIVISION_PX = 6.0
"""Below this only one or two harmonics lie within what pixels carry."""
ANISOTROPY = 0.02
"""Standard deviation of the relative difference of the response's scale along and across the lines."""
MOST_VAGUE_WIDTH = 0.05
"""Largest relative standard uncertainty of the lines' width where their ends had to be left out."""

TURNS = 3
"""How often what compression took is sought from the response found; six times move the 10 %
frequency of slides that lose much by less than half of its uncertainty, of divisions of 13 px by all
of it (8 slides of the study)."""
DISAGREE = 3.0
"""Standard deviations of what the ends alone say beyond which the harmonics are held to disagree. Of
photos by a camera that sharpens fourfold after an edge-keeping filter, three of three; of 6 plain
slides one, whose answer lies beyond Nyquist and stays right."""
DISAGREEMENT_U = 0.5
"""Standard uncertainty where the ends alone count, as a share of how far they are from what all say
together: what makes the lines' shape untrue (firmware that works on edges) works on ends as well."""
MOST_RAISED = 1.5
"""Modulation above which a picture without usable ends is refused. Unsharp masks of 0.6 give up to
1.14; of wide lines that a camera sharpens hard it came out at 5, at twice the true frequency."""
MOST_UNLIKE = 0.08
"""Spread of the lines' strengths beyond which lines without usable ends are refused. Printed lines of
photographed slides spread by 1 to 7 %, those of a chamber's one direction by 4 to 7 and of its other,
scratched unevenly and read at half the response, by 10 to 15 %; drawn ones by up to 2 %."""
LOPSIDED_U = 0.16
LOPSIDED_FROM, LOPSIDED_TO = 0.01, 0.04
"""Relative standard uncertainty of the frequencies where one side of the lines is darker than the other
(a groove lit from one side), and the odd part of a harmonic, as a share of the fundamental, from which
it begins to count and counts whole. Drawn and photographed bars have up to 0.008, real slides 0.02,
drawn grooves lit so 0.04 to 0.33, whatever that share with errors of 11 to 13 % (rms), two of 45 by 25
and 30 %: their U is so wide that other evidence goes before them."""
FIELD_WAVES = 1.0
"""Standard deviation of the defocus of a part of the field: a curved field or a tilted slide puts its
corners a wave and more out of focus where its middle is sharp (common practice, no source)."""


def response_of_lines(
    light: npt.NDArray[np.floating],
    segments: Float,
    division_px: float,
    quantization: Mapping[int, Any] | None = None,
    other_tones: Sequence[Relight] = (),
) -> LineResponse:
    """Measure the response from the lines of a scale.

    `light` (height, width) is linear light; `segments` (lines, 4) holds the measured ends x0, y0, x1,
    y1 of every line, px; `division_px` is their distance; `quantization` holds the tables of a JPEG
    file, None where nothing was thrown away. Where the tone curve was only assumed, `other_tones`
    are what the light may be instead (`Photo.other_tones`). Raises `NotMeasurable` with the reason
    when the lines do not tell it.
    """
    if len(segments) < MIN_LINES:
        raise NotMeasurable(f"only {len(segments)} lines; {MIN_LINES} are needed to superpose them")
    if division_px < MIN_DIVISION_PX:
        raise NotMeasurable(
            f"the lines are only {division_px:.1f} px apart, too close to tell their width"
        )
    check_levels(np.asarray(light, dtype=np.float32))
    rows = Lines.of(light, segments, division_px)
    fold, steps = folded(rows), steps_in(rows)
    found = summits(_told_by(fold, steps, division_px))
    rounded = bool(steps) and found.misfit > MAX_MISFIT
    if rounded:  # their ends may be rounded, or stand on something
        steps = []
        found = summits(_told_by(fold, steps, division_px))
    if not steps and fold.unlike > MOST_UNLIKE:
        raise NotMeasurable(UNLIKE.format(fold.unlike))
    shape_counts, apart = True, 0.0
    if steps:
        ends_only = _told_by(fold.without_weight(), steps, division_px)
        alone = summits(ends_only, found.parameters[:1])
        shape_counts = _agree(found, alone)
        if not shape_counts:
            apart = _apart(found, alone)
            fold = fold.without_weight()
            found = summits(_told_by(fold, steps, division_px))
    kept, ends, lost = fold, steps, (0.0, 0.0)
    if quantization and 0 in quantization:
        compressed = CompressedLines.of(light, segments, rows, quantization)
        kept, ends, before = _before_compression(
            compressed, fold, steps, found, lambda fold, ends: _told_by(fold, ends, division_px)
        )
        lost = _shift(found, before)
    posterior = draw(_told_by(kept, ends, division_px), found.parameters[found.that_count()])
    if not ends and np.median(posterior.curves, axis=0).max() > MOST_RAISED:
        raise NotMeasurable(RAISED)
    if rounded and _vague_width(posterior):
        raise NotMeasurable(
            "the lines' ends are no plain steps, and their shape alone does not tell their width"
        )
    changes = _changes(rows.thinned(), bool(steps), posterior, other_tones, shape_counts)
    profile = _shift_of_profile(fold, steps, division_px, posterior)
    result = result_of(posterior, fold, steps, rows, division_px, lost, profile, changes)
    result = result.with_share(PROFILE, LOPSIDED_U * _lopsided(fold))
    if shape_counts:
        return result
    result = result.with_share(DISAGREEMENT, DISAGREEMENT_U * apart)
    return replace(result, notes=(*result.notes, ENDS_ALONE))


def tenth_of_part(
    light: npt.NDArray[np.floating],
    segments: Float,
    division_px: float,
    whole: LineResponse,
    quantization: Mapping[int, Any] | None = None,
) -> tuple[float, float]:
    """Where the response that some of a scale's lines show falls to 10 %, and its standard uncertainty
    as far as these lines do not share it with the others, cycles/px.

    Arguments as of `response_of_lines`, whose outcome for all lines is `whole`: their profile is the
    same. Raises `NotMeasurable` where they are too few or do not tell it.
    """
    if len(segments) < MIN_LINES:
        raise NotMeasurable(f"only {len(segments)} lines")
    rows = Lines.of(light, segments, division_px)
    fold, steps = folded(rows), steps_in(rows) if whole.ends_used else []
    own = whole.posterior.parameters[:, 5 : 5 + PROFILE_PARAMETERS]

    def told_by(fold: Fold, steps: list[Step]) -> Told:
        told = _told_by(fold, steps, division_px)
        middle, width = told.middle.copy(), told.width.copy()
        middle[:PROFILE_PARAMETERS], width[:PROFILE_PARAMETERS] = own.mean(axis=0), own.std(axis=0)
        return told._replace(middle=middle, width=width, waves=FIELD_WAVES)

    found = summits(told_by(fold, steps), whole.posterior.middle)
    if steps and not _agree(found, summits(told_by(fold, []), found.parameters[:1])):
        raise NotMeasurable("these lines and their ends disagree")
    lost = 0.0
    if quantization and 0 in quantization:
        compressed = CompressedLines.of(light, segments, rows, quantization)
        before = found.frequency_at(0.1)
        fold, steps, found = _before_compression(compressed, fold, steps, found, told_by)
        lost = TAKEN_U * (found.frequency_at(0.1) - before)
    value, u = found.frequency_at(0.1), math.hypot(found.spread_at(0.1), lost)
    if found.misfit > MAX_MISFIT or not math.isfinite(value + u) or u > MOST_VAGUE * value:
        raise NotMeasurable("the 10 % frequency is not told")
    return value, u


def _lopsided(fold: Fold) -> float:
    """How much one side of the lines is darker than the other, from 0 (not) to 1 (as grooves are)."""
    odd = float(np.abs(fold.odd).max() / np.abs(fold.amplitude[0]))
    return min(max((odd - LOPSIDED_FROM) / (LOPSIDED_TO - LOPSIDED_FROM), 0.0), 1.0)


def _vague_width(posterior: Posterior) -> bool:
    """By the middle two thirds: one walker in fifty that strays must not decide."""
    low, high = np.quantile(posterior.parameters[:, 5], (0.159, 0.841))
    return bool(high - low > 2 * MOST_VAGUE_WIDTH)


def _agree(both: Summits, one: Summits) -> bool:
    """Whether what lines and ends say together is what one of them says alone.

    Firmware that works on edges makes harmonics of its own, beyond what a lens passes; a groove may
    be of a kind that two bars do not follow.
    """
    for level in (0.1, 0.5):
        together, alone = both.frequency_at(level), one.frequency_at(level)
        if math.isfinite(together) and math.isfinite(alone):
            return abs(together - alone) < DISAGREE * one.spread_at(level)
    return True


def _apart(both: Summits, ends: Summits) -> float:
    """Largest relative difference between what lines and ends say together and the ends alone."""
    pairs = [(both.frequency_at(level), ends.frequency_at(level)) for level in (0.1, 0.5)]
    return max((abs(a / b - 1) for a, b in pairs if math.isfinite(a + b)), default=0.0)


def _shift_of_profile(fold: Fold, steps: list[Step], division: float, found: Posterior) -> Places:
    """By how much the likeliest places move, as shares, where the lines are held to be plain bars, or
    to be two rims, this as far as the data allow it: the larger move."""

    def held_to_be(what: Profiles, near: Float) -> Summits:
        return summits(_told_by(fold, steps, division, what), near)

    free, bars = held_to_be("any", found.middle), held_to_be("bars", found.middle)
    as_rims = found.middle
    as_rims[:, 5:] += RIMS_FROM_BAR
    rims = held_to_be("rims", as_rims)
    data = len(fold.frequency) + sum(len(step.place) for step in steps)
    # The likelihood of rims is a share of the variance, its root one of the shift.
    allowed = math.exp(-max(0.0, rims.misfit - free.misfit) * data / 4)

    def largest(level: float) -> float:
        usual = free.frequency_at(level)
        moves = [
            share * (other.frequency_at(level) / usual - 1)
            for other, share in ((bars, 1.0), (rims, allowed))
        ]
        return max((move for move in moves if math.isfinite(move)), key=abs, default=0.0)

    return largest(0.5), largest(0.1)


def _before_compression(
    photo: CompressedLines,
    fold: Fold,
    steps: list[Step],
    found: Summits,
    told_by: Callable[[Fold, list[Step]], Told],
) -> tuple[Fold, list[Step], Summits]:
    """Fold and steps without what compression took of them, and the summit for these."""
    right, ends, best = fold, steps, found
    for turn in range(TURNS):
        bars = Profile.of(best.parameters[:1, 5:], photo.rows.division).bars()
        right, ends = photo.put_right(fold, steps, best.curve[0], bars, turn)
        best = summits(told_by(right, ends), best.parameters[:1])
    return right, ends, best


def _shift(before: Summits, after: Summits) -> Places:
    """By how much the places have moved, cycles/px; NaN where either is not told."""
    half, tenth = (after.frequency_at(level) - before.frequency_at(level) for level in (0.5, 0.1))
    return half, tenth


def _changes(
    rows: Lines,
    with_ends: bool,
    usual: Posterior,
    other_tones: Sequence[Relight],
    shape_counts: bool,
) -> list[Places]:
    """By which factors the places move where the light is another."""
    if not other_tones:
        return []
    before = _places(rows, with_ends, usual, shape_counts)
    others = [
        _places(replace(rows, value=relight(rows.value)), with_ends, usual, shape_counts)
        for relight in other_tones
    ]
    return [(half / before[0], tenth / before[1]) for half, tenth in others]


def _places(rows: Lines, with_ends: bool, usual: Posterior, shape_counts: bool) -> Places:
    """What the lines say at the likeliest parameters."""
    try:
        steps = steps_in(rows) if with_ends else []
        fold = folded(rows) if shape_counts else folded(rows).without_weight()
        best = summits(_told_by(fold, steps, rows.division), usual.middle)
    except NotMeasurable:
        return math.nan, math.nan
    return best.frequency_at(0.5), best.frequency_at(0.1)


def _told_by(fold: Fold, steps: list[Step], division: float, profiles: Profiles = "any") -> Told:
    """What the fold and the steps say of a response, the lines' profile and the stretch (ln) along
    them; `profiles` says which ones are possible."""
    kernels = [step_kernel(step.place).T for step in steps]
    shifted = [shifted_kernel(step.place).T for step in steps]
    data = len(fold.frequency) + sum(len(step.place) for step in steps)
    at_harmonics = interpolation(fold.frequency)
    # How far a line is from even says how far it may be from a bar in what is even, too.
    error = fold.error if profiles == "bars" else np.hypot(fold.error, fold.odd)

    def misfit(curves: Float, more: Float) -> Float:
        profile = Profile.of(more[:, :PROFILE_PARAMETERS], division)
        model = (curves @ at_harmonics) * profile.spectrum(fold.frequency)
        chi = _left_over([model], fold.amplitude, error)
        level, moved = profile.end_spectrum(FREQUENCY)
        for step, kernel, odd in zip(steps, kernels, shifted, strict=True):
            # A response stretched along the lines: E(t) of M(f / q) is E(q t).
            stretch = np.exp(more[:, PROFILE_PARAMETERS])
            edge = (curves * level) @ kernel + (curves * moved) @ odd
            slope = np.gradient(edge, step.place, axis=1)
            edge = edge + slope * step.place * (stretch[:, None] - 1)
            # The end's own place and the levels either side are free.
            chi = chi + _left_over([edge, np.ones_like(edge), slope], step.value, step.error)
        return chi + profile.impossible()

    # The neighbouring bins of an edge spread share their pixels' noise in part only: no correction.
    middle, width = PRIORS[profiles]
    return Told(misfit, data, np.append(middle, 0.0), np.append(width, ANISOTROPY))


def _left_over(columns: Sequence[Float], value: Float, error: Float) -> Float:
    """Weighted square residuals of `value` (n) about the best mix of `columns`, each (m, n)."""
    weighted = np.stack([column / error for column in columns], axis=1)  # (m, columns, n)
    target = value / error
    normal = weighted @ weighted.transpose(0, 2, 1)
    ridge = np.trace(normal, axis1=1, axis2=2) * 1e-10 + 1e-6
    right = weighted @ target
    solved = normal + ridge[:, None, None] * np.eye(len(columns))
    mix = np.linalg.solve(solved, right[..., None])[..., 0]
    left = target @ target - (right * mix).sum(axis=1) - ridge * (mix**2).sum(axis=1)
    return np.asarray(np.maximum(left, 0.0))
