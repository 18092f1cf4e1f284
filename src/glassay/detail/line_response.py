"""The response of a microscope from the lines of a ruled scale, superposed.

A slide has dozens of straight lines at known places. Folded onto one another by their measured places
they sample one line far more finely than the pixels do. Of the folded profile the harmonics are

    c_k = A sinc(k w / P) M(k / P),

P the division, w the width of the line, which nobody states, M the response. A line's end is a
step whatever the line's width: summed across one whole division it is the edge spread along the
line. Ends and harmonics together are fitted with the family of `response_model`, with w and the
strength unknown: what they cannot tell apart is in the uncertainty. Derived here.

Frequencies in cycles/px, lengths in px; the pixel's aperture is included in the response.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.response_model import (
    FREQUENCY,
    Misfit,
    Posterior,
    best_near,
    draw,
    processing_share,
)
from glassay.detail.tone_doubt import with_tone
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging.tone import Relight
from glassay.quantity import Quantity

Float = npt.NDArray[np.float64]

METHOD = "superposed lines"

MIN_LINES = 8
"""Fewer lines leave gaps between the folded samples."""
MIN_DIVISION_PX = 6.0
"""Below this only one or two harmonics lie within what pixels carry."""
HIGHEST_FREQUENCY = 0.85
"""Cycles/px up to which harmonics are used; above, errors of the lines' places outweigh the signal."""
FOLD_BINS_PER_PX = 8
END_BIN_PX = 0.25
END_COLUMN_PX = 0.4
MOST_GAP = 0.12
"""Largest gap between samples across a division, as a share of it, over which a mean is trusted."""
MODEL_SHARE = 0.004
"""What harmonics and ends may be off by for other reasons than noise, as a share of the fundamental
and of the step: lines are not alike, tone curves are not exact, JPEG rings. Folded slides of cameras
with all of these scatter by 0.2 to 0.6 % about the family (study)."""
LINE_SHARE, LINE_SHARE_WIDTH = np.log(0.2), 0.5
"""Width of a line over its division before anything is measured: slides of 10 um have lines of 1 to
3 um (common practice, no source); normal in the logarithm."""
ANISOTROPY = 0.02
"""Standard deviation of the relative difference of the response's scale along and across the lines."""
MAX_MISFIT = 6.0
"""Weighted square residual per datum beyond which the lines are no plain bars: rims, grooves and
shadows give 20 and more, plain lines 0.3 to 3."""
MOST_VAGUE = 0.3
"""Standard uncertainty, as a share of the value, beyond which lines are said to be too wide to tell."""
MOST_VAGUE_WIDTH = 0.05
"""Largest relative standard uncertainty of the lines' width where their ends had to be left out."""
MOST_UNEVEN_END = 0.25
"""Largest change of light, as a share of the step, beyond an end or before it: a base line, numerals
or dirt make more of it, and such an end is not used."""


@dataclass(frozen=True)
class LineResponse:
    """Response from superposed lines. `modulation`, `low`, `high` belong to `frequency` (95 % band).

    `line_width` in px. `profile` (2, n) is the folded line: place across (px) and light; `ends`
    (2, n) the edge spread along the lines, empty where no end could be used.
    """

    frequency_50: Quantity
    frequency_10: Quantity | None
    line_width: Quantity
    lines: int
    ends_used: int
    frequency: Float
    modulation: Float
    low: Float
    high: Float
    profile: Float
    ends: Float
    misfit: float
    notes: tuple[str, ...] = ()

    def findings(self) -> Mapping[str, Finding]:
        """Keys frequency_50, frequency_10 (cycles/px, where told) and line_width (px)."""
        out = {
            "frequency_50": Finding(self.frequency_50, METHOD),
            "line_width": Finding(self.line_width, METHOD),
        }
        if self.frequency_10 is not None:
            out["frequency_10"] = Finding(self.frequency_10, METHOD)
        return out

    def evidence(self) -> dict[str, Any]:
        """Plain data for drawing: the curve with its band, the folded line, the ends."""
        return {
            "frequency": self.frequency, "modulation": self.modulation, "low": self.low,
            "high": self.high, "profile": self.profile, "ends": self.ends,
        }  # fmt: skip


