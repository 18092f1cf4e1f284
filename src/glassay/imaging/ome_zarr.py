"""What an OME-Zarr picture says of itself: its levels, what their px measure, its channels.

Source: the OME-Zarr specification, version 0.5 (multiscales and omero metadata).
"""

from __future__ import annotations

from typing import Any

Size = tuple[int, int]

CHUNK_PX = 512
"""Side of what is read at once: a screen's tile. The smallest level fits in one."""


def level_sizes(height: int, width: int) -> list[Size]:
    """(height, width) of every level, the picture first, each half the one before, rounded up."""
    out = [(height, width)]
    while max(out[-1]) > CHUNK_PX:
        out.append((-(-out[-1][0] // 2), -(-out[-1][1] // 2)))
    return out


def ome_attributes(
    name: str, levels: int, pixel_size_um: float | None, most: int, *, colour: bool = True
) -> dict[str, Any]:
    """The `ome` attribute of a group whose arrays "0", "1", ... have the axes c, y, x.

    `most` is the largest value that a px can have. A level's px covers 2^level px of the picture in
    each direction, and its middle lies accordingly.
    """
    scale = pixel_size_um or 1.0
    steps = [scale * 2**level for level in range(levels)]
    unit = {"unit": "micrometer"} if pixel_size_um else {}
    channels = (("red", "FF0000"), ("green", "00FF00"), ("blue", "0000FF"))
    return {
        "version": "0.5",
        "multiscales": [{
            "name": name,
            "axes": [
                {"name": "c", "type": "channel"},
                {"name": "y", "type": "space", **unit},
                {"name": "x", "type": "space", **unit},
            ],
            "datasets": [{
                "path": str(level),
                "coordinateTransformations": [
                    {"type": "scale", "scale": [1.0, step, step]},
                    {"type": "translation", "translation": [0.0, *[(step - scale) / 2] * 2]},
                ],
            } for level, step in enumerate(steps)],
        }],
        "omero": {"channels": [
            {"label": label, "color": hue, "active": True,
             "window": {"min": 0, "start": 0, "end": most, "max": most}}
            for label, hue in (channels if colour else (("grey", "FFFFFF"),))
        ]},
    }  # fmt: skip
