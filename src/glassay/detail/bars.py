"""The three-bar resolving power target (MIL-STD-150A): contrast of every element, and pixel size.

Entry point: `measure_bars`. Triplets are found by `bars_finding`, ordered by `bars_layout`, named by
`bars_labels`, measured by `bars_fit`; `bars_scale` makes one scale for each axis of their periods.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.bars_finding import WORKING_PIXELS, Triplet, find_triplets, without_repeats
from glassay.detail.bars_finest import ends_abruptly, find_finest
from glassay.detail.bars_fit import Site, fit_bars
from glassay.detail.bars_groups import first_group, without_groups
from glassay.detail.bars_labels import element_scores
from glassay.detail.bars_layout import (
    Frame,
    Layout,
    arrange,
    frequency_lp_mm,
    side_of,
    width_of,
)
from glassay.detail.bars_locate import locate_element, shifted
from glassay.detail.bars_read import is_plausible, read_triplet
from glassay.detail.bars_result import KINDS, BarResult, Bars, Element
from glassay.detail.bars_scale import (
    ASSUMED_TOLERANCE,
    AxisScale,
    axis_scale,
    pixel_sizes,
)
from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage, Relight
from glassay.quantity import Quantity

CONTRAST = 0.2
"""Contrast, (bar - space) / (bar + space) in linear light, that an element must have to count as
resolved unless the user states another: what an observer needs to count bars without effort (common
practice, no source; the Rayleigh criterion's dip gives 0.15)."""

MIN_IN_COLUMN = 3
"""Fewest elements found in each of a layer's two columns: less is a target cut off."""

REFINED_BELOW_PX = 14.0
"""Triplets of a shorter period are fitted before they are ordered."""

SMALLEST_PERIOD_PX = 1.8
"""Elements with a shorter period are not read: they lie beyond what the pixels can show (2 px)."""


def measure_bars(
    image: FloatImage,
    *,
    group: int | None = None,
    pixel_size_um: float | None = None,
    box: tuple[int, int, int, int] | None = None,
    contrast: float = CONTRAST,
    tolerance: float = ASSUMED_TOLERANCE,
    tolerance_stated: bool = False,
    full: npt.NDArray[np.bool_] | None = None,
    notes: Sequence[str] = (),
    other_tones: Sequence[Relight] = (),
    quantization: Mapping[int, Any] | None = None,
) -> BarResult:
    """Measure a three-bar target in `image`, linear light (height, width), at any rotation.

    `group` is the group number of the largest element in view, or `pixel_size_um` the photo's pixel
    size (um), for when its numerals cannot be read. With `box` = (x, y, width, height) the target is
    sought there only. An element counts as resolved when its `contrast` is reached in both
    directions. `tolerance` is the relative half-width within which the target's bar
    widths are known; `full` marks the pixels at full scale, for a note where bars are. Where the tone
    curve was only assumed, `other_tones` are what the light may be instead (`Photo.other_tones`);
    `quantization` are the tables of a JPEG, whose loss of fine bars is in their contrasts' uncertainty.

    Raises `NotMeasurable` when no target is found, when it is cut off so that its scale or its
    finest readable element would be a guess, or when nothing says which group is which.
    """
    x0, y0, w, h = box or (0, 0, image.shape[1], image.shape[0])
    part = np.ascontiguousarray(image[y0 : y0 + h, x0 : x0 + w], dtype=np.float32)
    layout = _find_layout(part)
    _require_two_columns(layout)
    periods = _axis_periods(part, layout)
    first, said = first_group(part, layout, periods, group, pixel_size_um)
    elements = [
        _moved(e, x0, y0)
        for e in _measure_elements(
            part, layout, periods, first or 0, other_tones, quantization or {}
        )
    ]
    if first is None:
        raise NotMeasurable(without_groups(layout, elements, said, contrast))
    scales = [_scale(elements, kind, tolerance) for kind in KINDS]
    finest, frequency = find_finest(elements, contrast)
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
            if fit is not None and is_plausible(fit, site):
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
    quantization: Mapping[int, Any],
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
        bars = [
            read_triplet(image, site, dark_bars, other_tones, quantization)
            for site in (upright, level)
        ]
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


def _scale(elements: Sequence[Element], kind: str, tolerance: float) -> AxisScale:
    made_out = [
        (1000 / e.frequency_lp_mm, bars.period)
        for e in elements
        if (bars := getattr(e, kind)).period is not None
    ]
    return axis_scale([um for um, _ in made_out], [p for _, p in made_out], tolerance)


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
    elif ends_abruptly(elements, finest):
        notes.append(
            "no finer element is on the target, or none could be located: finer detail may be"
            " resolved, too"
        )
    return notes