def response_of_lines(
    light: npt.NDArray[np.floating],
    segments: Float,
    division_px: float,
    jpeg_quality: int | None = None,
    other_tones: Sequence[Relight] = (),
) -> LineResponse:
    """Measure the response from the lines of a scale.

    `light` (height, width) is linear light; `segments` (lines, 4) holds the measured ends x0, y0, x1,
    y1 of every line, px; `division_px` is their distance; `jpeg_quality` (1 to 100) that of the file,
    None where nothing was thrown away. Where the tone curve was only assumed, `other_tones` are what
    the light may be instead (`Photo.other_tones`). Raises `NotMeasurable` with the reason when
    the lines do not tell it.
    """
    if len(segments) < MIN_LINES:
        raise NotMeasurable(f"only {len(segments)} lines; {MIN_LINES} are needed to superpose them")
    if division_px < MIN_DIVISION_PX:
        raise NotMeasurable(
            f"the lines are only {division_px:.1f} px apart, too close to tell their width"
        )
    rows = _Lines.of(light, segments, division_px)
    fold, steps = _folded(rows), _steps(rows)
    posterior = draw(*_told_by(fold, steps, division_px))
    if steps and posterior.misfit > MAX_MISFIT:  # their ends may be rounded, or stand on something
        steps = []
        posterior = draw(*_told_by(fold, steps, division_px))
        width = np.exp(posterior.parameters[:, 5])
        if width.std() > MOST_VAGUE_WIDTH * np.median(width):
            raise NotMeasurable(
                "the lines' ends are no plain steps, and their shape alone does not tell their width"
            )
    changes = _changes(rows, bool(steps), posterior, other_tones)
    share = processing_share(jpeg_quality)
    return _result(posterior, fold, steps, rows, division_px, share, changes)


Places = tuple[float, float]
"""Where the modulation falls to 50 and to 10 %, cycles/px; NaN where it does not."""


def _changes(
    rows: _Lines, with_ends: bool, usual: Posterior, other_tones: Sequence[Relight]
) -> list[Places]:
    """By which factors the places move where the light is another."""
    if not other_tones:
        return []
    before = _places(rows, with_ends, usual)
    others = [
        _places(replace(rows, value=relight(rows.value)), with_ends, usual)
        for relight in other_tones
    ]
    return [(half / before[0], tenth / before[1]) for half, tenth in others]


def _places(rows: _Lines, with_ends: bool, usual: Posterior) -> Places:
    """What the lines say at the likeliest parameters."""
    try:
        steps = _steps(rows) if with_ends else []
        best = best_near(*_told_by(_folded(rows), steps, rows.division), usual)
    except NotMeasurable:
        return math.nan, math.nan
    half, tenth = (float(best.frequency_at(level)[0]) for level in (0.5, 0.1))
    return half, tenth


