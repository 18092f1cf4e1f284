"""A plate drawn: as a sheet for print, as a still for a video, or as a series of stills.

Everything is placed in whole px of the sheet, so that a panel's px are drawn one to one and nothing
resamples them a second time.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any, Literal

from glassay.bench.chip.plate import Plate
from glassay.report.plate_layout import Layout, Sheet, lay_out, with_list
from glassay.report.plate_text import Size

Look = Literal["light", "dark"]


PRINT = Size(2126, None, 300, 7.5 / 72 * 300)
"""180 mm wide at 300 px an inch, small text of 7.5 points: the text width of a page of A4."""

SIZES: dict[str, Size] = {
    "print": PRINT,
    "1920x1080": Size(1920, 1080, 96, 21),
    "3840x2160": Size(3840, 2160, 192, 42),
}
"""Stills have text of 2 % of their height, which is legible on a phone."""

COLOURS: dict[Look, tuple[str, str, str]] = {
    "light": ("#fdfdfb", "#1b1f22", "#565d63"),
    "dark": ("#14181a", "#e6e8e6", "#a3abaf"),
}
"""Paper, ink and soft ink."""


def draw_sheet(plate: Plate, size: Size, look: Look, layout: Layout, suffix: str,
               names: Sequence[str] | None = None) -> bytes:  # fmt: skip
    """One sheet as PNG, SVG or PDF by `suffix` (".png", ".svg", ".pdf").

    `names` stand for the instruments on a blind plate, and nothing else is said of them. Layout
    "alternate" has no sheet of its own; see `draw_series`.
    """
    return _rendered(lay_out(plate, size, layout, names), size, look, suffix)


def draw_series(
    plate: Plate, size: Size, look: Look, names: Sequence[str] | None = None
) -> list[bytes]:
    """One PNG for each panel, all of one geometry, so that they can be shown in turn."""
    return [
        _rendered(with_list(plate, size, names, [number]), size, look, ".png")
        for number in range(len(plate.panels))
    ]


FRAME_MS = 1200
"""Each picture of the alternating series stands so long: time to look, short enough to compare."""


def animated(stills: Sequence[bytes]) -> bytes:
    """The series as one animated PNG that repeats: lossless, and shown by every browser."""
    from PIL import Image

    frames = [Image.open(io.BytesIO(still)).convert("RGB") for still in stills]
    stream = io.BytesIO()
    frames[0].save(
        stream, "PNG", save_all=True, append_images=frames[1:], duration=FRAME_MS, loop=0
    )
    return stream.getvalue()


# ---- layouts -------------------------------------------------------------------------------------


# ---- words ---------------------------------------------------------------------------------------


# ---- ink -----------------------------------------------------------------------------------------


def _rendered(sheet: Sheet, size: Size, look: Look, suffix: str) -> bytes:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    paper, ink, soft = COLOURS[look]
    width, height = size.width, sheet.height
    with mpl.rc_context({"svg.hashsalt": "plate", "pdf.fonttype": 42}):
        figure = Figure(figsize=(width / size.dpi, height / size.dpi), dpi=size.dpi)
        figure.set_facecolor(paper)
        for picture, x, y in sheet.pictures:
            high, wide = picture.shape[:2]
            place = (x / width, 1 - (y + high) / height, wide / width, high / height)
            axes = figure.add_axes(place)
            axes.set_axis_off()
            axes.imshow(picture, interpolation="none", aspect="auto")
        over = figure.add_axes((0, 0, 1, 1))
        over.set(xlim=(0, width), ylim=(height, 0))
        over.set_axis_off()
        points = 72 / size.dpi
        for line, left, top in sheet.texts:
            over.text(
                left, top + 0.98 * line.size, line.text, fontsize=line.size * points,
                fontweight="bold" if line.bold else "normal", color=soft if line.soft else ink,
                va="baseline", ha="left", parse_math=False,
            )  # fmt: skip
        for bar in sheet.bars:
            _draw_bar(over, bar, points)
        for tag, left, top in sheet.tags:
            _draw_tag(over, tag, left, top, size.text, points)
        stream = io.BytesIO()
        made = {".png": {"Software": None}, ".svg": {"Date": None}, ".pdf": {"CreationDate": None}}
        figure.savefig(
            stream, format=suffix.lstrip("."), dpi=size.dpi, facecolor=paper,
            metadata=made[suffix],
        )  # fmt: skip
    return stream.getvalue()


def _draw_bar(axes: Any, bar: tuple[float, float, float, float, str], points: float) -> None:
    """A white bar with a dark casing, and its length above: shows on any ground."""
    from matplotlib.patches import Rectangle
    from matplotlib.patheffects import withStroke

    x, y, length, text, words = bar
    thick = 0.22 * text
    axes.add_patch(Rectangle((x - 0.08 * text, y - thick - 0.08 * text), length + 0.16 * text,
                             thick + 0.16 * text, color="black", linewidth=0))  # fmt: skip
    axes.add_patch(Rectangle((x, y - thick), length, thick, color="white", linewidth=0))
    casing = withStroke(linewidth=0.22 * text * points, foreground="black")
    axes.text(x, y - thick - 0.35 * text, words, fontsize=1.05 * text * points, color="white",
              fontweight="bold", va="baseline", parse_math=False, path_effects=[casing])  # fmt: skip


def _draw_tag(axes: Any, number: str, x: float, y: float, text: float, points: float) -> None:
    from matplotlib.patches import Rectangle

    side = 1.5 * text
    axes.add_patch(Rectangle((x, y), side, side, color="black", alpha=0.75, linewidth=0))
    axes.text(x + side / 2, y + 1.14 * text, number, fontsize=1.1 * text * points, color="white",
              fontweight="bold", va="baseline", ha="center", parse_math=False)  # fmt: skip
