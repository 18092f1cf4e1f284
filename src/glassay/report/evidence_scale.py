"""The evidence behind a ruled scale or grid: found lines, tilt and field over the photo.

Drawn twice from one description, `ScaleDrawing`: by matplotlib into a file of its own, and as SVG
over the photo for a page, where lines keep their width and text can be read at any size.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from glassay.bench.saying.words import say, say_length, short
from glassay.errors import Unusable
from glassay.imaging import Photo
from glassay.quantity import Quantity
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.numbers import prose
from glassay.report.pictures import MOST_BYTES, for_screen, jpeg_uri
from glassay.report.templating import render
from glassay.scale import Calibration

Array = npt.NDArray[np.float64]

DETAIL_DIVISIONS = 10
"""Divisions in the enlarged detail: enough to see whether the lines sit on the ruling."""
LINE_COLOUR = "#00e0ff"
CASING_COLOUR = "#00222b"
"""Lines over photos are light in a dark casing, so that they show on bright and dark ground."""


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
    def of_calibration(cls, calibration: Calibration) -> ScaleDrawing:
        """The drawing of a measurement just made."""
        result = calibration.result
        stop = result.field_stop
        return cls(
            width=result.shape[1], height=result.shape[0],
            segments=np.asarray(result.segments, dtype=np.float64).reshape(-1, 4),
            residuals=np.asarray(result.residuals, dtype=np.float64),
            division_px=result.division.value, tilt=result.tilt,
            pixel_size=calibration.pixel_size,
            field=_field_words(
                calibration.field_width, calibration.field_height, calibration.field_diameter
            ),
            circle=None if stop is None else (stop.x, stop.y, stop.diameter),
            is_grid=result.pattern == "grid",
        )  # fmt: skip

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


# ---- into a file of its own ----------------------------------------------------------------------


def draw_scale(photo: Photo, calibration: Calibration, path: Path) -> None:
    """Draw found lines, tilt and field over the photo, residuals below, into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    drawing = ScaleDrawing.of_calibration(calibration)
    shape = drawing.height / drawing.width
    canvas = Canvas(figsize=(8.0, 8.0 * min(shape, 1.6) + 1.6), layout="constrained")
    above, below = canvas.subplots(2, 1, height_ratios=[8.0 * min(shape, 1.6), 1.2])
    _draw_over_photo(above, photo, drawing)
    _draw_residuals(below, drawing)
    canvas.suptitle(f"{photo.path.name}: {say(drawing.pixel_size, ' µm/px')}", fontsize="medium")
    save_figure(canvas, path)