@dataclass(frozen=True)
class _Lines:
    """The lines in their own frame: pixel values near each with the place across and along it."""

    line: npt.NDArray[np.int64]
    across: Float
    along: Float
    value: Float
    length: Float
    """Along each line from its middle to its ends: (lines, 2)."""
    middle: Float
    """Of each line: its middle's place across and along all lines (lines, 2), px."""
    alike: npt.NDArray[np.bool_]
    """Lines of the usual (shortest) length."""
    division: float

    @classmethod
    def of(cls, light: npt.NDArray[np.floating], segments: Float, division: float) -> _Lines:
        """Collect the pixels within half a division across, and 0.8 divisions beyond each end."""
        height, width = light.shape
        middle = (segments[:, :2] + segments[:, 2:]) / 2
        vector = segments[:, 2:] - segments[:, :2]
        length = np.hypot(*vector.T)
        unit = np.median(vector / length[:, None], axis=0)
        unit /= np.hypot(*unit)
        unit = unit if unit[np.argmax(np.abs(unit))] > 0 else -unit
        half = length / 2
        reach = half + 0.8 * division
        parts: list[tuple[Float, ...]] = []
        for i, (cx, cy) in enumerate(middle):
            extent = np.abs(unit) * reach[i] + np.abs(unit[::-1]) * division / 2 + 1
            x0, x1 = max(0, int(cx - extent[0])), min(width, int(cx + extent[0]) + 2)
            y0, y1 = max(0, int(cy - extent[1])), min(height, int(cy + extent[1]) + 2)
            if x1 <= x0 or y1 <= y0:
                continue
            x, y = np.meshgrid(np.arange(x0, x1) - cx, np.arange(y0, y1) - cy)
            along, across = x * unit[0] + y * unit[1], x * unit[1] - y * unit[0]
            near = (np.abs(across) <= division / 2) & (np.abs(along) <= reach[i])
            number = np.full(int(near.sum()), float(i))
            parts.append((number, across[near], along[near], light[y0:y1, x0:x1][near]))
        if not parts:
            raise NotMeasurable("no line lies within the photo")
        line, across, along, value = (np.concatenate(column) for column in zip(*parts, strict=True))
        alike = length < 1.12 * np.percentile(length, 25)
        return cls(
            line.astype(np.int64), across, along, value.astype(np.float64),
            np.stack([-half, half], axis=1),
            np.stack([middle @ [unit[1], -unit[0]], middle @ unit], axis=1), alike, division,
        )  # fmt: skip


@dataclass(frozen=True)
class _Fold:
    """The folded line: profile for drawing, amplitudes of its harmonics with their errors."""

    place: Float
    light: Float
    frequency: Float
    amplitude: Float
    error: Float


def _folded(rows: _Lines) -> _Fold:
    """Fold all lines over one division, each scaled by the light about it."""
    inner = np.abs(rows.along) < 0.8 * rows.length[rows.line, 1] - 0.1 * rows.division
    line, across, value = rows.line[inner], rows.across[inner], rows.value[inner]
    count = len(rows.length)
    ground = _level(line, value, np.abs(across) > 0.35 * rows.division, count)
    usable = np.isfinite(ground[line]) & (ground[line] > 0)
    line, across, relative = line[usable], across[usable], value[usable] / ground[line[usable]]
    # Lines are aligned anew by the phase of their fundamental, and those that differ are left out.
    turn = np.exp(2j * np.pi * across / rows.division)
    weight = np.bincount(line, minlength=count)
    mean = np.bincount(line, relative, count) / np.maximum(weight, 1)
    first = _complex_sum(line, (relative - mean[line]) * turn, count) / np.maximum(weight, 1)
    strength = np.abs(first)
    middle = np.median(strength[weight > 0])
    good = (weight > 0) & (np.abs(strength - middle) < 0.3 * middle)
    if good.sum() < MIN_LINES:
        raise NotMeasurable("the lines differ too much from each other to be superposed")
    phase = np.angle(first * np.conj(first[good].sum()))
    shift = phase / (2 * np.pi) * rows.division
    kept = good[line]
    place, relative, line = across[kept] - shift[line[kept]], relative[kept], line[kept]
    return _harmonics(place, relative, line, rows.division)


def _level(line: Any, value: Float, chosen: Any, count: int) -> Float:
    total = np.bincount(line[chosen], value[chosen], count)
    number = np.bincount(line[chosen], minlength=count)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _complex_sum(line: Any, value: Any, count: int) -> Any:
    return np.bincount(line, value.real, count) + 1j * np.bincount(line, value.imag, count)


