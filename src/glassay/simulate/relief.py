"""An object with relief, and a run of photos through its heights.

The object is a pile of levels, each a scene at its own height that covers part of what lies below
it. Every level is blurred by the lens's own response at its own distance from focus; a level above
covers what is below by its blurred coverage:

    light = light below x (1 - coverage blurred) + (scene x coverage) blurred,

the layered model of occlusion out of focus (Asada, Fujiwara and Matsuyama 1998; Hasinoff and
Kutulakos 2007; from memory). It is exact far from a rim and at a rim in focus; beside a rim out of
focus it leaves out that the rim also cuts the cone of light from below.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import affine_transform

from glassay.simulate.camera import Camera, Stored, develop
from glassay.simulate.die import Die
from glassay.simulate.geometry import Image, Points, Pose
from glassay.simulate.optics import Optics
from glassay.simulate.paint import Scene, View, band, rectangle
from glassay.simulate.render import Moment, expected, expected_moments
from glassay.simulate.surfaces import Texture

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Everywhere:
    """Coverage of a level that lies under the whole picture."""

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        return np.ones(view.shape, dtype=view.x.dtype)

    def marks_um(self) -> dict[str, Points]:
        """None."""
        return {}

    def facts(self) -> dict[str, float | str]:
        """None."""
        return {}


@dataclass(frozen=True)
class Plate:
    """Coverage of a rectangle (x0, y0, x1, y1) in um."""

    box: Box

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        return rectangle(view, self.box)

    def marks_um(self) -> dict[str, Points]:
        """The corners."""
        x0, y0, x1, y1 = self.box
        return {"corners": np.array([(x0, y0), (x1, y0), (x0, y1), (x1, y1)])}

    def facts(self) -> dict[str, float | str]:
        """None."""
        return {}


@dataclass(frozen=True)
class WirePieces:
    """Straight pieces (x0, y0, x1, y1) in um of round wires, `width_um` thick: their coverage, or,
    `lit`, how bright they are: the middle of a round wire mirrors the light, its flanks do not."""

    pieces: tuple[Box, ...]
    width_um: float
    lit: bool = False

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        total = np.zeros(view.shape, dtype=view.x.dtype)
        for x0, y0, x1, y1 in self.pieces:
            length = math.hypot(x1 - x0, y1 - y0)
            c, s = (x1 - x0) / length, (y1 - y0) / length
            x = view.x + (view.origin_um[0] - (x0 + x1) / 2)
            y = view.y + (view.origin_um[1] - (y0 + y1) / 2)
            across = y * c - x * s
            if self.lit:  # bright along the middle, whatever the end
                core = band(across, self.width_um / 6, view.sigma_um)
                near = band(x * c + y * s, length / 2 + self.width_um, view.sigma_um)
                total = np.maximum(total, core * near)
            else:
                one = band(across, self.width_um / 2, view.sigma_um)
                one = one * band(x * c + y * s, length / 2, view.sigma_um)
                total = np.minimum(total + one, 1.0).astype(view.x.dtype)
        return 0.25 + 0.6 * total if self.lit else total

    def marks_um(self) -> dict[str, Points]:
        """The ends of the pieces."""
        return {"ends": np.array(self.pieces, dtype=np.float64).reshape(-1, 2)}

    def facts(self) -> dict[str, float | str]:
        """Thickness."""
        return {"wire_um": self.width_um}


@dataclass(frozen=True)
class Level:
    """A scene at a height (um towards the lens), seen where `cover` is 1. `slope_um` is how much
    higher it is at the right and at the bottom edge of the picture than in the middle."""

    height_um: float
    scene: Scene
    cover: Scene
    slope_um: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class _Covered:
    """A level's own light: its scene where it covers, nothing elsewhere."""

    level: Level

    def paint(self, view: View) -> Image:
        light, cover = self.level.scene.paint(view), self.level.cover.paint(view)
        return np.asarray(light * (cover[..., None] if light.ndim == 3 else cover))

    def marks_um(self) -> dict[str, Points]:
        return {}

    def facts(self) -> dict[str, float | str]:
        return {}


