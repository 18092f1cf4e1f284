"""What `glassay mosaic` writes into a mosaic's folder, by name, and what it calls the photos."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

NUMBERS = "mosaic.json"
"""What was measured, and where every photo lies."""

PICTURE = "mosaic.ome.zarr"
"""The picture with its pyramid."""

PAGE, TIFF = "index.html", "mosaic.ome.tif"
"""A page to look at the picture closely, and the picture in one file; both where they are asked for."""


def plain_names(paths: Sequence[Path]) -> list[str]:
    """The files' own names, without the folders they lie in, which are those of a person's computer;
    what is called alike is counted."""
    seen: dict[str, int] = {}
    out = []
    for path in paths:
        many = seen[path.name] = seen.get(path.name, 0) + 1
        out.append(path.name if many == 1 else f"{path.name} ({many})")
    return out


def without_paths(data: Mapping[str, Any]) -> dict[str, Any] | None:
    """A document that an earlier version wrote, with plain names of its photos instead of the paths
    under which that found them; None where none are in it.

    Raises KeyError, TypeError or ValueError when it is damaged."""
    if "mosaic" not in data:  # the folder that was written into, as given
        return None
    files = [str(tile["file"]) for tile in data["tiles"]]
    names = dict(zip(files, plain_names([Path(file) for file in files]), strict=True))
    tiles = []
    for tile in data["tiles"]:
        file, reason = str(tile["file"]), tile["reason"]
        said = reason if reason is None else str(reason).replace(file, names[file])
        tiles.append({**tile, "file": names[file], "reason": said})
    overlaps = [
        {**one, "first": names[one["first"]], "second": names[one["second"]]}
        for one in data["overlaps"]
    ]
    kept = {key: value for key, value in data.items() if key != "mosaic"}
    return {**kept, "tiles": tiles, "overlaps": overlaps}