def _harmonics(place: Float, relative: Float, line: Any, division: float) -> _Fold:
    """Least-squares harmonics, with errors from how the lines differ among each other."""
    most = int(min(HIGHEST_FREQUENCY * division, 24))
    bins = round(FOLD_BINS_PER_PX * division)
    wrapped = np.mod(place / division, 1.0)
    index = np.minimum((np.mod(wrapped + 0.5, 1.0) * bins).astype(int), bins - 1)
    number = np.bincount(index, minlength=bins)
    profile = np.bincount(index, relative, bins) / np.maximum(number, 1)
    members = np.unique(line)
    halves = [np.isin(line, members[part::GROUPS]) for part in range(GROUPS)]
    whole = _solve(wrapped, relative, most)
    centre = float(np.angle(whole[1]))
    if abs(centre) > np.pi / 2:  # a dark line: the middle is the line's, not the gap's
        centre -= np.copysign(np.pi, centre)
    parts = np.array([_solve(wrapped[h], relative[h], most) for h in halves])
    k = np.arange(1, most + 1)
    turned = np.exp(-1j * k * centre)
    amplitude = (whole[1:] * turned).real
    scatter = (parts[:, 1:] * turned).real.std(axis=0, ddof=1) / np.sqrt(GROUPS)
    # Few groups tell the scatter of one harmonic badly: neighbours share theirs.
    smooth = np.sqrt(np.convolve(np.pad(scatter**2, 1, mode="edge"), np.ones(3) / 3, "valid"))
    error = np.hypot(smooth, MODEL_SHARE * abs(amplitude[0]))
    sign = 1.0 if amplitude[0] > 0 else -1.0
    filled = number > 0
    at = (np.flatnonzero(filled) + 0.5) / bins - 0.5
    return _Fold(at * division, profile[filled], k / division, sign * amplitude, error)


GROUPS = 6
"""Groups of lines whose harmonics are compared for their error."""


def _solve(phase: Float, value: Float, most: int) -> Any:
    """Complex harmonics 0..most of values at phases 0..1, by least squares on fine bins."""
    bins = 16 * (most + 1)
    index = np.minimum((phase * bins).astype(int), bins - 1)
    number = np.bincount(index, minlength=bins)
    mean = np.bincount(index, value, bins) / np.maximum(number, 1)
    place = np.bincount(index, phase, bins) / np.maximum(number, 1)
    seen = number > 0
    angle = 2 * np.pi * np.outer(place[seen], np.arange(most + 1))
    design = np.concatenate([np.cos(angle), np.sin(angle[:, 1:])], axis=1)
    root = np.sqrt(number[seen])
    fit = np.linalg.lstsq(design * root[:, None], mean[seen] * root, rcond=None)[0]
    sine = np.concatenate([[0.0], fit[most + 1 :]])
    return fit[: most + 1] - 1j * sine


@dataclass(frozen=True)
class _Step:
    """Edge spread along the lines at their ends: place (px), share of the step, its error."""

    place: Float
    value: Float
    error: Float
    lines: int


def _steps(rows: _Lines) -> list[_Step]:
    return [found for upper in (False, True) if (found := _ends(rows, upper)) is not None]


def _ends(rows: _Lines, upper: bool) -> _Step | None:
    """The step at one end of the lines of usual length; None where it is no plain step."""
    sign = 1.0 if upper else -1.0
    count = len(rows.length)
    mine = rows.alike[rows.line]
    line, value = rows.line[mine], rows.value[mine]
    along = sign * rows.along[mine] - rows.length[line, 1]
    across = rows.across[mine]
    reach = 0.6 * rows.division
    near = np.abs(along) <= reach
    line, along, across, value = line[near], along[near], across[near], value[near]
    ground = _level(line, value, (along > 0.5 * reach), count)
    inner = _level(line, value, (along < -0.5 * reach), count)
    depth = inner - ground
    whole = np.isfinite(depth)
    if whole.sum() < MIN_LINES:
        return None
    middle = np.median(depth[whole])
    spread = 1.4826 * np.median(np.abs(depth[whole] - middle))
    if spread > 0.25 * abs(middle):
        return None
    good = whole & (np.abs(depth - middle) < 0.35 * abs(middle))
    for _ in range(2):
        kept = good[line]
        share = (value[kept] - ground[line[kept]]) / middle
        # Where each line ends: the integral of its step over the window.
        number = np.bincount(line[kept], minlength=count)
        total = np.bincount(line[kept], share, count) / np.maximum(number, 1)
        shift = np.where(good, (total - 0.5) * 2 * reach, 0.0)
        if good.sum() < MIN_LINES:
            return None
        # The ends of one length lie on a line, slightly bent by distortion.
        end = sign * rows.middle[:, 1] + rows.length[:, 1] + shift
        order = rows.middle[:, 0] - np.mean(rows.middle[good, 0])
        bend = np.polynomial.polynomial.polyfit(order[good], end[good], 2)
        straight = np.polynomial.polynomial.polyval(order, bend)
        off = np.abs(end - straight)
        good = good & (off < max(3 * 1.4826 * float(np.median(off[good])), 0.05))
    shift = straight - sign * rows.middle[:, 1] - rows.length[:, 1]
    kept = good[line]
    place = along[kept] - shift[line[kept]]
    share = (value[kept] - ground[line[kept]]) / middle
    return _binned(place, across[kept], share, reach, rows.division, int(good.sum()))


