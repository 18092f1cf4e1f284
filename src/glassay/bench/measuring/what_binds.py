"""What limits a setting: its limits, from everything photographed in it, against resolved detail."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from glassay.bench.keeping.results import CaptureResult, SettingResult
from glassay.bench.measuring.native_pixels import Size, native_size, size_of
from glassay.bench.measuring.resolved import WELL_MEASURED, bars_in
from glassay.optics.limits import cutoff_per_um
from glassay.quantity import Quantity, combine
from glassay.sampling.binding import Binding, detail_equivalent_pixels, what_binds


@dataclass(frozen=True)
class _Shown:
    """Detail that one capture resolves along (x, y), cycles/px of its file of `size` px."""

    resolved: tuple[Quantity, Quantity]
    size: Size
    how: str
    capture: str
    is_least: bool = False

    @property
    def pixels(self) -> float:
        """How many pixels would carry it."""
        return detail_equivalent_pixels(*self.size, *self.resolved).value

    @property
    def is_well_measured(self) -> bool:
        """Whether its interval is narrow enough to be held against other evidence."""
        return all(q.expanded <= WELL_MEASURED * q.value for q in self.resolved)


def binding_of(one: SettingResult, captures: Sequence[CaptureResult]) -> Binding | None:
    """What binds a setting; None where nothing shows its detail, or where an eye looks in.

    `captures` are those of the whole bench: firmware that enlarges does so in every setting, so
    native sampling found in another setting counts, for files of the same size. What decides is
    chosen as for the finest line (see `resolved`); the capture's name is in the notes.
    """
    if one.setting.through_eyepiece:
        return None
    mine = [c for c in captures if c.capture.instrument == one.instrument.id]
    here = one.among(captures)
    best = _deciding(here)
    if best is None:
        return None
    pixel = one.findings.get("pixel_size") if one.picture in (None, best.size) else None
    return what_binds(
        *best.size, best.resolved,
        enlargement=_enlargement([*here, *mine], best.size), optics_cutoff=_cutoff(one),
        pixel_size=None if pixel is None else pixel.quantity,
        noise_reach=_noise_reach(here, best.size), overshoot=_overshoot(here),
        notes=(f"judged by {best.how} in {best.capture}",),
    )  # fmt: skip


def _deciding(here: Sequence[CaptureResult]) -> _Shown | None:
    """The more sceptical of the best bars and the best edges; else the end of ring correlation."""
    told = [best for read in (_by_bars, _by_edges) if (best := _most(map(read, here))) is not None]
    if not told:
        return _most(map(_by_correlation, here))
    sure = [found for found in told if not found.is_least] or told
    sure = [found for found in sure if found.is_well_measured] or sure
    return min(sure, key=lambda found: found.pixels)


def _most(found: Iterable[_Shown | None]) -> _Shown | None:
    known = [one for one in found if one is not None]
    known = [one for one in known if one.is_well_measured] or known
    return max(known, key=lambda one: one.pixels, default=None)


def _by_edges(result: CaptureResult) -> _Shown | None:
    size, found = size_of(result), result.findings
    if size is None or "frequency_10" not in found:
        return None
    ten = found["frequency_10"].quantity
    return _Shown((ten, ten), size, "10 % modulation of edges", result.capture.id)


def _by_bars(result: CaptureResult) -> _Shown | None:
    size, found, bars = size_of(result), result.findings, bars_in(result)
    if size is None or bars is None or not {"pixel_size_x", "pixel_size_y"} <= set(found):
        return None
    x, y = (
        combine(lambda f, p: f * p, (bars.frequency, found[key].quantity), "cycles/px")
        for key in ("pixel_size_x", "pixel_size_y")
    )
    return _Shown((x, y), size, bars.how, result.capture.id, bars.is_least)


def _by_correlation(result: CaptureResult) -> _Shown | None:
    size, found = size_of(result), result.findings
    if size is None or not {"frc_cutoff_x", "frc_cutoff_y"} <= set(found):
        return None
    ends = found["frc_cutoff_x"].quantity, found["frc_cutoff_y"].quantity
    how = "the end of repeatable detail alone, which is a bound,"
    return _Shown(ends, size, how, result.capture.id)


def _enlargement(captures: Sequence[CaptureResult], size: Size) -> tuple[float, float] | None:
    """Stored px per native px along (x, y); from the first capture of that size that tells."""
    native = native_size(captures, size)
    return None if native is None else (size[0] / native[0].value, size[1] / native[1].value)


def _noise_reach(captures: Sequence[CaptureResult], size: tuple[int, int]) -> float | None:
    for result in captures:
        part = result.part("native sampling")
        ends = None if part is None else part.evidence.get("noise_reach")
        if ends and size_of(result) == size:
            return min(float(end) for end in ends)
    return None


def _overshoot(captures: Sequence[CaptureResult]) -> float | None:
    found = [c.findings["overshoot"].quantity.value for c in captures if "overshoot" in c.findings]
    return max(found, default=None)


def _cutoff(one: SettingResult) -> Quantity | None:
    chain = one.setting.chain
    if chain.numerical_aperture is None:
        return None
    return Quantity(cutoff_per_um(chain.wavelength_um, chain.numerical_aperture), "cycles/um")
