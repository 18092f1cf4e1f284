"""Irregular surfaces without any structure to measure, and dirt on top of other scenes."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from glassay.simulate.geometry import Image, Points
from glassay.simulate.paint import Scene, View
from glassay.simulate.scales import RuledScale
from glassay.simulate.shapes import Shape, disc, draw, grey

_TEXELS = 512


@dataclass(frozen=True)
class Texture:
    """A surface that repeats nowhere in sight: "cloud" (power law of `slope`), "grain" (cells of
    one size), "brushed" (long scratches along x), "weave" (irregular threads) or "speckle".
    `detail_um` is the size of the finest structure."""

    kind: Literal["cloud", "grain", "brushed", "weave", "speckle"] = "cloud"
    detail_um: float = 2.0
    slope: float = 1.2
    mean: float = 0.45
    contrast: float = 0.15
    seed: int = 0

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        tile = _tile(self.kind, self.slope, self.seed)
        texel = self.detail_um / 2
        soft = view.sigma_um / texel
        if soft > 0.3:
            around = cv2.GaussianBlur(np.tile(tile, (3, 3)), (0, 0), min(soft, _TEXELS / 4))
            inner = slice(_TEXELS, 2 * _TEXELS)
            tile = np.asarray(around[inner, inner], dtype=np.float32)
        # the tile is turned and mirrored so that its repeats do not line up with the picture
        c, s = math.cos(0.37), math.sin(0.37)
        x, y = view.x + view.origin_um[0], view.y + view.origin_um[1]
        if self.kind in ("brushed", "weave"):
            c, s = 1.0, 0.0
        column, row = (x * c + y * s) / texel, (y * c - x * s) / texel
        value = map_coordinates(
            tile, [row, column], x.dtype, order=1, mode="grid-wrap", prefilter=False
        )
        return np.asarray(np.clip(self.mean + self.contrast * value, 0, 1))

    def marks_um(self) -> dict[str, Points]:
        """None."""
        return {}

    def facts(self) -> dict[str, float | str]:
        """None."""
        return {}


@lru_cache(maxsize=32)
def _tile(kind: str, slope: float, seed: int) -> npt.NDArray[np.float32]:
    """A periodic tile of zero mean and unit standard deviation."""
    rng = np.random.default_rng([seed, 23])
    fy = np.abs(np.fft.fftfreq(_TEXELS))[:, None]
    fx = np.fft.rfftfreq(_TEXELS)[None, :]
    noise = np.fft.rfft2(rng.standard_normal((_TEXELS, _TEXELS)))
    f = np.hypot(fx, fy)
    f[0, 0] = 1
    if kind == "cloud":
        shape = f**-slope
    elif kind == "grain":
        shape = np.exp(-((f - 0.12) ** 2) / (2 * 0.02**2))
    elif kind == "brushed":
        shape = np.exp(-((fx / 0.004) ** 2)) * (0.02 + fy) ** -0.5
    elif kind == "weave":
        across = np.exp(-((fx - 0.06) ** 2 + fy**2) / (2 * 0.004**2))
        shape = across + np.exp(-((fy - 0.075) ** 2 + fx**2) / (2 * 0.004**2))
    else:
        shape = (f < 0.2).astype(float)
    shape[0, 0] = 0
    tile = np.fft.irfft2(noise * shape, s=(_TEXELS, _TEXELS))
    if kind == "speckle":
        tile = -np.log1p(-np.clip(_rank(tile), 0, 0.999))
    elif kind == "grain":
        tile = np.tanh(3 * tile / tile.std())
    tile -= tile.mean()
    return np.asarray(tile / tile.std(), dtype=np.float32)


def _rank(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    order = values.ravel().argsort().argsort()
    return np.asarray(order.reshape(values.shape) / values.size)


@dataclass(frozen=True)
class Dust:
    """Specks (dark or bright, flat discs with ragged rims) and fibres over `extent_um` around the
    middle. `value` is their reflectance."""

    specks: int = 25
    fibres: int = 2
    size_um: float = 8.0
    extent_um: float = 1500.0
    value: float = 0.12
    opacity: float = 0.85
    seed: int = 0

    def shapes(self) -> list[Shape]:
        """The dirt as drawn shapes."""
        rng = np.random.default_rng([self.seed, 29])
        found = []
        for _ in range(self.specks):
            x, y = rng.uniform(-0.5, 0.5, 2) * self.extent_um
            rim = disc(0, 0, 1, 17) * rng.uniform(0.6, 1.3, (17, 1))
            radius = self.size_um / 2 * rng.lognormal(0, 0.6)
            found.append(Shape(rim * radius + (x, y), grey(self.value), 0.0, self.opacity))
        for _ in range(self.fibres):
            start = rng.uniform(-0.5, 0.5, 2) * self.extent_um
            turn = np.cumsum(rng.normal(0, 0.35, 24)) + rng.uniform(0, 2 * math.pi)
            walk = np.cumsum(np.stack([np.cos(turn), np.sin(turn)], axis=1), axis=0)
            points = start + walk * self.size_um * 0.8
            found.append(Shape(points, grey(self.value), self.size_um / 6, self.opacity))
        return found


@dataclass(frozen=True)
class Scratches:
    """Long, nearly straight scratches at any angle over `extent_um` around the middle."""

    count: int = 6
    width_um: float = 1.5
    extent_um: float = 1500.0
    value: float = 0.95
    opacity: float = 0.7
    seed: int = 0

    def shapes(self) -> list[Shape]:
        """The scratches as drawn shapes."""
        rng = np.random.default_rng([self.seed, 31])
        found = []
        for _ in range(self.count):
            middle = rng.uniform(-0.5, 0.5, 2) * self.extent_um
            angle, length = rng.uniform(0, math.pi), rng.uniform(0.2, 1.0) * self.extent_um
            t = np.linspace(-0.5, 0.5, 12)
            along = np.array([math.cos(angle), math.sin(angle)])
            across = np.array([-along[1], along[0]])
            bow = rng.normal(0, 0.02) * length * (t**2 - 0.25)
            points = middle + np.outer(t * length, along) + np.outer(bow, across)
            width = self.width_um * rng.lognormal(0, 0.4)
            found.append(Shape(points, grey(self.value), width, self.opacity))
        return found


@dataclass(frozen=True)
class Overlaid:
    """A scene with dirt or drawings on top of it."""

    base: Scene
    over: tuple[Dust | Scratches, ...] = ()

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        picture = self.base.paint(view)
        for layer in self.over:
            picture = draw(view, picture, layer.shapes())
        return picture

    def marks_um(self) -> dict[str, Points]:
        """Those of the base."""
        return self.base.marks_um()

    def facts(self) -> dict[str, float | str]:
        """Those of the base."""
        return self.base.facts()


@dataclass(frozen=True)
class ScaleOver:
    """A ruled scale on a transparent slide lying on another scene."""

    scale: RuledScale
    ground: Scene

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        return self.scale.draw_on(view, self.ground.paint(view))

    def marks_um(self) -> dict[str, Points]:
        """Those of the scale."""
        return self.scale.marks_um()

    def facts(self) -> dict[str, float | str]:
        """Those of the scale."""
        return self.scale.facts()


@dataclass(frozen=True, eq=False)
class Drawn:
    """A scene given by a formula: `reflectance(x_um, y_um)` on arrays. It is sampled as it is, so
    it must itself be smooth on the scale of a pixel, or aliasing is part of the truth."""

    reflectance: Callable[[Image, Image], Image]

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        x, y = view.x + view.origin_um[0], view.y + view.origin_um[1]
        return np.asarray(self.reflectance(x, y), dtype=x.dtype)

    def marks_um(self) -> dict[str, Points]:
        """None."""
        return {}

    def facts(self) -> dict[str, float | str]:
        """None."""
        return {}


@dataclass(frozen=True, eq=False)
class Photographed:
    """Any picture, (rows, columns) or (rows, columns, 3) of linear light, laid under the microscope
    with `texel_um` a pixel and its middle at (0, 0), mirrored beyond its rim."""

    picture: npt.NDArray[np.float32]
    texel_um: float = 1.0

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        rows, columns = self.picture.shape[:2]
        soft = view.sigma_um / self.texel_um
        picture = np.asarray(self.picture, dtype=np.float32)
        if soft > 0.3:
            blurred = cv2.GaussianBlur(picture, (0, 0), soft, borderType=cv2.BORDER_REFLECT)
            picture = np.asarray(blurred, dtype=np.float32)
        column = (view.x + view.origin_um[0]) / self.texel_um + (columns - 1) / 2
        row = (view.y + view.origin_um[1]) / self.texel_um + (rows - 1) / 2
        planes = picture[..., None] if picture.ndim == 2 else picture
        painted = [
            map_coordinates(p, [row, column], view.x.dtype, order=3, mode="reflect")
            for p in np.moveaxis(planes, 2, 0)
        ]
        return painted[0] if picture.ndim == 2 else np.stack(painted, axis=2)

    def marks_um(self) -> dict[str, Points]:
        """None."""
        return {}

    def facts(self) -> dict[str, float | str]:
        """None."""
        return {}
