"""Source, predicted view and real capture side by side, and their detail against frequency."""

from __future__ import annotations

from pathlib import Path

from glassay.detail.predict import Preview
from glassay.imaging.tone import FloatImage, eight_bit
from glassay.report.curves import Chart, Curve, steps
from glassay.report.drawing import Panel
from glassay.report.evidence import pixels_in_file
from glassay.report.figure_file import check_figure_name, write_panels


def draw_preview(source: FloatImage, found: Preview, real: FloatImage | None, path: Path) -> None:
    """Draw the pictures, unsharpened, into a file; with a real capture also the ratio of detail.

    The path's suffix decides the format. Raises `Unusable` for another suffix, or when the file
    cannot be written.
    """
    check_figure_name(path)
    agreement = found.agreement
    pictures = [("source", source), ("predicted", found.view.picture)]
    if agreement is not None and real is not None:
        x, y, width, height = agreement.window
        x, y = max(0, x), max(0, y)
        pictures = [("source", source), ("predicted, as it lies in the capture", agreement.aligned),
                    ("real capture", real[y : y + height, x : x + width])]  # fmt: skip
    panels: list[Panel] = [pixels_in_file(eight_bit(picture), title) for title, picture in pictures]
    if agreement is not None:
        at, ratio = agreement.frequency, agreement.ratio
        panels.append(Chart(
            "Detail of the real capture over that predicted, at each spatial frequency.",
            "cycles/px", "real / predicted", (0.0, 0.5), (0.0, 1.6),
            (Curve(at, ratio), Curve(at, ratio, "points")), steps(0, 0.5, 0.1), steps(0, 1.6, 0.5),
            levels=((1.0, ""),),
        ))  # fmt: skip
    write_panels(panels, path, "Source, prediction" + (" and real capture" if agreement else ""))
