"""The three-bar resolving power target (MIL-STD-150A): contrast of every element, and pixel size.

Entry point: `measure_bars`. Triplets are found by `bars_finding`, ordered by `bars_layout`, named by
`bars_labels`, measured by `bars_fit`; `bars_scale` makes one scale for each axis of their periods.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.bars_finding import WORKING_PIXELS, Triplet, find_triplets, without_repeats
from glassay.detail.bars_fit import BarContrast, BarFit, Site, fit_bars, read_contrast
from glassay.detail.bars_labels import element_scores, read_group
from glassay.detail.bars_layout import (
    STEP,
    Frame,
    Layout,
    arrange,
    frequency_lp_mm,
    side_of,
    width_of,
)
from glassay.detail.bars_locate import locate_element, shifted
from glassay.detail.bars_scale import (
    ASSUMED_TOLERANCE,
    BLUR_SOURCE,
    AxisScale,
    axis_scale,
    pixel_sizes,
)
from glassay.detail.tone_doubt import with_tone
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging.tone import FloatImage, Relight
from glassay.quantity import Contribution, Quantity

METHOD = "three-bar target"

CONTRAST = 0.2
"""Contrast, (bar - space) / (bar + space) in linear light, that an element must have to count as
resolved unless the user states another: what an observer needs to count bars without effort (common
practice, no source; the Rayleigh criterion's dip gives 0.15)."""

MADE_OUT = 0.04
"""Least contrast of an element whose period is used for the scale: below it, uneven ground and
interpolation pull the fit."""

SURE = 5.0
"""Least contrast, in its own uncertainty, of an element whose period is used."""

OFF_SERIES = 0.08
"""Largest departure of a fitted period from its place in the series before the fit is put aside."""

MIN_IN_COLUMN = 3
"""Fewest elements found in each of a layer's two columns: less is a target cut off."""

REFINED_BELOW_PX = 14.0
"""Triplets of a shorter period are fitted before they are ordered."""

SMALLEST_PERIOD_PX = 1.8
"""Elements with a shorter period are not read: they lie beyond what the pixels can show (2 px)."""

KINDS = ("upright", "level")


@dataclass(frozen=True)
class Bars:
    """One triplet: where it is, its contrast (None: not in the picture), its fit if made out.

    `period` in px with its uncertainty; None when the bars cannot be made out.
    """

    site: Site
    light: BarContrast | None
    contrast: Quantity | None
    period: Quantity | None
    toned: tuple[float, ...] = ()
    """The contrast under each other tone curve that the light may have."""


@dataclass(frozen=True)
class Element:
    """An element of the target: its numbers, line pairs per mm, and its two triplets.

    `upright` bars show detail along the target's rows, `level` bars down its columns.
    """

    group: int
    number: int
    frequency_lp_mm: float
    upright: Bars
    level: Bars

    @property
    def contrast(self) -> float | None:
        """The smaller of the two contrasts; None when a triplet is out of view."""
        if self.upright.contrast is None or self.level.contrast is None:
            return None
        return min(self.upright.contrast.value, self.level.contrast.value)

    def contrast_under(self, tone: int) -> float | None:
        """The smaller of the two contrasts under another tone curve, by its number."""
        if not (self.upright.toned and self.level.toned):
            return None
        return min(self.upright.toned[tone], self.level.toned[tone])

    @property
    def contrast_u(self) -> float:
        """Standard uncertainty of the smaller contrast."""
        both = [c for c in (self.upright.contrast, self.level.contrast) if c is not None]
        return min(both, key=lambda c: c.value).u if both else 0.0


@dataclass(frozen=True)
class BarResult:
    """A bar target as measured.

    `elements` from coarse to fine; `finest` the last whose contrast reaches `threshold` in both
    directions; `finest_frequency` (lp/mm) with the interval that the contrasts' uncertainties and
    the steps of the series allow. `x` and `y` are the pixel sizes along the picture's axes.
    """

    elements: tuple[Element, ...]
    frame: Frame
    across: AxisScale
    down: AxisScale
    pixel_size_x: Quantity
    pixel_size_y: Quantity
    threshold: float
    finest: Element | None
    finest_frequency: Quantity | None
    bright: bool
    notes: tuple[str, ...]

    def findings(self) -> dict[str, Finding]:
        """The fixed keys of `bars`, with the ratio of the axes and the elements made out."""
        out = {
            "pixel_size_x": Finding(self.pixel_size_x, METHOD),
            "pixel_size_y": Finding(self.pixel_size_y, METHOD),
        }
        if self.finest is not None and self.finest_frequency is not None:
            out["finest_group"] = Finding(self.finest.group, METHOD)
            out["finest_element"] = Finding(self.finest.number, METHOD)
            out["finest_frequency"] = Finding(self.finest_frequency, METHOD)
        out["contrast_threshold"] = Finding(Quantity(self.threshold, "1"), METHOD)
        out["elements"] = Finding(max(self.across.elements, self.down.elements), METHOD)
        return out

    def scale_of(self, bars: Bars, element: Element) -> Quantity | None:
        """The scale (um/px along its own axis) that one triplet alone would give.

        Its uncertainty includes the scatter between elements, so that it may be compared with the
        common one; that of the target's own tolerance is left out.
        """
        if bars.period is None:
            return None
        size = 1000 / element.frequency_lp_mm / bars.period.value
        scatter = (self.across if bars is element.upright else self.down).scatter
        return Quantity.of(size, size * bars.period.relative, "um/px", "fit").with_contribution(
            "scatter between elements", size * scatter
        )

    def evidence(self) -> dict[str, Any]:
        """What is needed to draw the result, as plain data; px of the whole photo."""
        return {
            "threshold": self.threshold,
            "elements": [
                {
                    "group": e.group, "number": e.number, "frequency": e.frequency_lp_mm,
                    "finest": e is self.finest,
                    **{kind: _evidence_of(getattr(e, kind)) for kind in KINDS},
                }
                for e in self.elements
            ],
        }  # fmt: skip


def _evidence_of(bars: Bars) -> dict[str, Any]:
    s = bars.site
    return {
        "x": s.x, "y": s.y, "across": s.across, "along": s.along, "period": s.period,
        "length": s.length,
        "contrast": None if bars.contrast is None else bars.contrast.value,
        "contrast_u": None if bars.contrast is None else bars.contrast.u,
        "toned": list(bars.toned),
        "made_out": bars.period is not None,
        "position": [] if bars.light is None else bars.light.position.tolist(),
        "profile": [] if bars.light is None else bars.light.profile.tolist(),
    }  # fmt: skip


def measure_bars(
    image: FloatImage,
    *,
    group: int | None = None,
    box: tuple[int, int, int, int] | None = None,
    contrast: float = CONTRAST,
    tolerance: float = ASSUMED_TOLERANCE,
    tolerance_stated: bool = False,
    full: npt.NDArray[np.bool_] | None = None,
    notes: Sequence[str] = (),
    other_tones: Sequence[Relight] = (),
) -> BarResult:
    """Measure a three-bar target in `image`, linear light (height, width), at any rotation.

    `group` is the group number of the largest element in view, for when its numerals cannot be
    read. With `box` = (x, y, width, height) the target is sought there only. An element counts as
    resolved when its `contrast` is reached in both directions. `tolerance` is the relative
    half-width within which the target's bar widths are known; `full` marks the pixels at full scale,
    for a note where bars are. Where the tone curve was only assumed, `other_tones` are what the light
    may be instead (`Photo.other_tones`).

    Raises `NotMeasurable` when no target is found, when it is cut off so that its scale or its
    finest readable element would be a guess, or when nothing says which group is which.
    """
    x0, y0, w, h = box or (0, 0, image.shape[1], image.shape[0])
    part = np.ascontiguousarray(image[y0 : y0 + h, x0 : x0 + w], dtype=np.float32)
    layout = _find_layout(part)
    _require_two_columns(layout)
    first_group, said = _first_group(part, layout, group)
    periods = _axis_periods(part, layout)
    elements = [
        _moved(e, x0, y0)
        for e in _measure_elements(part, layout, periods, first_group, other_tones)
    ]
    scales = [_scale(elements, kind, tolerance) for kind in KINDS]
    finest, frequency = _finest(elements, contrast)
    size_x, size_y = pixel_sizes(layout.frame, *scales)
    if full is not None and _bars_are_full(full, elements):
        notes = (*notes, "bars are at full scale: true contrasts may be higher than those stated")
    assumed = () if tolerance_stated else (
        f"the target's tolerance is not given, {tolerance:.1%} assumed",
    )  # fmt: skip
    return BarResult(
        tuple(elements), layout.frame, scales[0], scales[1], size_x, size_y, contrast, finest,
        frequency, layout.bright,
        (*notes, *said, *assumed, *_notes(elements, layout, scales, finest, (size_x, size_y))),
    )  # fmt: skip


def _find_layout(image: FloatImage) -> Layout:
    """Find and order the triplets, looking closer and closer at where finer ones must be."""

    def order(triplets: Sequence[Triplet]) -> Layout:
        return arrange(triplets, lambda pairs, frame, bright: element_scores(
            image, pairs, frame, bright))  # fmt: skip

    triplets = _refined(image, find_triplets(image))
    window = _around(triplets, image.shape)
    if window is not None and _zoom(window) > 1.4 * _zoom((0, 0, image.shape[1], image.shape[0])):
        triplets = without_repeats(triplets + _triplets_in(image, window))
    layout = order(triplets)
    for _ in range(3):
        window = _inside(layout, image.shape)
        if window is None:
            break
        more = without_repeats(triplets + _triplets_in(image, window))
        try:
            closer = order(more)
        except NotMeasurable:
            break
        if len(closer.pairs) <= len(layout.pairs):
            break
        triplets, layout = more, closer
    return layout


Window = tuple[int, int, int, int]


def _zoom(window: Window) -> float:
    return min(math.sqrt(WORKING_PIXELS / (window[2] * window[3])), 6.0)


def _triplets_in(image: FloatImage, window: Window) -> list[Triplet]:
    x, y, w, h = window
    found = find_triplets(np.ascontiguousarray(image[y : y + h, x : x + w]))
    moved = [Triplet(t.x + x, t.y + y, t.step, t.along, t.length, t.bright) for t in found]
    return _refined(image, moved)


def _refined(image: FloatImage, triplets: Sequence[Triplet]) -> list[Triplet]:
    """Small triplets with fitted periods: outlines of blurred bars lie too close together."""
    out = []
    for t in triplets:
        if t.period < REFINED_BELOW_PX:
            across = (t.along[1], -t.along[0])
            site = Site(t.x, t.y, across, t.along, t.period, 2.5 * t.period)
            fit = fit_bars(image, site)
            if fit is not None and _plausible(fit, site):
                dx, dy = fit.offset * across[0], fit.offset * across[1]
                step = (fit.period * across[0], fit.period * across[1])
                t = Triplet(t.x + dx, t.y + dy, step, t.along, t.length, t.bright)
        out.append(t)
    return out


def _around(triplets: Sequence[Triplet], shape: tuple[int, ...]) -> Window | None:
    """The part of the picture that holds most triplets, with a margin of the whole spread."""
    if len(triplets) < 3:
        return None
    places = np.array([(t.x, t.y) for t in triplets])
    low, high = np.percentile(places, (10, 90), axis=0)
    reach = np.maximum(high - low, 12 * np.median([t.period for t in triplets]))
    return _clipped(low - 0.5 * reach, high + 0.5 * reach, shape)


def _inside(layout: Layout, shape: tuple[int, ...]) -> Window | None:
    """The space between the columns of the finest layer found, if looking closer can show more."""
    layer = max(i // 12 for i, p in layout.pairs)
    own = [p.place for i, p in layout.pairs if i // 12 == layer]
    if len(own) < 4:
        own = [p.place for i, p in layout.pairs if i // 12 == layer - 1] or own
    places = np.array(own)
    window = _clipped(places.min(axis=0), places.max(axis=0), shape)
    finest = min(math.sqrt(p.upright.period * p.level.period) for _, p in layout.pairs)
    if window is None or finest < 2.2 or _zoom(window) * finest < 8:
        return None
    return window


def _clipped(low: Any, high: Any, shape: tuple[int, ...]) -> Window | None:
    x0, y0 = max(0, int(low[0])), max(0, int(low[1]))
    x1, y1 = min(shape[1], int(high[0]) + 1), min(shape[0], int(high[1]) + 1)
    return (x0, y0, x1 - x0, y1 - y0) if x1 - x0 >= 12 and y1 - y0 >= 12 else None


def _require_two_columns(layout: Layout) -> None:
    counts: dict[tuple[int, str], int] = {}
    for index, _ in layout.pairs:
        key = index // 12, side_of(index)
        counts[key] = counts.get(key, 0) + 1
    for layer in {key[0] for key in counts}:
        if min(counts.get((layer, side), 0) for side in ("left", "right")) >= MIN_IN_COLUMN:
            return
    columns = "; ".join(
        f"{n} in a {'right' if side == 'right' else 'left'} column"
        for (_, side), n in sorted(counts.items()) if side != "first"
    )  # fmt: skip
    raise NotMeasurable(
        f"the target is cut off: {columns or 'single elements'} can be seen, but"
        f" {MIN_IN_COLUMN} elements in each of a layer's two columns are needed"
    )


def _first_group(
    image: FloatImage, layout: Layout, stated: int | None
) -> tuple[int, tuple[str, ...]]:
    """The even group of layer 0, and a note on where it is known from."""
    read, words = read_group(image, layout)
    if stated is not None:
        ahead = layout.pairs[0][0] // 6
        first = stated - ahead
        if first % 2:
            raise NotMeasurable(
                f"group {stated} cannot be right for the largest element in view: it stands where"
                f" {'odd' if ahead % 2 else 'even'} groups stand"
            )
        if read is not None and read != first:
            note = f"the numerals read as group {read + ahead}, against the stated group {stated}"
            return first, (note,)
        return first, (f"group {stated} of the largest element as stated",)
    if read is None:
        raise NotMeasurable(
            "a three-bar target is there, but its group numerals are not legible, whole and agreed"
            f" ({', '.join(words) if words else 'none is clear'}); state the group of the largest"
            " element in view with --group"
        )
    largest = read + layout.pairs[0][0] // 6
    return read, (f"the largest element in view is of group {largest}: {', '.join(words)}",)


def _axis_periods(image: FloatImage, layout: Layout) -> dict[str, float]:
    """Period in px of index 0 along both axes: median over the largest elements found."""
    found: dict[str, list[float]] = {kind: [] for kind in KINDS}
    for index, pair in layout.pairs[:8]:
        for kind, t in zip(KINDS, (pair.upright, pair.level), strict=True):
            across, along = _axes(layout.frame, kind)
            fit = fit_bars(image, Site(t.x, t.y, across, along, t.period, 2.5 * t.period))
            period = t.period if fit is None else fit.period
            found[kind].append(period / width_of(index))
    return {kind: float(np.median(values)) for kind, values in found.items()}


Unit = tuple[float, float]


def _axes(frame: Frame, kind: str) -> tuple[Unit, Unit]:
    """Unit vectors across and along the bars."""
    return (frame.right, frame.down) if kind == "upright" else (frame.down, frame.right)


def _measure_elements(
    image: FloatImage, layout: Layout, periods: Mapping[str, float], first_group: int,
    other_tones: Sequence[Relight],
) -> list[Element]:  # fmt: skip
    elements = []
    found = dict(layout.pairs)
    astray: dict[tuple[int, str], Unit] = {}
    top = max(list(found) + [12 * key[0] + 11 for key in layout.laws])
    for index in range(min(found), top + 1):
        sites = [_site(layout, index, kind, periods) for kind in KINDS]
        if sites[0] is None or sites[1] is None:
            continue
        upright, level = sites[0], sites[1]
        if min(upright.period, level.period) < SMALLEST_PERIOD_PX:
            continue
        if index not in found:
            column = index // 12, side_of(index)
            shift, sure = locate_element(
                image, upright, level, astray.get(column, (0.0, 0.0)), layout.bright
            )
            if sure:  # the next one down the column is off by as much
                astray[column] = shift
            upright, level = shifted(upright, shift), shifted(level, shift)
        dark_bars = not layout.bright
        bars = [_measure_bars(image, site, dark_bars, other_tones) for site in (upright, level)]
        group, number = first_group + index // 6, index % 6 + 1
        elements.append(Element(group, number, frequency_lp_mm(group, number), *bars))
    return elements


def _site(layout: Layout, index: int, kind: str, periods: Mapping[str, float]) -> Site | None:
    """Where a triplet is: by the law of its column, or where it was found."""
    across, along = _axes(layout.frame, kind)
    width = width_of(index)
    other = KINDS[1 - KINDS.index(kind)]
    found = dict(layout.pairs).get(index)
    law = layout.laws.get((index // 12, side_of(index), kind))
    if found is not None:
        t = found.upright if kind == "upright" else found.level
        x, y = t.x, t.y
    elif law is not None:
        x, y = (float(v) for v in law[0] + law[1] * width)
    else:
        return None
    return Site(x, y, across, along, periods[kind] * width, 2.5 * periods[other] * width)


def _measure_bars(
    image: FloatImage, site: Site, dark_bars: bool, other_tones: Sequence[Relight]
) -> Bars:
    fit = fit_bars(image, site)
    if fit is not None and _plausible(fit, site):
        site = shifted(site, (fit.offset * site.across[0], fit.offset * site.across[1]))
    light = read_contrast(image, site, dark_bars)
    if light is None:
        return Bars(site, None, None, None)
    contrast = Quantity.of(light.contrast, light.contrast_u, "1", "noise")
    period = None
    if fit is not None and _plausible(fit, site) and light.contrast > max(
        MADE_OUT, SURE * light.contrast_u
    ):  # fmt: skip
        period = Quantity.of(fit.period, fit.period_u, "px", "fit").with_contribution(
            BLUR_SOURCE, fit.model_u
        )
    return Bars(site, light, contrast, period, tuple(_under(tone, light) for tone in other_tones))


def _under(relight: Relight, light: BarContrast) -> float:
    """The contrast of bars under another tone curve, with the sign of the contrast as read."""
    bar, space = relight(np.maximum([light.bar, light.space], 0.0))
    return math.copysign(abs(bar - space) / max(bar + space, 1e-12), light.contrast)


def _plausible(fit: BarFit, site: Site) -> bool:
    near = abs(fit.period / site.period - 1) < OFF_SERIES and abs(fit.offset) < 0.3 * site.period
    return near and abs(fit.amplitude) > 6 * fit.amplitude_u


def _scale(elements: Sequence[Element], kind: str, tolerance: float) -> AxisScale:
    made_out = [
        (1000 / e.frequency_lp_mm, bars.period)
        for e in elements
        if (bars := getattr(e, kind)).period is not None
    ]
    return axis_scale([um for um, _ in made_out], [p for _, p in made_out], tolerance)


def _finest(
    elements: Sequence[Element], threshold: float
) -> tuple[Element | None, Quantity | None]:
    """The finest element whose contrast, and that of the coarser ones, reaches the threshold.

    One coarser element that fails alone (dust on it) does not end the run, two do: beyond the limit
    contrast may return with its sign reversed. Raises `NotMeasurable` when the run ends at the
    border of the picture.
    """
    passed: int | None = None
    fails = 0
    for k, element in enumerate(elements):
        value = element.contrast
        if value is None:
            continue
        if value >= threshold:
            passed, fails = k, 0
        else:
            fails += 1
            if fails == 2 and passed is not None:
                break
    if passed is None:
        return None, None
    finest = elements[passed]
    if passed + 1 < len(elements) and elements[passed + 1].contrast is None:
        raise NotMeasurable(
            "the target is cut off: the elements next to the finest one that can be read"
            f" (group {finest.group} element {finest.number}) lie outside the picture"
        )
    return finest, _with_interval(elements, passed, threshold)


def _with_interval(elements: Sequence[Element], passed: int, threshold: float) -> Quantity:
    """The finest frequency with the uncertainty of where the contrast curve meets the threshold."""
    finest = elements[passed]
    step = finest.frequency_lp_mm * math.log(STEP)
    parts = [Contribution("steps of the series", step / math.sqrt(12))]
    after = elements[passed + 1] if passed + 1 < len(elements) else None
    if finest.contrast is not None and after is not None and after.contrast is not None:
        fall = max(finest.contrast - after.contrast, 1e-6)
        reach = min(math.hypot(finest.contrast_u, after.contrast_u) / math.sqrt(2) / fall, 3.0)
        parts.append(Contribution("contrast", step * reach))
    found = Quantity(finest.frequency_lp_mm, "lp/mm", tuple(parts))
    tones = len(finest.upright.toned)
    usual = _falls_to(elements, [e.contrast for e in elements], threshold)
    others = [
        _falls_to(elements, [e.contrast_under(tone) for e in elements], threshold)
        for tone in range(tones)
    ]
    return with_tone(found, [found.value * other / usual for other in others])


def _falls_to(
    elements: Sequence[Element], contrasts: Sequence[float | None], threshold: float
) -> float:
    """Where contrast, taken to fall evenly with the logarithm of the frequency, meets the threshold
    for the last time before two elements in succession fail it, lp/mm; NaN where it never does."""
    known = [
        (e.frequency_lp_mm, c) for e, c in zip(elements, contrasts, strict=True) if c is not None
    ]
    met, fails = math.nan, 0
    for (f0, c0), (f1, c1) in itertools.pairwise(known):
        fails = fails + 1 if c0 < threshold else 0
        if fails == 2:
            break
        if c1 < threshold <= c0:
            met = f0 * (f1 / f0) ** ((c0 - threshold) / (c0 - c1))
    return met


def _moved(element: Element, dx: int, dy: int) -> Element:
    def moved(bars: Bars) -> Bars:
        return replace(bars, site=shifted(bars.site, (dx, dy)))

    return Element(
        element.group, element.number, element.frequency_lp_mm, moved(element.upright),
        moved(element.level),
    )  # fmt: skip


def _bars_are_full(full: npt.NDArray[np.bool_], elements: Sequence[Element]) -> bool:
    """Whether more than a tenth of the pixels around the largest elements are at full scale."""
    shares = []
    for element in elements[:4]:
        s = element.level.site
        reach = s.length / 2
        y0, x0 = max(0, int(s.y - reach)), max(0, int(s.x - reach))
        part = full[y0 : int(s.y + reach) + 1, x0 : int(s.x + reach) + 1]
        shares.append(float(part.mean()) if part.size else 0.0)
    return max(shares, default=0.0) > 0.1


def _notes(
    elements: Sequence[Element], layout: Layout, scales: Sequence[AxisScale],
    finest: Element | None, sizes: tuple[Quantity, Quantity],
) -> list[str]:  # fmt: skip
    notes = []
    if layout.frame.mirrored:
        notes.append("the target is seen mirrored, from its back")
    difference = sizes[0].value / sizes[1].value - 1
    if abs(difference) > 0.005 + 2 * math.hypot(
        *(s.um_per_px.u / s.um_per_px.value for s in scales)
    ):
        notes.append(
            f"pixels are {abs(difference):.1%} larger along {'x' if difference > 0 else 'y'}:"
            " they are oblong, or the target is seen obliquely"
        )
    scatter = max(s.scatter for s in scales)
    if scatter > 0.003:
        notes.append(f"elements differ in scale by {scatter:.1%}: distortion or perspective")
    if finest is None:
        notes.append("no element reaches the contrast asked for")
    elif _ends_with(elements, finest):
        notes.append(
            "no finer element is on the target, or none could be located: finer detail may be"
            " resolved, too"
        )
    return notes


def _ends_with(elements: Sequence[Element], finest: Element) -> bool:
    """Whether contrast ends at the finest element more abruptly than any lens makes it."""
    after = elements[elements.index(finest) + 1 :][:1]
    if not after or after[0].contrast is None or finest.contrast is None:
        return True
    return after[0].contrast < 0.25 * finest.contrast and finest.contrast > 0.3
