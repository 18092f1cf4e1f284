"""What is drawn of evidence: a plain description of pictures with strokes over them, charts and strips.

Each method's `report/evidence_*.py` describes its evidence once. The page shows a description as
HTML, print and files take each of its pieces as an SVG of its own; both come from one template,
`report/templates/pieces.svg`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from glassay.report.curves import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, Chart
from glassay.report.templating import render

Points = npt.NDArray[np.float64]
Stroke = tuple[str, str]
"""How a line looks ("" bold, "thin", "red", "blue") and its SVG path data."""
Label = tuple[float, float, str]
"""Middle of a word over a picture, and the word."""
MOST_SHARE = 38
"""How many letters high a picture on the page may be; its shape makes that its width."""


@dataclass(frozen=True)
class Still:
    """A picture as it is: a data URI, in words what it shows, and what stands below it."""

    source: str
    words: str
    caption: str = ""


@dataclass(frozen=True)
class Overlay:
    """Strokes and words over a picture.

    All places are in px of what is shown, the middle of whose top left px is (0, 0). `box` is the
    part that is seen as left, top, width and height; `letter` the height of labels in the same px.
    `bar` is a scale bar: its length in px, and in words. `close_up` shows a piece of it, and what
    there is to tell of that. `name` is unique within a page. Without `source` the ground is plain.
    """

    name: str
    words: str
    source: str
    box: tuple[float, float, float, float]
    strokes: tuple[Stroke, ...] = ()
    labels: tuple[Label, ...] = ()
    letter: float = 1.0
    bar: tuple[float, str] | None = None
    caption: str = ""
    close_up: tuple[Overlay, Strip] | None = None

    @property
    def widest(self) -> float:
        """How wide it may get on the page, in letters' sizes."""
        return MOST_SHARE * self.box[2] / self.box[3]


@dataclass(frozen=True)
class Strip:
    """One quantity along a line: of places or of time.

    Points are (n, 2) shares of the strip across and down. `marks` are upright strokes: place, and
    where they begin and end down the strip. `rules` are level lines, and whether they are the zero.
    `top`, `middle` and `foot` are what the scale says, from 0 to `reach` of the height.
    """

    words: str
    top: str
    foot: str
    middle: str = ""
    dots: Points | None = None
    line: Points | None = None
    dashed: Points | None = None
    marks: tuple[tuple[float, float, float], ...] = ()
    rules: tuple[tuple[float, bool], ...] = ((0.0, False), (1.0, False))
    height: float = 72.0
    reach: float = 1.0
    is_cut: bool = False
    """Whether a line shows that the data end here before their time."""

    @staticmethod
    def path(points: Points | None, width: float, height: float, joined: bool = True) -> str:
        """SVG path data in a frame of this size: a line, or a row of dots."""
        if points is None or not len(points):
            return ""
        pairs = [f"{width * x:.2f} {height * y:.1f}" for x, y in points]
        return "M" + "L".join(pairs) if joined else "".join(f"M{pair}h0" for pair in pairs)

    def strokes(self, width: float, height: float) -> str:
        """The marks as SVG path data in a frame of this size."""
        return "".join(
            f"M{width * x:.2f} {height * top:.1f}V{height * foot:.1f}"
            for x, top, foot in self.marks
        )


@dataclass(frozen=True)
class OverTime:
    """Strips below each other over one stretch of time; `words` say from when to when."""

    strips: tuple[Strip, ...]
    words: str = ""


Panel = Still | Overlay | Chart | OverTime


@dataclass(frozen=True)
class Figure:
    """What is drawn of one piece of evidence, and in words what there is to see in it."""

    panels: tuple[Panel, ...]
    caption: str

    @cached_property
    def html(self) -> Markup:
        """For the page."""
        return html_of(self.panels)


@dataclass(frozen=True)
class CaptureFigures:
    """The figures of one capture; `missing` says why where there are none."""

    figures: tuple[Figure, ...] = ()
    missing: str = ""


@dataclass(frozen=True)
class Piece:
    """One piece of a drawing as an SVG that needs nothing else."""

    svg: bytes
    words: str
    """What stands below it."""
    width: float
    height: float
    """Its shape, in units of its own."""
    kind: str = field(default="chart")
    """"picture", "detail", "chart" or "strip"."""


CHART_FRAME = {
    "width": WIDTH, "height": HEIGHT, "left": LEFT, "right": WIDTH - RIGHT, "top": TOP,
    "foot": HEIGHT - BOTTOM,
}  # fmt: skip


def html_of(panels: Sequence[Panel]) -> Markup:
    """Panels as a piece of the page; charts that follow each other stand beside each other."""
    rows: list[tuple[str, list[Panel]]] = []
    for panel in panels:
        kind = type(panel).__name__
        if kind == "Chart" and rows and rows[-1][0] == kind:
            rows[-1][1].append(panel)
        else:
            rows.append((kind, [panel]))
    return render("drawing.html", {"rows": rows, "frame": CHART_FRAME})


