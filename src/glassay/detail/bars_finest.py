"""The finest element of a bar target that is resolved, and how sure that is."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from glassay.detail.bars_layout import STEP
from glassay.detail.bars_result import Element
from glassay.errors import NotMeasurable
from glassay.quantity import Contribution, Quantity
from glassay.tone_doubt import with_tone


def find_finest(
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
    parts = [Contribution("steps of the series", step / math.sqrt(12), scope="setting")]
    after = elements[passed + 1] if passed + 1 < len(elements) else None
    if finest.contrast is not None and after is not None and after.contrast is not None:
        fall = max(finest.contrast - after.contrast, 1e-6)
        reach = min(math.hypot(finest.contrast_u, after.contrast_u) / math.sqrt(2) / fall, 3.0)
        parts.append(Contribution("contrast", step * reach, scope="capture"))
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


def ends_abruptly(elements: Sequence[Element], finest: Element) -> bool:
    """Whether contrast ends at the finest element more abruptly than any lens makes it."""
    after = elements[elements.index(finest) + 1 :][:1]
    if not after or after[0].contrast is None or finest.contrast is None:
        return True
    return after[0].contrast < 0.25 * finest.contrast and finest.contrast > 0.3
