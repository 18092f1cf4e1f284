"""What a bar target was found to be: its triplets, its elements, and the whole."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from glassay.detail.bars_contrast import BarContrast
from glassay.detail.bars_fit import Site
from glassay.detail.bars_layout import Frame
from glassay.detail.bars_scale import AxisScale
from glassay.finding import Finding
from glassay.quantity import Quantity

METHOD = "three-bar target"

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
            "scatter between elements", size * scatter, scope="capture"
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
