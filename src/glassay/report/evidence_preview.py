"""Source, predicted view and real capture side by side, and their detail against frequency."""

from __future__ import annotations

from pathlib import Path

from glassay.detail.predict import Preview
from glassay.imaging.tone import FloatImage, linear_to_srgb
from glassay.report.figure_file import check_figure_name, save_figure


def draw_preview(source: FloatImage, found: Preview, real: FloatImage | None, path: Path) -> None:
    """Draw the pictures, unsharpened, into a file; with a real capture also the ratio of detail.

    The path's suffix decides the format. Raises `Unusable` for another suffix, or when the file
    cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    agreement = found.agreement
    pictures = [("source", source), ("predicted", found.view.picture)]
    if agreement is not None and real is not None:
        x, y, width, height = agreement.window
        x, y = max(0, x), max(0, y)
        pictures = [("source", source), ("predicted, as it lies in the capture", agreement.aligned),
                    ("real capture", real[y : y + height, x : x + width])]  # fmt: skip
    panels = len(pictures) + (agreement is not None)
    canvas = Canvas(figsize=(4.2 * panels, 4.4), layout="constrained")
    for number, (title, picture) in enumerate(pictures, 1):
        axes = canvas.add_subplot(1, panels, number)
        axes.imshow(linear_to_srgb(picture), cmap="gray", vmin=0, vmax=1, interpolation="nearest")
        axes.set(xticks=[], yticks=[], title=title)
    if agreement is not None:
        axes = canvas.add_subplot(1, panels, panels)
        axes.plot(agreement.frequency, agreement.ratio, "o-", color="#0b5c6b")
        axes.axhline(1.0, color="0.5", linewidth=0.8)
        axes.set(xlabel="cycles/px", ylabel="real detail / predicted", xlim=(0, 0.5), ylim=(0, 1.6))
    save_figure(canvas, path)
