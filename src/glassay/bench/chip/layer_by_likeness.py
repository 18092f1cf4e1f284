"""A layer laid on its die by what both show: registered as the same chip in two photos is.

Rim and pads alone do not tell a die from its mirror image, so the inside must agree, too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.bench.chip.die_pictures import DiePicture
from glassay.die import DieResult
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging import Photo
from glassay.imaging.tone import FloatImage
from glassay.match import MatchResult, match
from glassay.quantity import Quantity, combine

Points = npt.NDArray[np.float64]

REGISTERED_PX = 1600
"""Longer side to which die and layer are brought before they are registered: blocks are placed to some
hundredths of a px, and a pair takes seconds."""

ROOM = 0.04
"""Surround of the die that is taken along, in parts of its longer side: its rim helps where little else
is alike."""

MOST_APART = 8.0
"""Ratio of the px sizes up to which a layer without a scale of its own is looked for."""

METHOD = "registered by blocks that look alike"


@dataclass(frozen=True)
class ByLikeness:
    """How a layer lies on its die. `um_px` is the size of a px of the reduced die, whose surround is
    `room_um` wide; `layer_step` px (across, down) of the layer's photo make one of the reduced layer,
    which was mirrored first where `mirrored_in` (px, the photo's width) is told; `share` is the part of
    the die that the layer shows."""

    found: MatchResult
    um_px: float
    room_um: float
    layer_step: tuple[float, float]
    share: float
    mirrored_in: int | None = None

    @property
    def residual(self) -> Quantity:
        """Weighted rms of what the mapping leaves of the blocks' places, um on the die."""
        ratio = self.found.scale_ratio.value
        size = Quantity(self.um_px * min(1.0, ratio), "um/px")
        return combine(lambda n, one: n * one, (self.found.residual, size), "um")

    def findings(self) -> dict[str, Finding]:
        """residual (um), rotation (deg, of the layer against the die laid level), share (of the die
        that is shown), likeness (correlation of the blocks)."""
        return {
            "residual": Finding(self.residual, METHOD),
            "rotation": Finding(self.found.rotation, METHOD),
            "share": Finding(Quantity(self.share, "1"), "overlap of the pictures"),
            "likeness": Finding(Quantity(self.found.correlation, "1"), "correlation of the blocks"),
        }

    @property
    def notes(self) -> tuple[str, ...]:
        """What must be known of how it was registered."""
        return tuple(note.replace("the photos", "layer and die") for note in self.found.notes)

    def in_picture(self, places_um: npt.ArrayLike) -> Points:
        """Places on the die (n, 2), um, as px of the layer's photo as it was taken."""
        reduced = (np.asarray(places_um, np.float64) + self.room_um) / self.um_px - 0.5
        there = self.found.mapping(reduced)
        out = (there + 0.5) * self.layer_step - 0.5
        if self.mirrored_in is not None:
            out[:, 0] = self.mirrored_in - 1 - out[:, 0]
        return np.asarray(out)


@dataclass(frozen=True)
class Reduced:
    """The die laid level with some surround: light, size of a px and width of the surround, um."""

    light: FloatImage
    um_px: float
    room_um: float
    size_um: tuple[float, float]

    @classmethod
    def of(cls, picture: DiePicture, result: DieResult) -> Reduced:
        """The die of a picture, as it is registered."""
        width, height = result.outline.width.value, result.outline.height.value
        longest = max(width, height) * (1 + 2 * ROOM)
        step, room = max(1.0, longest / REGISTERED_PX), ROOM * max(width, height)
        light = result.outline.levelled(picture.photo.measuring_grey(), step, room)
        per = result.per_px
        return cls(light, step * per, room * per, (width * per, height * per))


def lay_by_likeness(base: Reduced, picture: DiePicture, mirrored: bool) -> ByLikeness:
    """Register a layer's picture to the die. Raises `NotMeasurable` where it cannot be, or where it is
    not told which way round it lies."""
    photo = picture.photo
    step = max(1.0, max(photo.width, photo.height) / REGISTERED_PX)
    light = _reduced(photo, step)
    if mirrored:
        light = np.ascontiguousarray(light[:, ::-1])
    own = None if picture.pixel_size is None else picture.pixel_size.value * step
    found = match(
        base.light, light, most_apart=MOST_APART,
        pixel_size_1=None if own is None else base.um_px, pixel_size_2=own,
    )  # fmt: skip
    reason = other_way_round(base, light, found)
    if reason:
        raise NotMeasurable(reason)
    return ByLikeness(
        found, base.um_px, base.room_um,
        (photo.width / light.shape[1], photo.height / light.shape[0]),
        _share(base, found), photo.width if mirrored else None,
    )  # fmt: skip


def _reduced(photo: Photo, step: float) -> FloatImage:
    light = photo.measuring_grey()
    if step == 1.0:
        return light
    size = (max(1, round(photo.width / step)), max(1, round(photo.height / step)))
    return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32)


