"""What a mosaic tells: its findings, where every tile lies, and the camera that all share."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from glassay.finding import Finding
from glassay.mosaic.lens import Lens, Points, applied
from glassay.mosaic.light import Light
from glassay.mosaic.solve import Solution
from glassay.mosaic.tile import Tile
from glassay.quantity import Contribution, Quantity, Scope

METHOD = "tiles of one camera solved together"
OF: Scope = "capture"
"""All is told from the overlaps of one set of tiles, the shared lens too: another set errs anew."""
MODEL = (
    "r_d = r_u (1 + k1 r_u^2 + k2 r_u^4), undistorted to distorted, radii in half diagonals of the"
    " photo about its middle"
)
IN_PX = "the size of a px is not known: lengths are in px of the middle of a photo"

OUTLINE_PX = 0.5
"""Half a px: the border of the mosaic is that of its outermost tiles' px."""


def in_um(length: Quantity, pixel_size: Quantity) -> Quantity:
    """A length in px of the mosaic, in um."""
    um = length.scaled(pixel_size.value, "um")
    for part in pixel_size.contributions:
        um = um.with_contribution(
            part.source, length.value * part.u, part.dof, part.identity, part.scope
        )
    return um


@dataclass(frozen=True)
class Place:
    """Where the middle of a placed tile (`number` among the files) lies, mosaic px, and the standard
    uncertainty of its distance from the tile nearest to the mosaic's middle, px."""

    number: int
    x: float
    y: float
    u: float


@dataclass(frozen=True)
class Where:
    """A file, its matrix (2 x 3, from its undistorted px to the mosaic's) or why it has none."""

    path: Path
    matrix: Points | None
    reason: str | None


@dataclass(frozen=True, eq=False)
class Camera:
    """The lens, covariance of k1 and k2, light at the corner (percent of the middle's, and u), rms of
    what blocks leave over, and the shading's polynomial."""

    lens: Lens
    covariance: Points
    corner_light: tuple[float, float]
    scatter_px: float
    shading: Points


@dataclass(frozen=True, eq=False)
class MosaicResult:
    """The placed tiles. `size` px; `length_u` of width and height: standard uncertainty, px, from the
    placement and from the lens; `edges` (first, second, correlation, blocks against the best rival)."""

    where: tuple[Where, ...]
    size: tuple[int, int]
    length_u: dict[str, tuple[float, float]]
    groups: int
    loop_closure: float | None
    camera: Camera
    pixel_size: Quantity | None
    edges: tuple[tuple[int, int, float, int], ...]
    drawn: tuple[tuple[int, Tile, Points, Lens], ...]
    light: Light
    solution: Solution
    order: tuple[int, ...]
    digest: str
    folder: Path | None = None

    @property
    def placed(self) -> int:
        """How many tiles have a place."""
        return sum(w.matrix is not None for w in self.where)

    @property
    def left_out(self) -> tuple[str, ...]:
        """Tiles left out, and why."""
        return tuple(f"{w.path.name}: left out: {w.reason}" for w in self.where if w.matrix is None)

    @property
    def notes(self) -> tuple[str, ...]:
        """Tiles left out, and what the numbers lean on."""
        if self.pixel_size is not None:
            return self.left_out
        return (*self.left_out, IN_PX)

    def in_folder(self, folder: Path) -> MosaicResult:
        """The same, with the folder of its picture."""
        return replace(self, folder=folder)

    def findings(self) -> dict[str, Finding]:
        """tiles_placed, tiles_left_out, groups, width, height, distortion; loop_closure where
        overlaps close loops, vignetting where they tell it."""
        facts = {
            "tiles_placed": self.placed,
            "tiles_left_out": len(self.where) - self.placed,
            "groups": self.groups,
        }
        out = {key: Finding(value, METHOD) for key, value in facts.items()}
        for n, name in enumerate(("width", "height")):
            out[name] = Finding(self._length(name, float(self.size[n])), METHOD)
        if self.loop_closure is not None:
            out["loop_closure"] = Finding(
                Quantity(self.loop_closure, "px"), "shortest loops of overlaps"
            )
        out["distortion"] = Finding(self.distortion(), METHOD)
        corner, u = self.camera.corner_light
        if math.isfinite(u):
            out["vignetting"] = Finding(
                Quantity(corner - 100, "%", (Contribution("scatter of overlaps", u, scope=OF),)),
                "light of overlaps",
            )
        return out

    def places(self) -> list[Place]:
        """Where the placed tiles lie, and how surely to each other; without the calibration."""
        middles = [applied(m, lens.middle[None, :])[0] for _, _, m, lens in self.drawn]
        away = [math.dist(at, np.array(self.size) / 2) for at in middles]
        middle = int(np.argmin(away))
        fixed = (self.order[middle], self.drawn[middle][3].middle, self.drawn[middle][3])
        out = []
        for n, (number, _, _, own) in enumerate(self.drawn):
            u = 0.0
            if n != middle:
                _, placing, bent = self.solution.length_u(((self.order[n], own.middle, own), fixed))
                u = math.hypot(placing, bent)
            out.append(Place(number, float(middles[n][0]), float(middles[n][1]), u))
        return out

    def distortion(self) -> Quantity:
        """Percent at the photo's corner: negative for barrel."""
        lens = self.camera.lens
        base = lens.corner_percent()
        step = 1e-5
        slope = np.array([
            (replace(lens, k1=lens.k1 + step).corner_percent() - base) / step,
            (replace(lens, k2=lens.k2 + step).corner_percent() - base) / step,
        ])  # fmt: skip
        u = math.sqrt(max(float(slope @ self.camera.covariance @ slope), 0.0))
        return Quantity(base, "%", (Contribution("overlaps", u, scope=OF),))

    def _length(self, name: str, px: float) -> Quantity:
        placing, lens = self.length_u[name]
        parts = (
            Contribution("placement of tiles", placing, scope=OF),
            Contribution("shared distortion", lens, scope=OF),
            Contribution("outline", OUTLINE_PX / math.sqrt(3), scope=OF),
        )
        length = Quantity(px, "px", parts)
        return length if self.pixel_size is None else in_um(length, self.pixel_size)

    def beside(self) -> dict[str, Any]:
        """What stands beside the findings in the answer as data."""
        lens = self.camera.lens
        return {
            "mosaic": None if self.folder is None else str(self.folder),
            "camera": {
                "model": MODEL, "k1": lens.k1, "k2": lens.k2,
                "u_k1": math.sqrt(max(float(self.camera.covariance[0, 0]), 0.0)),
                "u_k2": math.sqrt(max(float(self.camera.covariance[1, 1]), 0.0)),
                "centre": [float(v) for v in lens.middle], "half_diagonal": lens.half_diagonal,
                "picture": [lens.shape[1], lens.shape[0]], "scatter": self.camera.scatter_px,
            },
            "tiles": [
                {"file": str(w.path), "matrix": None if w.matrix is None else w.matrix.tolist(),
                 "reason": w.reason}
                for w in self.where
            ],
            "overlaps": [
                {"first": str(self.where[a].path), "second": str(self.where[b].path),
                 "correlation": round(c, 4), "blocks_against_rival": t}
                for a, b, c, t in self.edges
            ],
        }  # fmt: skip
