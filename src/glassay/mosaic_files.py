"""What `glassay mosaic` writes into a mosaic's folder, by name."""

from __future__ import annotations

NUMBERS = "mosaic.json"
"""What was measured, and where every photo lies."""

PICTURE = "mosaic.ome.zarr"
"""The picture with its pyramid."""