def pieces_of(panels: Sequence[Panel]) -> Iterator[Piece]:
    """Every piece of a drawing, in order, as SVG."""
    for panel in panels:
        if isinstance(panel, Chart):
            yield Piece(_alone("chart", panel, _CHART), panel.words, WIDTH, HEIGHT)
        elif isinstance(panel, Overlay):
            yield _picture(panel, "picture")
            if panel.close_up is not None:
                detail, strip = panel.close_up
                yield _picture(detail, "detail")
                yield _strip(strip)
        elif isinstance(panel, OverTime):
            yield from (_strip(strip) for strip in panel.strips)


def _picture(panel: Overlay, kind: str) -> Piece:
    px = panel.box[2] / (PICTURE_PX if kind == "picture" else DETAIL_PX)
    return Piece(_alone("overlay", panel, _overlay_style(px)), panel.caption or panel.words,
                 panel.box[2], panel.box[3], kind)  # fmt: skip


def _strip(panel: Strip) -> Piece:
    svg = _alone("strip_alone", panel, _STRIP)
    return Piece(svg, panel.words, STRIP_PX, panel.height + 12, "strip")


def _alone(kind: str, panel: object, style: str) -> bytes:
    filling = {"kind": kind, "panel": panel, "frame": CHART_FRAME, "width": STRIP_PX}
    svg = str(render("piece.svg", filling)).strip()
    opened = svg.index(">") + 1
    head = svg[:opened].replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1)
    return f"{head}<style>{style}</style>{svg[opened:]}".encode()


# ---- how pieces look outside the page, whose own styles are in templates/page.css ---------------

INK, SOFT, HAIR, ACCENT = "#1b1f22", "#565d63", "#c3c8c8", "#0b4a56"
PICTURE_PX, DETAIL_PX, STRIP_PX = 700.0, 260.0, 520.0
"""Width at which strokes have the thickness that the page gives them, in px."""

_CHART = f"""
text{{font-family:'DejaVu Sans';font-size:12px;fill:{SOFT}}}
.below{{text-anchor:middle}} .beside{{text-anchor:end}}
.hair,.spread{{stroke:{HAIR}}} .level{{stroke:{SOFT};stroke-dasharray:6 3}} .mark{{stroke:{ACCENT}}}
.frame{{fill:none;stroke:{SOFT}}} .main,.thin,.dashed,.dotted{{fill:none;stroke:{INK};stroke-width:1.5}}
.thin{{stroke:{SOFT};stroke-width:0.7}} .dashed{{stroke-width:1;stroke-dasharray:5 3}}
.dotted{{stroke-width:1.2;stroke-dasharray:1.5 2.5}} .band{{fill:{ACCENT};fill-opacity:0.2}}
.dot{{fill:{INK}}} .box{{fill:none;stroke:{INK}}}
"""

_STRIP = f"""
text{{font-family:'DejaVu Sans';font-size:11px;fill:{SOFT};text-anchor:end}}
path,line{{fill:none;stroke:{HAIR}}} .zero{{stroke:{SOFT}}} .run,.mark{{stroke:{INK};stroke-width:1.2}}
.dashed{{stroke-dasharray:4 3}} .end{{stroke:{INK};stroke-dasharray:3 3}}
.dots{{stroke:{ACCENT};stroke-width:3.5;stroke-linecap:round}}
"""


def _overlay_style(px: float) -> str:
    """Styles of lines over a picture; `px` is how many of its units one px on the page is."""
    return f"""
path{{fill:none}} .plain{{fill:#3a4146}}
.casing{{stroke:#00222b;stroke-width:{3.5 * px:.3f};stroke-opacity:0.75}}
.line{{stroke:#35e4ff;stroke-width:{1.7 * px:.3f}}}
.thin.casing{{stroke-width:{2 * px:.3f};stroke-opacity:0.45}} .thin.line{{stroke-width:{1.1 * px:.3f}}}
.dots{{stroke-linecap:round}} .line.red{{stroke:#ff8d7e}}
.line.blue{{stroke:#8fb8ff;stroke-dasharray:{5 * px:.3f} {2.5 * px:.3f}}}
.bar-casing{{stroke:#00222b;stroke-width:{7 * px:.3f}}} .bar{{stroke:#fff;stroke-width:{4 * px:.3f}}}
text{{font-family:'DejaVu Sans';font-weight:bold;fill:#fff;stroke:#00222b;stroke-width:0.12em;
paint-order:stroke;text-anchor:middle;dominant-baseline:central}}
.bar-text{{font-size:{14 * px:.3f}px;text-anchor:start;dominant-baseline:auto}}
"""