def _binned(
    place: Float, across: Float, share: Float, reach: float, division: float, lines: int
) -> _Step | None:
    """Mean over one whole division across, in bins along: by trapezoids between columns of samples,
    for at some tilts the pixels of a row of the photo stand at few places across."""
    columns = max(8, round(division / END_COLUMN_PX))
    rows = int(2 * reach / END_BIN_PX)
    i = np.floor((place + reach) / END_BIN_PX).astype(int)
    j = np.clip(((across / division + 0.5) * columns).astype(int), 0, columns - 1)
    inside = (i >= 0) & (i < rows)
    cell, inner = i[inside] * columns + j[inside], share[inside]

    def summed(weight: Float | None = None) -> Float:
        total: Float = np.bincount(cell, weight, rows * columns).astype(np.float64)
        return total.reshape(rows, columns)

    number = summed()
    many = np.maximum(number, 1)
    mean = summed(inner) / many
    middle = summed(across[inside]) / many
    within = np.maximum(summed(inner**2) / many - mean**2, 0)
    value, seen = np.zeros(rows), np.zeros(rows, dtype=bool)
    error = np.ones(rows)
    for row in range(rows):
        filled = np.flatnonzero(number[row])
        if len(filled) < 0.4 * columns:
            continue
        x, y = middle[row, filled], mean[row, filled]
        gap = np.diff(x, append=x[0] + division)
        if gap.max() > MOST_GAP * division:
            continue
        weight = (gap + np.roll(gap, 1)) / (2 * division)
        noise = within[row, filled].sum() / max(1.0, float((number[row, filled] - 1).sum()))
        value[row] = weight @ y
        error[row] = np.sqrt(noise * (weight**2 / number[row, filled]).sum())
        seen[row] = True
    if seen.mean() < 0.8:
        return None
    value = value[seen]
    uncertain = np.asarray(np.hypot(error[seen], MODEL_SHARE), dtype=np.float64)
    at = ((np.arange(rows) + 0.5) * END_BIN_PX - reach)[seen]
    flat = np.abs(at) > 0.7 * reach
    sides = [value[flat & (at > 0)], value[flat & (at < 0)]]
    if any(len(side) == 0 or np.ptp(side) > MOST_UNEVEN_END for side in sides):
        return None
    return _Step(np.asarray(at, dtype=np.float64), value, uncertain, lines)


def _step_kernel(place: Float) -> Float:
    """Matrix that turns a response on `FREQUENCY` into a falling edge spread at `place`.

    E(t) = 1/2 - integral of M(f) sin(2 pi f t) / (pi f) df, the transform of a unit step.
    """
    f = FREQUENCY[None, :]
    step = FREQUENCY[1] - FREQUENCY[0]
    kernel: Float = 2 * step * place[:, None] * np.sinc(2 * f * place[:, None])
    kernel[:, 0] /= 2
    kernel[:, -1] /= 2
    return kernel


