"""The evidence behind a ruled scale or grid: found lines, tilt and field over the photo."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.bench.saying.words import say, say_length, short
from glassay.errors import Unusable
from glassay.imaging import Photo
from glassay.quantity import Quantity
from glassay.report.drawing import Figure, Overlay, Strip, Stroke
from glassay.report.evidence import Case
from glassay.report.figure_file import check_figure_name, write_figures
from glassay.report.numbers import prose
from glassay.report.pictures import for_screen
from glassay.report.strokes import arrow_path, line_path, ring_path
from glassay.scale import Calibration

Array = npt.NDArray[np.float64]

DETAIL_DIVISIONS = 10
"""Divisions in the enlarged detail: enough to see whether the lines sit on the ruling."""


@dataclass(frozen=True)
class ScaleDrawing:
    """What is drawn, in px of the upright photo of `width` x `height`.

    `segments` (n, 4) are the lines found as x0, y0, x1, y1; `residuals` (n,) px their distance from
    an even ruling; `circle` the round field as x, y, diameter; `bar_um` and `bar_px` a scale bar.
    """

    width: int
    height: int
    segments: Array
    residuals: Array
    division_px: float
    tilt: Quantity
    pixel_size: Quantity
    field: str
    circle: tuple[float, float, float] | None
    is_grid: bool

    @classmethod
    def of_stored(
        cls, evidence: Mapping[str, Any], findings: Mapping[str, Quantity]
    ) -> ScaleDrawing:
        """The drawing of a kept result. Raises `Unusable` when its evidence is not complete."""
        try:
            height, width = (int(side) for side in evidence["shape"])
            stop = evidence["field_stop"]
            return cls(
                width=width, height=height,
                segments=np.asarray(evidence["segments"], dtype=np.float64).reshape(-1, 4),
                residuals=np.asarray(evidence["residuals"], dtype=np.float64),
                division_px=findings["division"].value, tilt=findings["tilt"],
                pixel_size=findings["pixel_size"],
                field=_field_words(
                    findings["field_width"], findings["field_height"],
                    findings.get("field_diameter"),
                ),
                circle=None if stop is None else (
                    float(stop["x"]), float(stop["y"]), float(stop["diameter"])
                ),
                is_grid=evidence["pattern"] == "grid",
            )  # fmt: skip
        except (KeyError, TypeError, ValueError) as error:
            raise Unusable(f"the kept evidence is not complete ({error})") from None

    @property
    def middles(self) -> Array:
        """Middle of every line, (n, 2)."""
        return (self.segments[:, :2] + self.segments[:, 2:]) / 2

    @property
    def axis(self) -> tuple[float, float, float, float]:
        """The scale's axis from the first line to the last, in the direction of the tilt."""
        angle = math.radians(self.tilt.value)
        along = np.array([math.cos(angle), math.sin(angle)])
        middles = self.middles
        # Lines of unlike length have their middles off the axis; the median line is on it.
        places = (middles - middles[0]) @ along
        offset = np.median((middles - middles[0]) @ np.array([-along[1], along[0]]))
        start = middles[0] + offset * np.array([-along[1], along[0]])
        x0, y0 = start + places.min() * along
        x1, y1 = start + places.max() * along
        return float(x0), float(y0), float(x1), float(y1)

    @property
    def bar(self) -> tuple[float, float]:
        """Length of a 1-2-5 scale bar of at most a quarter of the width: um and px."""
        most = 0.25 * self.width * self.pixel_size.value
        decade = 10.0 ** math.floor(math.log10(most))
        length = max(step * decade for step in (1, 2, 5) if step * decade <= most)
        return length, length / self.pixel_size.value

    @property
    def across_page(self) -> bool:
        """Whether the scale runs rather across the photo than up and down."""
        return abs(self.tilt.value) <= 45

    def strokes(self) -> tuple[Stroke, ...]:
        """The lines found (thin), the axis, and the rim of a round field."""
        rim = "" if self.circle is None else ring_path(*self.circle[:2], self.circle[2] / 2)
        axis = arrow_path(*self.axis, self.width / 50)
        return (("", rim), ("thin", line_path(self.segments)), ("", axis))

    def strip(self) -> list[tuple[float, float]]:
        """Place along the photo's width (or height) and residual in px, for each line."""
        side = 0 if self.across_page else 1
        return list(zip(self.middles[:, side].tolist(), self.residuals.tolist(), strict=True))

    @property
    def rms_px(self) -> float:
        """Root mean square of the residuals, px."""
        return float(np.sqrt(np.mean(self.residuals**2))) if len(self.residuals) else 0.0

    @property
    def limit_px(self) -> float:
        """Half-height of the residual strip: the largest residual, rounded up to 1-2-5."""
        most = max(float(np.abs(self.residuals).max(initial=0.0)), 1e-3)
        decade = 10.0 ** math.floor(math.log10(most))
        return min(step * decade for step in (1, 2, 5, 10) if step * decade >= most)

    def residual_words(self) -> str:
        """How evenly the lines stand."""
        share = self.rms_px / self.division_px
        return (
            f"{self.rms_px:.2g} px rms ({share:.2%} of a division), at most"
            f" {np.abs(self.residuals).max(initial=0.0):.2g} px"
        )