def _share(base: Reduced, found: MatchResult) -> float:
    """Part of the die that lies within the layer's picture."""
    width, height = base.size_um
    grid = np.stack(np.meshgrid(np.linspace(0, width, 40), np.linspace(0, height, 40)), axis=-1)
    at = found.mapping((grid.reshape(-1, 2) + base.room_um) / base.um_px - 0.5)
    rows, columns = found.mapping.to_shape
    inside = (at > -0.5).all(axis=1) & (at < np.array([columns, rows]) - 0.5).all(axis=1)
    return float(inside.mean())


INSIDE = 0.2
"""Part of the die's sides that is left out along the rim when layers are held against each other the
other way round: rim and pads look alike either way."""

BLOCKS = 7
"""The inside is compared in so many blocks across and down."""

CLEAR = 4.0
"""Standard errors by which the blocks must agree better as they lie than by chance, and than any other
way round (common practice, no source). Drawn dies agreed by 0.99 as they lie, by 0.14 at most
otherwise, with an error of 0.03."""

WAYS = ("a mirror image", "a mirror image, upside down", "turned by half a turn",
        "turned by a quarter, and mirrored", "turned by three quarters, and mirrored",
        "turned by a quarter", "turned by three quarters")  # fmt: skip
"""How else a die's rim and pads may fit; a quarter only where the die is about square."""

SQUARE = 0.1
"""Relative difference of the sides up to which it is."""


def other_way_round(base: Reduced, layer: FloatImage, found: MatchResult) -> str:
    """Why a layer cannot be taken to lie as it was found; "" where it can.

    Rim and pads of a die are about symmetric, so that a mirror image fits them as well: the inside of
    the die must agree, and better than any other way round.
    """
    mine, its = _insides(base, layer, found)
    here = _agreement(mine, its)
    if here.size < BLOCKS:
        return "too little of the inside of the die is seen to tell which way round it lies"
    others = [its[:, ::-1], its[::-1], its[::-1, ::-1]]
    if abs(base.size_um[0] / base.size_um[1] - 1) < SQUARE:
        turned = np.asarray(cv2.resize(np.ascontiguousarray(its.T), its.shape[::-1]), np.float32)
        others += [turned, turned[::-1, ::-1], turned[:, ::-1], turned[::-1]]
    for way, other in zip(WAYS, others, strict=False):
        there = _agreement(mine, other)
        if there.size >= BLOCKS and there.mean() > here.mean() + CLEAR * _error(there, here):
            return f"its inside fits better as {way}: say mirrored, or turn the picture"
    best = max((_agreement(mine, other).mean() for other in others), default=0.0)
    if here.mean() < max(0.0, best) + CLEAR * _error(here):
        return (
            "the pictures agree in rim and pads only; nothing inside the die tells that it is the same"
            " one, or which way round it lies"
        )
    return ""


def _error(*samples: Points) -> float:
    return math.sqrt(sum(float(one.var(ddof=1)) / one.size for one in samples))


def _insides(base: Reduced, layer: FloatImage, found: MatchResult) -> tuple[FloatImage, FloatImage]:
    """How much the light changes inside the die, and in the layer there (NaN: not seen)."""
    u, v = (np.arange(INSIDE * side, (1 - INSIDE) * side, base.um_px) for side in base.size_um)
    grid = (np.stack(np.meshgrid(u, v), axis=-1) + base.room_um) / base.um_px - 0.5
    out = []
    for light, at in ((base.light, grid), (layer, found.mapping(grid.reshape(-1, 2)))):
        at = at.reshape(grid.shape).astype(np.float32)
        value = cv2.remap(
            light, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
            borderValue=math.nan,
        )  # fmt: skip
        soft = cv2.GaussianBlur(value, (0, 0), SOFT_PX)
        change = np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1))
        out.append(np.asarray(change, np.float32))
    return out[0], out[1]


SOFT_PX = 2.0
"""Softening of both before they are compared, px of the reduced die: layers differ in sharpness."""


def _agreement(one: FloatImage, other: FloatImage) -> Points:
    """Correlation in each block in which both are seen."""
    found = []
    for rows, columns in ((r, c) for r in range(BLOCKS) for c in range(BLOCKS)):
        part = tuple(
            slice(n * side // BLOCKS, (n + 1) * side // BLOCKS)
            for n, side in zip((rows, columns), one.shape, strict=True)
        )
        a, b = one[part].ravel(), other[part].ravel()
        if np.isfinite(a).all() and np.isfinite(b).all() and a.std() > 0 and b.std() > 0:
            found.append(float(np.corrcoef(a, b)[0, 1]))
    return np.array(found)