def _told_by(fold: _Fold, steps: list[_Step], division: float) -> tuple[Misfit, int, Float, Float]:
    """What the fold and the steps say of a response: misfit, number of data, and the priors of the
    lines' width (ln of its share) and of the stretch (ln) as `response_model.draw` takes them."""
    kernels = [_step_kernel(step.place).T for step in steps]
    data = len(fold.frequency) + sum(len(step.place) for step in steps)
    at_harmonics = _interpolation(fold.frequency)

    def misfit(curves: Float, more: Float) -> Float:
        width = np.exp(more[:, 0])
        model = (curves @ at_harmonics) * np.sinc(np.outer(width, fold.frequency) * division)
        chi = _left_over([model], fold.amplitude, fold.error)
        for step, kernel in zip(steps, kernels, strict=True):
            # A response stretched along the lines: E(t) of M(f / q) is E(q t).
            stretch = np.exp(more[:, 1])
            edge = curves @ kernel
            slope = np.gradient(edge, step.place, axis=1)
            edge = edge + slope * step.place * (stretch[:, None] - 1)
            # The end's own place and the levels either side are free.
            chi = chi + _left_over([edge, np.ones_like(edge), slope], step.value, step.error)
        return chi

    # The neighbouring bins of an edge spread share their pixels' noise in part only: no correction.
    middle, width = np.array([LINE_SHARE, 0.0]), np.array([LINE_SHARE_WIDTH, ANISOTROPY])
    return misfit, data, middle, width


def _interpolation(frequency: Float) -> Float:
    """Matrix (grid, n) by which curves on `FREQUENCY` are interpolated linearly at `frequency`."""
    units = np.eye(len(FREQUENCY))
    return np.stack([np.interp(frequency, FREQUENCY, unit) for unit in units])


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


def _result(
    posterior: Posterior,
    fold: _Fold,
    steps: list[_Step],
    rows: _Lines,
    division: float,
    share: float,
    changes: Sequence[Places],
) -> LineResponse:
    if posterior.misfit > MAX_MISFIT:
        raise NotMeasurable(
            "the lines are no plain bars (rims, grooves or shadows): their response cannot be told"
        )
    half = _quantity(posterior.frequency_at(0.5), share, [half for half, _ in changes])
    tenth = _quantity(posterior.frequency_at(0.1), share, [tenth for _, tenth in changes])
    if half is None or half.relative > MOST_VAGUE:
        raise NotMeasurable(
            "the lines are wider than they tell: response and width cannot be told apart"
        )
    low, middle, high = np.percentile(posterior.curves, [2.5, 50, 97.5], axis=0)
    width = np.exp(posterior.parameters[:, 5]) * division
    notes = (
        []
        if steps
        else ["no ends of lines could be used: the width of the lines is told by their shape alone"]
    )
    if tenth is None or tenth.relative > MOST_VAGUE:
        notes.append("where the modulation falls to 10 % is not told by these lines")
        tenth = None
    ends = np.stack([steps[0].place, steps[0].value]) if steps else np.empty((2, 0))
    return LineResponse(
        half, tenth, Quantity.of(float(np.median(width)), float(width.std()), "px", METHOD),
        len(rows.length), sum(step.lines for step in steps), FREQUENCY, middle, low, high,
        np.stack([fold.place, fold.light]), ends, posterior.misfit, tuple(notes),
    )  # fmt: skip


def _quantity(draws: Float, share: float, changes: Sequence[float]) -> Quantity | None:
    """Median and half the central 68 % of draws; None where a tenth of them have no such place."""
    known = draws[np.isfinite(draws)]
    if len(known) < 0.9 * len(draws):
        return None
    low, middle, high = np.percentile(known, [15.87, 50, 84.13])
    found = Quantity.of(float(middle), float((high - low) / 2), "cycles/px", METHOD)
    found = found.with_contribution("compression and firmware", share * float(middle))
    return with_tone(found, [float(middle) * change for change in changes])
