"""What frames say about native sampling, as findings and as evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from glassay.finding import Finding
from glassay.quantity import Quantity, combine
from glassay.sampling.binding import detail_equivalent_pixels
from glassay.sampling.decide import (
    AxisEvidence,
)
from glassay.sampling.evidence import Evidence
from glassay.sampling.scene_band import BAND_STEP_SHARE, noise_end, within_native

METHOD = "native sampling: mirror traces in noise and detail"

Verdict = Literal["native", "enlarged", "cannot tell"]


@dataclass(frozen=True)
class NativeResult:
    """What the frames say about native sampling.

    `width`, `height` of the file, px. `native_width` and `native_height` are None where the
    evidence does not tell. `between` holds lower and upper bounds of the native (width, height)
    that stand in any case. `scene_band` is how far repeatable detail reaches along (x, y),
    cycles/px, None for a single frame. `axes` is (x, y).
    """

    width: int
    height: int
    frames: int
    verdict: Verdict
    native_width: Quantity | None
    native_height: Quantity | None
    between: tuple[tuple[float, float], tuple[float, float]]
    scene_band: tuple[float, float] | None
    axes: tuple[AxisEvidence, AxisEvidence]
    evidence: tuple[Evidence, ...]
    advice: str
    notes: tuple[str, ...]

    @property
    def enlargement(self) -> Quantity | None:
        """Stored px per native px, geometric mean of both axes; None where not told."""
        if self.native_width is None or self.native_height is None:
            return None
        stored = self.width * self.height
        return combine(
            lambda w, h: (stored / (w * h)) ** 0.5, [self.native_width, self.native_height], "1"
        )

    @property
    def native_megapixels(self) -> Quantity | None:
        """Native pixel count in millions; None where not told."""
        if self.native_width is None or self.native_height is None:
            return None
        return combine(lambda w, h: w * h / 1e6, [self.native_width, self.native_height], "MP")

    def evidence_for_drawing(self) -> dict[str, Any]:
        """Each side's spectra as plain arrays: how strongly noise and photo mirror, noise power."""
        out: dict[str, Any] = {}
        for side, axis in zip(SIDES, self.axes, strict=True):
            spectra = {"photo": axis.photo} | ({"noise": axis.noise} if axis.noise else {})
            out[side] = {
                name: {"frequency": one.frequency, "strength": one.strength, "on_grid": one.on_grid}
                for name, one in spectra.items()
            }
            out[side]["factor"] = axis.trace.factor if axis.trace else None
            out[side]["reach"] = axis.reach
            if axis.noise is not None:
                out[side]["power"] = (axis.noise.power_frequency, axis.noise.power)
        noises = [axis.noise for axis in self.axes if axis.noise is not None]
        out["noise_reach"] = [noise_end(noise) for noise in noises] or None
        return out

    def findings(self) -> dict[str, Finding]:
        """native_width, native_height, enlargement, native_megapixels where told; the verdict; and
        with several frames the pixel count that the repeatable detail would need."""
        found = {
            "native_width": self.native_width,
            "native_height": self.native_height,
            "enlargement": self.enlargement,
            "native_megapixels": self.native_megapixels,
        }
        out = {key: Finding(q, METHOD) for key, q in found.items() if q is not None}
        out["native_verdict"] = Finding(self.verdict, METHOD)
        if self.scene_band is not None:
            fx, fy = (
                Quantity.of(f, 0.5 * BAND_STEP_SHARE * f, "cycles/px", "place of the band's end")
                for f in within_native(self.scene_band, self.axes)
            )
            detail = detail_equivalent_pixels(self.width, self.height, fx, fy)
            out["detail_megapixels"] = Finding(detail.scaled(1e-6, "MP"), "repeatable detail")
        return out


SIDES = ("width", "height")
