"""The finest detail that a setting was shown to resolve, from whatever was photographed in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from glassay.bench.results import CaptureResult, SettingResult
from glassay.optics.limits import cutoff_per_um
from glassay.quantity import Quantity, combine

NYQUIST = 0.5
"""Highest frequency that pixels carry, cycles/px; what an edge shows beyond it is no detail."""

USUAL_CONTRAST = 0.1
"""Modulation at which detail counts as told apart where no contrast is stated (common practice, no
source; close to Rayleigh's dip of two points)."""


@dataclass(frozen=True)
class Resolved:
    """A spatial frequency (cycles/um at the object) that was resolved, and by what evidence.

    `contrast` is the modulation there; None where the evidence has its own threshold (bars, ring
    correlation). `capture` is the id of the capture behind it.
    """

    frequency: Quantity
    contrast: float | None
    how: str
    capture: str
    is_bound: bool = False
    """Correlation of a pair never fell: this shows where noise ends, not where detail does."""

    @property
    def line(self) -> Quantity:
        """Width of the finest line, half a period, in um."""
        return combine(lambda f: 1 / (2 * f), (self.frequency,), "um")


@dataclass(frozen=True)
class Bound:
    """A width (um) below which no line can be told, whatever else is measured, and why."""

    line: Quantity
    why: str


def resolved_in(
    one: SettingResult, captures: Sequence[CaptureResult], contrast: float | None = None
) -> tuple[Resolved, ...]:
    """What the captures of a setting resolve at `contrast`, the finest first.

    Without a contrast, 10 % modulation of an edge response, the finest bars and the end of ring
    correlation all count. With one, only edge responses do: the others have no such number. Needs
    the setting's pixel size, except for bars; captures of another picture size are left out. A
    correlation that never fell counts only where nothing else shows detail.
    """
    found: list[Resolved] = []
    for result in captures:
        capture = result.capture
        if (capture.instrument, capture.setting) == (one.instrument.id, one.setting.id):
            found += _of_capture(one, result, contrast)
    found = [r for r in found if not r.is_bound] or found
    return tuple(sorted(found, key=lambda r: r.line.value))


def _of_capture(
    one: SettingResult, result: CaptureResult, contrast: float | None
) -> Iterator[Resolved]:
    findings, capture = result.findings, result.capture.id
    if contrast is None and "finest_frequency" in findings:
        per_mm = findings["finest_frequency"].quantity
        yield Resolved(per_mm.scaled(1e-3, "cycles/um"), None, "finest bars told apart", capture)
    pixel = one.findings.get("pixel_size")
    size = (result.facts.get("width"), result.facts.get("height"))
    if pixel is None or (one.picture and None not in size and size != one.picture):
        return
    level = USUAL_CONTRAST if contrast is None else contrast
    per_px = _edge_frequency(result, level)
    if per_px is not None:
        how = f"edge response, {level:.0%} modulation"
        yield Resolved(_per_um(per_px, pixel.quantity), level, how, capture)
    if contrast is None and "frc_cutoff" in findings:
        end = _per_um(findings["frc_cutoff"].quantity, pixel.quantity)
        how = "end of repeatable detail (ring correlation)"
        open_end = findings.get("frc_reaches_nyquist")
        yield Resolved(end, None, how, capture, open_end is not None and open_end.value is True)


def _per_um(per_px: Quantity, pixel_size: Quantity) -> Quantity:
    if per_px.value > NYQUIST:
        per_px = Quantity(NYQUIST, per_px.unit, per_px.contributions)
    return combine(lambda f, p: f / p, (per_px, pixel_size), "cycles/um")


def _edge_frequency(result: CaptureResult, level: float) -> Quantity | None:
    """Frequency (cycles/px) at which the edge response falls to `level`."""
    for key, at in (("mtf50", 0.5), ("mtf10", 0.1)):
        if abs(level - at) < 1e-9 and key in result.findings:
            return result.findings[key].quantity
    for part in result.parts:
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


def bounds_of(one: SettingResult) -> tuple[Bound, ...]:
    """What pixels and the stated aperture allow at best, the coarsest first.

    A line and its gap are one period: it takes 2 px, so a line takes 1 px, and its frequency must
    stay below the cut-off 2 NA / wavelength. Pixels of a phone at an eyepiece bound nothing that
    the eye sees.
    """
    found = []
    pixel = one.findings.get("pixel_size")
    if pixel is not None and not one.setting.through_eyepiece:
        size = Quantity(pixel.quantity.value, "um", pixel.quantity.contributions)
        found.append(Bound(size, "a line takes at least one pixel"))
    chain = one.setting.chain
    if chain.numerical_aperture is not None:
        end = cutoff_per_um(chain.wavelength_um, chain.numerical_aperture)
        why = f"an aperture of {chain.numerical_aperture:g} passes nothing finer"
        found.append(Bound(Quantity(1 / (2 * end), "um"), why))
    return tuple(sorted(found, key=lambda bound: -bound.line.value))
