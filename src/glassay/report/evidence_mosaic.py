"""The evidence behind a mosaic on a bench: the picture, and where its photos lie and overlap."""

from __future__ import annotations

import numpy as np

from glassay.report.drawing import Figure, Overlay
from glassay.report.evidence import Case, kept_picture
from glassay.report.strokes import outline_path

LETTERS = 30
"""Numbers of photos are this part of the picture's longer side high."""


def figures(case: Case) -> tuple[Figure, ...]:
    """The picture as it is, then the borders of its photos with their numbers and the overlaps."""
    evidence = case.evidence
    picture = kept_picture(evidence["picture"])[..., ::-1]
    height, width = picture.shape[:2]
    borders = {number: np.array(border) for number, border in evidence["outlines"]}
    middles = {number: border.mean(axis=0) for number, border in borders.items()}
    frames = "".join(outline_path(border) for border in borders.values())
    held = [(a, b) for a, b, *_ in evidence["overlaps"] if a in middles and b in middles]
    ties = "".join("M{:.1f} {:.1f}L{:.1f} {:.1f}".format(*middles[a], *middles[b]) for a, b in held)
    labels = [(float(x), float(y), str(number + 1)) for number, (x, y) in sorted(middles.items())]
    least = min((c for _, _, c, _ in evidence["overlaps"]), default=0.0)
    source = case.embed(picture, 0.6)
    box = (-0.5, -0.5, float(width), float(height))
    whole = "All photos as one picture: one lens for all, places solved together."
    how = (
        f"Where the {len(borders)} photos lie, numbered as they are listed. Blue: the {len(held)} pairs"
        f" that were compared and hold; what both show correlates by {least:.2f} or more."
    )
    under = case.embed(picture, 0.4)
    return (
        Figure((Overlay(f"{case.name}-whole", whole, source, box),), whole),
        Figure((Overlay(f"{case.name}-places", how, under, box, (("thin", frames), ("blue", ties)),
                        tuple(labels), max(width, height) / LETTERS),), how),
    )  # fmt: skip