@dataclass(frozen=True)
class Relief:
    """Levels from the lowest to the highest; the lowest covers everything."""

    levels: tuple[Level, ...]

    def seen(
        self, pose: Pose, optics: Optics, camera: Camera, focus_um: Sequence[float]
    ) -> Iterator[npt.NDArray[np.floating]]:
        """Mean picture on the sensor with the lens focused at each height in turn."""
        runs = []
        for level in self.levels:
            moments = [Moment(defocus_um=level.height_um - focus) for focus in focus_um]
            here = replace(optics, focus_tilt_um=level.slope_um)
            own = expected_moments(_Covered(level), pose, here, camera, moments)
            cover = None
            if not isinstance(level.cover, Everywhere):
                cover = expected_moments(level.cover, pose, here, camera, moments)
            runs.append((own, cover))
        for _ in focus_um:
            picture: npt.NDArray[np.floating] | float = 0.0
            for own, cover in runs:
                hidden = 1.0 if cover is None else next(cover) / camera.exposure
                picture = picture * (1 - hidden) + next(own)
            yield np.asarray(picture)

    def sharp(
        self, pose: Pose, optics: Optics, camera: Camera
    ) -> tuple[npt.NDArray[np.floating], npt.NDArray[np.float64]]:
        """The picture with every level in focus, and the height (um) of what is seen at each px:
        that of the topmost level that covers half of it."""
        x = (np.arange(camera.width) - (camera.width - 1) / 2) / (camera.width / 2)
        y = (np.arange(camera.height) - (camera.height - 1) / 2) / (camera.height / 2)
        found = np.zeros((camera.height, camera.width))
        picture: npt.NDArray[np.floating] | float = 0.0
        for level in self.levels:
            own = expected(_Covered(level), pose, optics, camera)
            cover = expected(level.cover, pose, optics, camera) / camera.exposure
            picture = picture * (1 - cover) + own
            plane = (
                level.height_um + level.slope_um[0] * x[None, :] + level.slope_um[1] * y[:, None]
            )
            share = cover if cover.ndim == 2 else cover[..., 1]
            found = np.where(share > 0.5, plane, found)
        return np.asarray(picture), found


BORDER_PX = 32
"""Px painted around the picture, so that a run may walk and breathe so far."""


