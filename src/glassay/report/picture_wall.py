"""A picture wall: every die of a shelf at one scale, as a folder of plain files."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from glassay import __version__
from glassay.bench.shelf.same_die import whole_picture
from glassay.bench.shelf.search import Hit
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.report.die_pictures import levelled
from glassay.report.numbers import counted
from glassay.report.pictures import Pixels, for_screen
from glassay.report.templating import render, source

LARGEST_PX = 420
"""Longer side of the largest die on the wall; all others at its scale."""

SHARPER = 2
"""Px of a picture for one of the page, for finer screens."""

JPEG_QUALITY = 84


def write_wall(hits: Sequence[Hit], folder: Path) -> list[str]:
    """Write `index.html` and one picture a die into a folder. Gives what could not be shown, with why.

    Raises `Unusable` when none of the chips has a measured die, or the folder cannot be written.
    """
    known = [hit for hit in hits if hit.width_um and hit.height_um and hit.picture.get("outline")]
    if not known:
        raise Unusable("none of these chips has a die of known size: there is nothing to hang")
    largest = max(max(hit.width_um or 0.0, hit.height_um or 0.0) for hit in known)
    per_um = LARGEST_PX / largest
    known.sort(key=lambda hit: -(hit.width_um or 0.0) * (hit.height_um or 0.0))
    shown: list[dict[str, Any]] = []
    missing = [
        f"{hit.title}: {hit.reason or 'its size is not known'}" for hit in hits if hit not in known
    ]
    for hit in known:
        size = tuple(
            max(1, round(per_um * (side or 0.0))) for side in (hit.width_um, hit.height_um)
        )
        name = f"pictures/{len(shown) + 1}.jpg"
        try:
            picture = die_picture(hit, (SHARPER * size[0], SHARPER * size[1]))
        except Unusable as error:
            missing.append(f"{hit.title}: {error}")
            continue
        stream = io.BytesIO()
        Image.fromarray(picture).save(stream, "JPEG", quality=JPEG_QUALITY, optimize=True)
        write_atomically(folder / name, stream.getvalue())
        shown.append({
            "title": hit.title, "marking": hit.marking, "file": name, "width": size[0],
            "height": size[1], "size": _mm(hit.width_um, hit.height_um), "bench": hit.folder.name,
        })  # fmt: skip
    bar = 10.0 ** np.floor(np.log10(largest))
    page = render("picture_wall.html", {
        "styles": source("page.css"), "version": __version__, "dies": shown, "missing": missing,
        "counted": counted(len(shown), "die"),
        "bar": {"px": round(bar * per_um, 1),
                "words": f"{bar / 1000:g} mm" if bar >= 1000 else f"{bar:g} µm"},
    })  # fmt: skip
    write_atomically(folder / "index.html", str(page).encode())
    return missing


def die_picture(hit: Hit, size: tuple[int, int]) -> Pixels:
    """A chip's die laid level. Raises `Unusable` when its picture cannot be read."""
    photo, corners = whole_picture(hit)
    if corners is None:
        raise Unusable("it has no die of known place")
    return levelled(for_screen(photo, None), corners, size)


def _mm(width_um: float | None, height_um: float | None) -> str:
    return f"{(width_um or 0) / 1000:.3f} × {(height_um or 0) / 1000:.3f} mm"
