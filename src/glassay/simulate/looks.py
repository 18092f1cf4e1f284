"""Other ways to light a scene: dark field and oblique light, made from its edges."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from glassay.simulate.geometry import Image, Points
from glassay.simulate.paint import Scene, View


@dataclass(frozen=True)
class Lit:
    """A scene under "dark" field (edges shine, flats stay dark) or "oblique" light (edges that face
    the lamp shine, those that turn away darken), rather than bright field.

    An edge sends `edge_um` times its own step in reflectance per unit of length, whatever the pixel
    size; `flat` of the bright-field picture remains. `lamp_deg` is where oblique light comes from
    in the picture. Light scattered at edges is white with a part of the surface's colour.
    """

    base: Scene
    look: Literal["dark", "oblique"] = "dark"
    edge_um: float = 2.0
    flat: float = 0.06
    lamp_deg: float = 215.0

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        picture = self.base.paint(view)
        step_um = view.mapping.pose.pixel_size_um / view.oversample
        planes = picture[..., None] if picture.ndim == 2 else picture
        grey = planes.mean(axis=2)
        down, along = np.gradient(grey, step_um)
        if self.look == "dark":
            shine = self.edge_um * np.hypot(along, down)
        else:
            c, s = math.cos(math.radians(self.lamp_deg)), math.sin(math.radians(self.lamp_deg))
            shine = self.edge_um * (along * c + down * s)
        lit = planes * self.flat + shine[..., None] * (0.5 + 0.5 * planes)
        lit = np.maximum(lit, 0).astype(view.x.dtype)
        return np.asarray(lit[..., 0] if picture.ndim == 2 else lit)

    def marks_um(self) -> dict[str, Points]:
        """Those of the base."""
        return self.base.marks_um()

    def facts(self) -> dict[str, float | str]:
        """Those of the base."""
        return self.base.facts()