@dataclass(frozen=True)
class StackRun:
    """Photos of a relief, focused at `focus_um` in turn.

    `breathing` is the relative change of magnification for each um of focus, `walk` the way (px)
    that the picture moves meanwhile, `turn_deg` how far it turns; `shake_px` a further random move
    of each photo. The light drifts by `drift` (relative, at the last photo). Light is even.

    A photo is its light moved by a spline of fifth order, which is exact as long as the lens passes
    nothing beyond half a cycle a px.
    """

    relief: Relief
    pose: Pose
    optics: Optics
    camera: Camera
    focus_um: tuple[float, ...]
    breathing: float = 0.0
    walk: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    shake_px: float = 0.0
    drift: float = 0.0
    seed: int = 0

    def matrix(self, number: int) -> npt.NDArray[np.float64]:
        """2 x 3, from (column, row) of the run's nominal picture to those of one photo."""
        rng = np.random.default_rng([self.seed, number, 61])
        way = self.focus_um[number] - self.focus_um[len(self.focus_um) // 2]
        turn = math.radians(self.turn_deg * way)
        scale = 1 + self.breathing * way
        c, s = scale * math.cos(turn), scale * math.sin(turn)
        middle = np.array([(self.camera.width - 1) / 2, (self.camera.height - 1) / 2])
        linear = np.array([[c, -s], [s, c]])
        shift = np.asarray(self.walk) * way + self.shake_px * rng.standard_normal(2)
        return np.column_stack([linear, middle + shift - linear @ middle])

    def lights(self) -> Iterator[npt.NDArray[np.floating]]:
        """Mean picture of each photo on the sensor."""
        count = max(1, len(self.focus_um) - 1)
        seen = self.relief.seen(self.pose, self.optics, self._wide, self.focus_um)
        for number, light in enumerate(seen):
            yield self._moved(light, number, 5) * (1 + self.drift * number / count)

    def photos(self) -> Iterator[tuple[Stored, bytes | None]]:
        """Every photo as stored, and its JPEG file if it has one."""
        for number, light in enumerate(self.lights()):
            yield develop(light, self.camera, 1000 * self.seed + number)

    def truth(self, number: int) -> tuple[npt.NDArray[np.floating], npt.NDArray[np.float64]]:
        """As one photo lies: the picture with everything in focus, without noise, linear light; and
        the place in the run (photos counted from 0) where each px is sharp."""
        picture, height = self.relief.sharp(self.pose, self.optics, self._wide)
        order = np.argsort(self.focus_um)
        ascending = np.asarray(self.focus_um)[order]
        places = np.interp(self._moved(height, number, 0), ascending, order.astype(np.float64))
        return self._moved(picture, number, 5), places

    @property
    def _wide(self) -> Camera:
        width, height = self.camera.width + 2 * BORDER_PX, self.camera.height + 2 * BORDER_PX
        return replace(self.camera, width=width, height=height)

    def _moved(
        self, wide: npt.NDArray[np.floating], number: int, order: int
    ) -> npt.NDArray[np.floating]:
        matrix = self.matrix(number)
        back = np.linalg.inv(matrix[:, :2])
        swap = np.array([[0.0, 1.0], [1.0, 0.0]])  # rows before columns
        linear = swap @ back @ swap
        offset = swap @ (-back @ matrix[:, 2]) + BORDER_PX
        shape = (self.camera.height, self.camera.width)
        planes = [wide] if wide.ndim == 2 else [wide[..., index] for index in range(3)]
        moved = [
            affine_transform(plane, linear, offset, shape, order=order, mode="nearest")
            for plane in planes
        ]
        return np.asarray(moved[0] if wide.ndim == 2 else np.stack(moved, axis=2))


def stacked_dies(
    heights_um: Sequence[float],
    field_um: tuple[float, float],
    *,
    wires: int = 3,
    wire_um: float = 8.0,
    loop_um: float = 0.0,
    slope_um: tuple[float, float] = (0.0, 0.0),
    feature_um: float = 2.5,
    seed: int = 0,
) -> Relief:
    """A cavity's floor, dies one upon the other at `heights_um` (the first is the floor's), and bond
    wires that rise `loop_um` above the top, in a field of so many um.

    Every surface bears something to see: the floor a ground texture, the dies their wiring.
    """
    rng = np.random.default_rng([seed, 67])
    width, height = field_um
    floor = Texture("cloud", detail_um=1.2 * feature_um, slope=0.9, mean=0.30, contrast=0.09,
                    seed=seed)  # fmt: skip
    levels = [Level(float(heights_um[0]), floor, Everywhere(), slope_um)]
    count = len(heights_um) - 1
    for number, above in enumerate(heights_um[1:]):
        left = width * (-0.36 + 0.24 * number + 0.04 * float(rng.uniform(-1, 1)))
        top = height * (-0.38 + 0.22 * number / max(1, count) + 0.03 * float(rng.uniform(-1, 1)))
        box = (left, top, 0.43 * width + 30 * (count - number), 0.40 * height)
        die = Die(feature_um=feature_um, wires=False,
                  seed=10 * seed + number + 1)  # fmt: skip
        levels.append(Level(float(above), die, Plate(box), slope_um))
    return Relief((*levels, *_bond_wires(levels, field_um, wires, wire_um, loop_um, rng)))


def _bond_wires(
    levels: Sequence[Level],
    field_um: tuple[float, float],
    wires: int,
    wire_um: float,
    loop_um: float,
    rng: np.random.Generator,
) -> list[Level]:
    """Wires from the top die out over the rim to the floor, an arc in four pieces of height."""
    width, height = field_um
    floor, top = levels[0].height_um, levels[-1].height_um
    pieces: dict[float, list[Box]] = {}
    for number in range(wires):
        y = height * (-0.3 + 0.6 * (number + 0.5) / wires) + 0.03 * height * float(
            rng.uniform(-1, 1)
        )
        start = np.array([width * 0.12, y])
        end = np.array([-width * 0.47, y + height * float(rng.uniform(-0.12, 0.12))])
        ends = [start + (end - start) * share for share in (0.0, 0.25, 0.6, 0.85, 1.0)]
        rise = (top + 0.6 * loop_um, top + loop_um, top + 0.3 * loop_um - 0.2 * (top - floor),
                floor + 0.3 * (top - floor))  # fmt: skip
        for above, one, other in zip(rise, ends, ends[1:], strict=False):
            (x0, y0), (x1, y1) = one.tolist(), other.tolist()
            pieces.setdefault(above, []).append((x0, y0, x1, y1))
    return [
        Level(above, WirePieces(tuple(some), wire_um, lit=True), WirePieces(tuple(some), wire_um))
        for above, some in sorted(pieces.items())
    ]