def _draw_over_photo(axes: Any, photo: Photo, drawing: ScaleDrawing) -> None:
    from matplotlib.collections import LineCollection
    from matplotlib.patches import Circle
    from matplotlib.patheffects import withStroke

    cased = [withStroke(linewidth=2.6, foreground=CASING_COLOUR)]
    # Close lines would be a dark band if all were cased.
    apart_pt = 72 * 8.0 * drawing.division_px / drawing.width
    thin = [withStroke(linewidth=1.6, foreground=CASING_COLOUR)] if apart_pt > 6 else []
    edges = (-0.5, drawing.width - 0.5, drawing.height - 0.5, -0.5)
    axes.imshow(for_screen(photo, 1600), extent=edges, cmap="gray", vmin=0, vmax=255)
    lines = [[(x0, y0), (x1, y1)] for x0, y0, x1, y1 in drawing.segments.tolist()]
    axes.add_collection(
        LineCollection(lines, colors=LINE_COLOUR, linewidths=0.8, path_effects=thin or None)
    )
    x0, y0, x1, y1 = drawing.axis
    axes.annotate(
        "", (x1, y1), (x0, y0),
        arrowprops={"arrowstyle": "->", "color": LINE_COLOUR, "lw": 1.4, "path_effects": cased,
                    "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    if drawing.circle is not None:
        x, y, diameter = drawing.circle
        axes.add_patch(
            Circle((x, y), diameter / 2, fill=False, color=LINE_COLOUR, lw=1.2, path_effects=cased)
        )
    bar_um, bar_px = drawing.bar
    left, low = 0.04 * drawing.width, 0.95 * drawing.height
    axes.plot([left, left + bar_px], [low, low], color="white", lw=3, path_effects=cased)
    axes.text(left, low - 0.015 * drawing.height, prose(say_length(Quantity(bar_um, "um"))),
              color="white", va="bottom", path_effects=cased)  # fmt: skip
    axes.set(xlim=edges[:2], ylim=edges[2:], xticks=[], yticks=[])
    axes.spines[:].set_visible(False)
    axes.set_xlabel(_in_words(drawing), fontsize="small", wrap=True)


def _draw_residuals(axes: Any, drawing: ScaleDrawing) -> None:
    places = drawing.strip()
    axes.axhline(0, color="0.6", lw=0.8)
    axes.plot(*zip(*places, strict=True), ".", color="black", markersize=4)
    side = drawing.width if drawing.across_page else drawing.height
    axes.set(xlim=(-0.5, side - 0.5), ylim=(-drawing.limit_px, drawing.limit_px))
    where = "x" if drawing.across_page else "y"
    axes.set_xlabel(f"{where} in the photo (px); residuals {drawing.residual_words()}")
    axes.set_ylabel("off even (px)", fontsize="small")
    axes.xaxis.label.set_size("small")
    axes.tick_params(labelsize="small")


# ---- over the photo in a page --------------------------------------------------------------------


def figures(case: Case) -> tuple[Figure, ...]:
    """The photo with the evidence over it, an enlarged detail and the residuals."""
    findings = {
        key: finding.value
        for key, finding in case.part.findings.items()
        if isinstance(finding.value, Quantity)
    }
    drawing = ScaleDrawing.of_stored(case.evidence, findings)
    html = scale_html(
        case.photo, drawing, name=case.name, most_bytes=case.bytes_left, alt=_in_words(drawing)
    )
    return (Figure(html, _in_words(drawing)),)


def _in_words(drawing: ScaleDrawing) -> str:
    what = "grid columns" if drawing.is_grid else "lines"
    field = f"circle: the {drawing.field}" if drawing.circle else f"the photo: a {drawing.field}"
    return prose(
        f"Strokes: the {len(drawing.segments)} {what} found. Arrow: the axis, tilted by"
        f" {say(drawing.tilt, '°')}. {field[:1].upper()}{field[1:]}."
    )


def scale_html(
    photo: Photo, drawing: ScaleDrawing, *, name: str, most_bytes: int = MOST_BYTES, alt: str = ""
) -> Markup:
    """The photo under an SVG of the evidence, self-contained. `name` makes ids unique in a page."""
    box = _detail_box(drawing)
    bar_um, bar_px = drawing.bar
    return render("evidence_scale.html", {
        "name": name, "alt": alt, "drawing": drawing,
        "source": jpeg_uri(for_screen(photo), int(most_bytes * 0.8)),
        "detail": jpeg_uri(for_screen(photo.crop(box), 420), int(most_bytes * 0.2)),
        "box": box, "lines": _path(drawing.segments),
        "detail_lines": _path(_within(drawing.segments, box)),
        "arrow": _arrow(drawing),
        "bar": {"px": bar_px, "text": prose(say_length(Quantity(bar_um, "um")))},
        "strip": _percent_strip(drawing), "limit": short(drawing.limit_px),
        "side": "x" if drawing.across_page else "y",
    })  # fmt: skip


def _path(segments: Array) -> str:
    """Lines as one SVG path, to a hundredth of a px."""
    return "".join(f"M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}" for x0, y0, x1, y1 in segments)


def _arrow(drawing: ScaleDrawing) -> str:
    """The scale's axis with a head at its far end, as an SVG path."""
    x0, y0, x1, y1 = drawing.axis
    angle, head = math.radians(drawing.tilt.value), drawing.width / 50
    path = f"M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}"
    for side in (-1, 1):
        turned = angle + side * math.radians(150)
        x, y = x1 + head * math.cos(turned), y1 + head * math.sin(turned)
        path += f"M{x:.2f} {y:.2f}L{x1:.2f} {y1:.2f}"
    return path


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


def _percent_strip(drawing: ScaleDrawing) -> list[tuple[str, str]]:
    side = drawing.width if drawing.across_page else drawing.height
    return [
        (f"{100 * (place + 0.5) / side:.2f}%", f"{50 - 44 * residual / drawing.limit_px:.1f}%")
        for place, residual in drawing.strip()
    ]
