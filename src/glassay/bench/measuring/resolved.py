"""The finest line that a setting was shown to tell, from whatever was photographed in it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np

from glassay.bench.keeping.results import CaptureResult, MethodResult, SettingResult, captures_in
from glassay.bench.measuring.bars_told import bars_told
from glassay.bench.measuring.methods.detail import WIRING
from glassay.bench.measuring.methods.match import BY_FINER
from glassay.bench.measuring.native_pixels import enlargement, native_pixel_size
from glassay.optics.limits import NYQUIST, cutoff_per_um
from glassay.quantity import Quantity, combine, weighted_sum

USUAL_CONTRAST = 0.1
"""Modulation at which a line counts as told where no contrast is stated (common practice, no
source; close to Rayleigh's dip of two points)."""

WELL_MEASURED = 0.3
"""Expanded uncertainty, as a share of the value, beyond which evidence gives way to other evidence:
its 95 % interval spans nearly a factor of two."""


Kind = Literal["bars", "edge", "lines", "chip", "correlation"]


@dataclass(frozen=True)
class Resolved:
    """A spatial frequency (cycles/um at the object) up to which lines are told, by what evidence.

    `falls_at` is where the response falls to `contrast`, wherever that lies, and `carried` the
    highest frequency that the pixels carry (None where the evidence needs no pixels). `contrast` is
    None where the evidence has its own threshold (ring correlation). `capture` is the id of the
    capture behind it, `kind` what was looked at.
    """

    falls_at: Quantity
    contrast: float | None
    how: str
    capture: str
    kind: Kind
    carried: Quantity | None = None
    is_bound: bool = False
    """Where detail stops repeating (ring correlation): no finer line is told, and no line was."""
    is_least: bool = False
    """Every bar in view was told: finer lines may be told as well."""

    @cached_property
    def frequency(self) -> Quantity:
        """The highest frequency that is told, cycles/um: no higher than what the pixels carry.

        Where the response falls beyond that, the truth lies between the lower end of its interval
        and the pixels' limit: the uncertainty reaches as far below the limit as that end does.
        """
        fall, limit = self.falls_at, self.carried
        if limit is None or fall.value <= limit.value:
            return fall
        below = max(0.0, limit.value - fall.interval[0])
        share = below / fall.expanded if fall.u else 0.0
        of_pixels = {part.identity for part in limit.contributions}
        rest = (part for part in fall.contributions if part.identity not in of_pixels)
        kept = tuple(replace(part, u=part.u * share) for part in rest)
        return replace(limit, contributions=limit.contributions + kept)

    @cached_property
    def line(self) -> Quantity:
        """Width of the finest line, half a period, in um."""
        return combine(lambda f: 1 / (2 * f), (self.frequency,), "um")

    @cached_property
    def is_well_measured(self) -> bool:
        """Whether its interval is narrow enough to be held against other evidence."""
        return self.line.expanded <= WELL_MEASURED * self.line.value


@dataclass(frozen=True)
class Bound:
    """A width (um) below which no line can be told, whatever else is measured, and why."""

    line: Quantity
    why: str


def finest_in(
    one: SettingResult, captures: Sequence[CaptureResult], contrast: float | None = None
) -> Resolved | None:
    """The finest line that a setting was shown to tell, or None where nothing shows it.

    One criterion: a line is told at `contrast` (10 % modulation where none is stated), read from
    bars and from edges. Of several captures of one kind the finest counts, for the others may be
    out of focus. Bars, edges and the slide's own lines that are well measured and agree are combined
    by their uncertainties; where they disagree beyond them, the most sceptical counts.
    Where neither was measured, the end of ring correlation stands in and is marked as the bound
    that it is. With a contrast only edges count. Needs the setting's pixel size, except for bars;
    captures of another picture size are left out.
    """
    told = sources_of(one, captures, contrast)
    if told:
        sure = [found for found in told if not found.is_least] or told
        sure = [found for found in sure if found.is_well_measured] or sure
        return _combined(sure)
    limit = _finest_sampled(one, captures)
    bounds = [
        _correlation(one, r, limit)
        for r in captures_in(one.instrument.id, one.setting.id, captures)
    ]
    return _finest_of(bounds) if contrast is None else None


def sources_of(
    one: SettingResult, captures: Sequence[CaptureResult], contrast: float | None = None
) -> list[Resolved]:
    """The finest line of a setting by each kind of evidence that shows one: bars, edges, the slide's
    own lines, a chip that a finer instrument shows too."""
    here, limit = (
        captures_in(one.instrument.id, one.setting.id, captures),
        _finest_sampled(one, captures),
    )
    kinds = [
        [bars_in(r) for r in here] if contrast is None else [],
        *([read(one, r, limit, contrast) for r in here] for read in (_edges, _lines, _by_finer)),
    ]
    return [best for of_kind in kinds if (best := _finest_of(of_kind)) is not None]


CALIBRATIONS_APART = 0.01
"""Two pixel sizes of one thing are at odds where they are this much beyond U apart: calibrations that
one photo of a chip parts, a mosaic's and its tiles'. Less is told and decides nothing (the same 1 % as
for captures of one setting)."""


def disagreement(
    one: SettingResult, captures: Sequence[CaptureResult]
) -> tuple[Resolved, Resolved] | None:
    """The finest and the widest of a setting's sources that are well measured, where they differ by
    more than their uncertainties; None where they agree."""
    sure = [
        found for found in sources_of(one, captures)
        if found.is_well_measured and not found.is_least and found.frequency.u
    ]  # fmt: skip
    if len(sure) < 2:
        return None
    ends = min(sure, key=lambda f: f.line.value), max(sure, key=lambda f: f.line.value)
    return None if _agree(*ends) else ends


def _agree(a: Resolved, b: Resolved) -> bool:
    apart = abs(a.frequency.value - b.frequency.value)
    return apart <= math.hypot(a.frequency.expanded, b.frequency.expanded)


def _combined(told: Sequence[Resolved]) -> Resolved:
    """The mean weighted by 1 / u^2 of what agrees (JCGM 100:2008, 4.2 and 5.2 for what is shared)."""
    sceptic = max(told, key=lambda found: found.line.value)
    agree = all(_agree(found, sceptic) for found in told)
    if len(told) == 1 or not agree or not all(found.falls_at.u for found in told):
        return sceptic
    weights = [1 / found.falls_at.u**2 for found in told]
    falls = [found.falls_at for found in told]
    mean = weighted_sum([w / sum(weights) for w in weights], falls, "cycles/um")
    best = min(told, key=lambda found: found.falls_at.relative)
    level = "" if sceptic.contrast is None else f", {sceptic.contrast:.0%} modulation"
    *most, last = (found.how.replace(level, "") for found in told)
    how = f"{', '.join(most)} and {last}{level}"
    carried = next((found.carried for found in told if found.carried is not None), None)
    return Resolved(mean, sceptic.contrast, how, best.capture, best.kind, carried)


def _finest_of(found: Sequence[Resolved | None]) -> Resolved | None:
    known = [one for one in found if one is not None]
    known = [one for one in known if one.is_well_measured] or known
    return min(known, key=lambda one: one.line.value, default=None)


def _finest_sampled(one: SettingResult, captures: Sequence[CaptureResult]) -> float:
    """The highest frequency, cycles per stored px, that the native pixels carry."""
    factor = enlargement(one, captures)
    return NYQUIST if factor is None else NYQUIST / factor.value


def bars_in(result: CaptureResult) -> Resolved | None:
    """What the bars of a capture tell at 10 % modulation; None where it shows none."""
    part = result.part("bar target")
    if "finest_frequency" not in result.findings:
        return None
    found = None if part is None else bars_told(part.evidence.get("elements", ()), USUAL_CONTRAST)
    if found is None:
        per_mm = result.findings["finest_frequency"].quantity
        how, is_least = "finest bars of the target that are resolved", True
    else:
        per_mm, is_least = found
        how = (
            f"bars, {USUAL_CONTRAST:.0%} modulation"
            if not is_least
            else "bars, all in view resolved"
        )
    frequency = per_mm.scaled(1e-3, "cycles/um")
    return Resolved(frequency, USUAL_CONTRAST, how, result.capture.id, "bars", is_least=is_least)


def _edges(
    one: SettingResult, result: CaptureResult, limit: float, contrast: float | None
) -> Resolved | None:
    """What the edges of a capture tell: of a chip those of its wiring, which allow for each other."""
    words = "edges of the chip's wiring"
    return _by_method(one, result, limit, contrast, WIRING, words, "edge") or _edge(
        one, result, limit, contrast
    )


def _by_method(
    one: SettingResult,
    result: CaptureResult,
    limit: float,
    contrast: float | None,
    method: str,
    words: str,
    kind: Kind,
) -> Resolved | None:
    """What a method tells that states where the modulation falls to a level; `words` name it."""
    part, level = result.part(method), USUAL_CONTRAST if contrast is None else contrast
    pixel = _pixel_size(one, result)
    if part is None or pixel is None or (per_px := _in_part(part, level)) is None:
        return None
    how = f"{words}, {level:.0%} modulation"
    return _seen(per_px, pixel, limit, level, how, result.capture.id, kind)


def _edge(
    one: SettingResult, result: CaptureResult, limit: float, contrast: float | None
) -> Resolved | None:
    level = USUAL_CONTRAST if contrast is None else contrast
    pixel, per_px = _pixel_size(one, result), _edge_frequency(result, level)
    if pixel is None or per_px is None:
        return None
    how = f"edge response, {level:.0%} modulation"
    if per_px.value > limit:
        how += ", which lies beyond what its pixels carry"
    return _seen(per_px, pixel, limit, level, how, result.capture.id, "edge")


def _lines(
    one: SettingResult, result: CaptureResult, limit: float, contrast: float | None
) -> Resolved | None:
    """What the superposed lines of a slide tell."""
    words = "lines of the slide superposed"
    return _by_method(one, result, limit, contrast, "superposed lines", words, "lines")


def _by_finer(
    one: SettingResult, result: CaptureResult, limit: float, contrast: float | None
) -> Resolved | None:
    """What a chip tells that a finer instrument of known response shows too."""
    words = "chip against a finer instrument"
    return _by_method(one, result, limit, contrast, BY_FINER, words, "chip")


def _correlation(one: SettingResult, result: CaptureResult, limit: float) -> Resolved | None:
    pixel = _pixel_size(one, result)
    if pixel is None or "frc_cutoff" not in result.findings:
        return None
    end = result.findings["frc_cutoff"].quantity
    how = "no detail repeats beyond, by ring correlation"
    found = _seen(end, pixel, limit, None, how, result.capture.id, "correlation")
    return replace(found, is_bound=True)


def _pixel_size(one: SettingResult, result: CaptureResult) -> Quantity | None:
    """The setting's pixel size, where the capture's pictures are of the size it belongs to."""
    pixel = one.findings.get("pixel_size")
    size = (result.facts.get("width"), result.facts.get("height"))
    if pixel is None or (one.picture and None not in size and size != one.picture):
        return None
    return pixel.quantity


def _seen(
    per_px: Quantity,
    pixel_size: Quantity,
    limit: float,
    contrast: float | None,
    how: str,
    capture: str,
    kind: Kind,
) -> Resolved:
    """What was seen in pixels, cycles/px, at the object."""
    falls_at = combine(lambda f, p: f / p, (per_px, pixel_size), "cycles/um")
    carried = combine(lambda p: limit / p, (pixel_size,), "cycles/um")
    return Resolved(falls_at, contrast, how, capture, kind, carried)


def _edge_frequency(result: CaptureResult, level: float) -> Quantity | None:
    """Frequency (cycles/px) at which the edge response falls to `level`."""
    parts = [
        part for part in result.parts if part.method not in ("superposed lines", WIRING, BY_FINER)
    ]
    return next((q for part in parts if (q := _in_part(part, level)) is not None), None)


def _in_part(part: MethodResult, level: float) -> Quantity | None:
    for key, at in (("frequency_50", 0.5), ("frequency_10", 0.1)):
        if abs(level - at) < 1e-9 and key in part.findings:
            return part.findings[key].quantity
    if {"frequency", "modulation", "low", "high"} <= set(part.evidence):
        return _crossing_of_curve(part.evidence, level)
    return None


def _crossing_of_curve(curve: Mapping[str, Any], level: float) -> Quantity | None:
    frequency = np.asarray(curve["frequency"], dtype=np.float64)
    middle, low, high = (
        _crossing(frequency, np.asarray(curve[name], dtype=np.float64), level)
        for name in ("modulation", "low", "high")
    )
    if middle is None:
        return None
    ends = [abs(end - middle) for end in (low, high) if end is not None]
    # The band covers 95 %: half of its width is 1.96 standard uncertainties.
    u = max(ends, default=0.0) / 1.96
    return Quantity.of(middle, u, "cycles/px", "band of the edge response")


def _crossing(frequency: Any, modulation: Any, level: float) -> float | None:
    below = np.flatnonzero(modulation < level)
    if not below.size or below[0] == 0:
        return None
    i = int(below[0])
    m0, m1 = float(modulation[i - 1]), float(modulation[i])
    f0, f1 = float(frequency[i - 1]), float(frequency[i])
    return f0 + (f1 - f0) * (m0 - level) / (m0 - m1)


def bounds_of(one: SettingResult, captures: Sequence[CaptureResult]) -> tuple[Bound, ...]:
    """What pixels and the stated aperture allow at best, the coarsest first.

    A line and its gap are one period: it takes 2 px, so a line takes 1 px (a native one, where it
    is known how far the camera enlarges), and its frequency must stay below the cut-off
    2 NA / wavelength. Pixels of a phone at an eyepiece bound nothing that the eye sees.
    """
    found = []
    pixel = native_pixel_size(one, captures)
    if pixel is not None and not one.setting.through_eyepiece:
        factor = enlargement(one, captures)
        real = "" if factor is None else f" before the camera enlarges it {factor.value:.2f} times"
        found.append(
            Bound(Quantity(pixel.value, "um", pixel.contributions),
                  f"a line takes at least one pixel{real}")
        )  # fmt: skip
    chain = one.setting.chain
    if chain.numerical_aperture is not None:
        end = cutoff_per_um(chain.wavelength_um, chain.numerical_aperture)
        why = f"an aperture of {chain.numerical_aperture:g} passes nothing finer"
        found.append(Bound(Quantity(1 / (2 * end), "um"), why))
    return tuple(sorted(found, key=lambda bound: -bound.line.value))


def bound_by_evidence(
    one: SettingResult, captures: Sequence[CaptureResult], contrast: float | None
) -> Resolved | None:
    """What says that finer lines are not told, where nothing says which lines are.

    The end of ring correlation; with a contrast of 10 % or more also bars, whose line at 10 % is
    finer than that at any higher contrast.
    """
    if contrast is not None and contrast < USUAL_CONTRAST:
        return None
    told = finest_in(one, captures)
    return None if told is None or told.is_least else told
