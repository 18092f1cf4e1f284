"""Which group a bar target's largest element is of; where nothing tells, what can be told without it.

Ratios of sizes tell elements, not groups: each layer of the target is the one before at a quarter of
its size, so that a group mistaken is a factor of four. Somebody has to say one length: the numerals,
the person who knows the target, or the photo's pixel size.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from glassay.detail.bars_finest import find_finest
from glassay.detail.bars_labels import GROUPS, read_group
from glassay.detail.bars_layout import STEP, Layout, frequency_lp_mm, width_of
from glassay.detail.bars_result import Element
from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage

MOST_OFF = 0.25
"""How far, in octaves, the widths by a stated pixel size may be from those of a group: one and a half
steps of the series. Groups between which it decides are two octaves apart, so that a pixel size
farther off is another setting's."""


def first_group(
    image: FloatImage, layout: Layout, periods: Mapping[str, float], stated: int | None,
    pixel_size_um: float | None,
) -> tuple[int | None, tuple[str, ...]]:  # fmt: skip
    """The even group of layer 0 and a note on where it is known from; None and what was read of the
    numerals where nothing tells it.

    `periods` are those of the layer's first element along both axes, px. Raises `NotMeasurable` where
    what is stated contradicts the target.
    """
    read, words = read_group(image, layout)
    ahead = layout.pairs[0][0] // 6
    if stated is not None:
        first = stated - ahead
        if first % 2:
            raise NotMeasurable(
                f"group {stated} cannot be right for the largest element in view: it stands where"
                f" {'odd' if ahead % 2 else 'even'} groups stand"
            )
        said = f"group {stated} of the largest element as stated"
    elif pixel_size_um is not None:
        first = _by_pixel_size(layout, periods, pixel_size_um)
        said = (
            f"the largest element in view is of group {first + ahead} by the stated pixel size of"
            f" {pixel_size_um:.4g} um"
        )
    elif read is None:
        return None, words
    else:
        return read, (
            f"the largest element in view is of group {read + ahead}: {', '.join(words)}",
        )
    if read is not None and read != first:
        how = "the stated group" if stated is not None else "by the stated pixel size, group"
        return first, (f"the numerals read as group {read + ahead}, against {how} {first + ahead}",)
    return first, (said,)


def _by_pixel_size(layout: Layout, periods: Mapping[str, float], pixel_size_um: float) -> int:
    period_um = math.sqrt(math.prod(periods.values())) * pixel_size_um
    octaves = math.log2(1000 / period_um)
    first = min(GROUPS, key=lambda group: abs(octaves - group))
    if abs(octaves - first) > MOST_OFF:
        index = layout.pairs[0][0]
        number = index % 6 + 1
        raise NotMeasurable(
            f"with pixels of {pixel_size_um:.4g} um the largest element in view, number {number} of"
            f" its group, has {1000 / period_um / width_of(index):.3g} line pairs per mm, and that"
            f" element has {frequency_lp_mm(first + index // 6, number):.3g} in the nearest group:"
            " is the pixel size that of this photo?"
        )
    return first


def without_groups(
    layout: Layout, elements: Sequence[Element], words: Sequence[str], threshold: float
) -> str:
    """Why no frequency is told, what is known without it, and what would help; `elements` count from
    any group."""
    why = (
        "a three-bar target is there, but its group numerals are not legible, whole and agreed"
        f" ({', '.join(words) if words else 'none is clear'})"
    )
    help_wanted = (
        "state the group of the largest element in view (--group; in a bench the capture's"
        " largest_group), or the photo's pixel size, from a scale at the same setting"
    )
    try:
        finest, _ = find_finest(elements, threshold)
    except NotMeasurable as error:
        return f"{why}; {help_wanted} (even then, {error})"
    if finest is None:
        return f"{why}; {help_wanted}"
    largest = elements[0]
    steps = round(math.log(finest.frequency_lp_mm / largest.frequency_lp_mm, STEP))
    nth = _nth(finest.group - largest.group)
    return (
        f"{why}; without them it can be told that at a contrast of {threshold:g} the finest element"
        f" resolved is element {finest.number} of the {nth} group, {steps} steps"
        f" finer than the largest in view (element {largest.number} of the first), its bars"
        f" {_width_px(finest):.3g} px wide of that one's {_width_px(largest):.3g}; {help_wanted}"
    )


def _nth(after: int) -> str:
    names = ("first", "second", "third", "fourth", "fifth", "sixth")
    return names[after] if after < len(names) else f"{after + 1}th"


def _width_px(element: Element) -> float:
    """Width of an element's bars, mean of both directions."""
    return math.sqrt(element.upright.site.period * element.level.site.period) / 2
