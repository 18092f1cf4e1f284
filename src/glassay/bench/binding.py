"""What binds a setting: its limits, from everything photographed in it, against resolved detail."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from glassay.bench.results import CaptureResult, SettingResult
from glassay.optics.limits import cutoff_per_um
from glassay.quantity import Quantity, combine
from glassay.sampling.binding import Binding, detail_equivalent_pixels, what_binds


@dataclass(frozen=True)
class _Shown:
    """Detail that one capture resolves along (x, y), cycles/px of its file of `size` px."""

    resolved: tuple[Quantity, Quantity]
    size: tuple[int, int]
    how: str
    capture: str
    is_bound: bool = False

    @property
    def pixels(self) -> float:
        """How many pixels would carry it."""
        return detail_equivalent_pixels(*self.size, *self.resolved).value


def binding_of(one: SettingResult, captures: Sequence[CaptureResult]) -> Binding | None:
    """What binds a setting; None where nothing shows its detail, or where an eye looks in.

    `captures` are those of the whole bench: firmware that enlarges does so in every setting, so
    native sampling found in another setting counts, for files of the same size. The capture that
    shows most detail decides; its name is in the notes.
    """
    if one.setting.through_eyepiece:
        return None
    mine = [c for c in captures if c.capture.instrument == one.instrument.id]
    here = [c for c in mine if c.capture.setting == one.setting.id]
    shown = [found for result in here for found in _shown(result)]
    # Repeated detail that does not end shows where noise ends; anything else says more.
    shown = [found for found in shown if not found.is_bound] or shown
    if not shown:
        return None
    best = max(shown, key=lambda found: found.pixels)
    pixel = one.findings.get("pixel_size") if one.picture in (None, best.size) else None
    return what_binds(
        *best.size, best.resolved,
        enlargement=_enlargement([*here, *mine], best.size), optics_cutoff=_cutoff(one),
        pixel_size=None if pixel is None else pixel.quantity,
        noise_reach=_noise_reach(here, best.size), overshoot=_overshoot(here),
        notes=(f"judged by {best.how} in {best.capture}",),
    )  # fmt: skip


def _shown(result: CaptureResult) -> Iterator[_Shown]:
    size, name = _size(result), result.capture.id
    if size is None:
        return
    found = result.findings
    if "mtf10" in found:
        ten = found["mtf10"].quantity
        yield _Shown((ten, ten), size, "10 % modulation of edges", name)
    if {"finest_frequency", "pixel_size_x", "pixel_size_y"} <= set(found):
        finest = found["finest_frequency"].quantity
        x, y = (
            combine(lambda f, p: f * p / 1000, (finest, found[key].quantity), "cycles/px")
            for key in ("pixel_size_x", "pixel_size_y")
        )
        yield _Shown((x, y), size, "the finest bars told apart", name)
    if {"frc_cutoff_x", "frc_cutoff_y"} <= set(found):
        ends = found["frc_cutoff_x"].quantity, found["frc_cutoff_y"].quantity
        open_end = "frc_reaches_nyquist" in found and found["frc_reaches_nyquist"].value is True
        yield _Shown(ends, size, "the end of repeatable detail", name, open_end)


def _size(result: CaptureResult) -> tuple[int, int] | None:
    width, height = result.facts.get("width"), result.facts.get("height")
    return (int(width), int(height)) if width and height else None


def _enlargement(
    captures: Sequence[CaptureResult], size: tuple[int, int]
) -> tuple[float, float] | None:
    """Stored px per native px along (x, y); from the first capture of that size that tells."""
    for result in captures:
        found = result.findings
        if _size(result) == size and {"native_width", "native_height"} <= set(found):
            width, height = found["native_width"].quantity, found["native_height"].quantity
            return size[0] / width.value, size[1] / height.value
    return None


def _noise_reach(captures: Sequence[CaptureResult], size: tuple[int, int]) -> float | None:
    for result in captures:
        part = result.part("native sampling")
        ends = None if part is None else part.evidence.get("noise_reach")
        if ends and _size(result) == size:
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