def _field_words(width: Quantity, height: Quantity, diameter: Quantity | None) -> str:
    if diameter is not None:
        return f"round field, diameter {say_length(diameter)}"
    return f"field {say_length(width)} x {say_length(height)}"


def figures(case: Case) -> tuple[Figure, ...]:
    """The photo with the evidence over it, an enlarged detail and the residuals."""
    findings = {
        key: finding.value
        for key, finding in case.findings.items()
        if isinstance(finding.value, Quantity)
    }
    drawing = ScaleDrawing.of_stored(case.evidence, findings)
    words = _in_words(drawing)
    bar_um, bar_px = drawing.bar
    shown = case.overlay(case.photo(), words, drawing.strokes(), share=0.8)
    shown = replace(
        shown, bar=(bar_px, prose(say_length(Quantity(bar_um, "um")))),
        close_up=(_detail(case, drawing), _residuals(drawing)),
    )  # fmt: skip
    return (Figure((shown,), words),)


def _detail(case: Case, drawing: ScaleDrawing) -> Overlay:
    """A piece of the photo with the lines found in it."""
    x, y, w, h = box = _detail_box(drawing)
    return Overlay(
        f"{case.name}-detail", "The middle of the scale, enlarged, with the lines found",
        case.embed(for_screen(case.photo().crop(box), 420), 0.2),
        (x - 0.5, y - 0.5, float(w), float(h)),
        (("thin", line_path(_within(drawing.segments, box))),), caption="The middle, enlarged",
    )  # fmt: skip


def draw_scale(photo: Photo, calibration: Calibration, path: Path) -> None:
    """Draw found lines, tilt and field over the photo, residuals below, into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    case = Case.of_result("ruled scale", calibration.findings(), calibration.result, [photo],
                          [photo.path.name])  # fmt: skip
    title = f"{photo.path.name}: {say(calibration.pixel_size, ' µm/px')}"
    write_figures(figures(case), path, title)


def _in_words(drawing: ScaleDrawing) -> str:
    what = "grid columns" if drawing.is_grid else "lines"
    field = f"circle: the {drawing.field}" if drawing.circle else f"the photo: a {drawing.field}"
    return prose(
        f"Strokes: the {len(drawing.segments)} {what} found. Arrow: the axis, tilted by"
        f" {say(drawing.tilt, '°')}. {field[:1].upper()}{field[1:]}."
    )


def _within(segments: Array, box: tuple[int, int, int, int]) -> Array:
    x, y, w, h = box
    high, low = segments[:, 0::2].max(axis=1), segments[:, 0::2].min(axis=1)
    down, up = segments[:, 1::2].max(axis=1), segments[:, 1::2].min(axis=1)
    chosen = (high > x) & (low < x + w) & (down > y) & (up < y + h)
    return np.asarray(segments[chosen])


def _detail_box(drawing: ScaleDrawing) -> tuple[int, int, int, int]:
    """A piece of the photo around the middle line, some divisions wide, 3:2."""
    middle = drawing.middles[len(drawing.middles) // 2]
    reach = drawing.division_px * DETAIL_DIVISIONS
    w = int(min(max(reach, 24), drawing.width))
    h = int(min(max(w / 1.5, 16), drawing.height))
    x = int(np.clip(middle[0] - w / 2, 0, drawing.width - w))
    y = int(np.clip(middle[1] - h / 2, 0, drawing.height - h))
    return x, y, w, h


REACH = 0.44
"""Half-height of the residuals over that of their strip, so that the outermost dots are whole."""


def _residuals(drawing: ScaleDrawing) -> Strip:
    """Each line's distance from an even ruling."""
    side = drawing.width if drawing.across_page else drawing.height
    dots = [
        ((place + 0.5) / side, 0.5 - REACH * residual / drawing.limit_px)
        for place, residual in drawing.strip()
    ]
    limit, order = (
        short(drawing.limit_px),
        "left to right" if drawing.across_page else "top to bottom",
    )
    return Strip(
        f"Each line's distance from an even ruling, {order}: {drawing.residual_words()}",
        f"+{limit}", f"\u2212{limit} px", "0", dots=np.array(dots).reshape(-1, 2),
        rules=((0.5 - REACH, False), (0.5, True), (0.5 + REACH, False)), height=96,
    )  # fmt: skip
