"""Groups of edges, by direction and by place in the field, that have findings of their own."""

from __future__ import annotations

GROUPS = {
    "frequency_50_x": "detail along x", "frequency_50_y": "detail along y",
    "frequency_50_diagonal": "diagonal detail",
    "frequency_50_centre": "detail in the centre", "frequency_50_middle": "detail half way out",
    "frequency_50_corner": "detail in the corners",
}  # fmt: skip
"""Keys of groups of edges, and what each speaks of."""
