"""The active array of a sensor in a photo of its whole die: the largest even rectangle upon it.

Between its drivers and pads the array is one even field of colour with four straight edges, whether
or not its pixels are resolved. It is found coarsely as a rectangle without inner edges, then each
side is placed where the colour changes, in some twenty pieces along it, by a robust line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.distortion import HIGHER_ORDER_PASSES, Frame, higher_orders
from glassay.errors import NotMeasurable
from glassay.fitting import crossing
from glassay.imaging.tone import FloatImage
from glassay.lattice.even_regions import Rectangle, candidates
from glassay.lattice.side import STEP_CONTRAST, Side, find_side
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]


EVEN_CELLS = 40
UNEVEN = 0.3
"""An array seen in 40 x 40 cells varies by less than this part of the change of colour at its
edges, after slow shading is taken off."""

SPECKLESS = 0.95
"""Part of the cells that must be so even: the others may hold specks."""

ALIKE = 1.6
"""Largest ratio between the changes of colour at the four sides: an array borders on the same
shielded pixels all around (simulated dies: up to 1.2; sides of something else mostly above 2)."""


PLACED = 0.25
FAINT_PLACED = 0.03
"""Standard uncertainty, px, of where a side is: the last pixels' windows end a part of a pitch
before their cells do, and drivers join without a gap; with the second part over the change of
colour, since what lies near a faint edge pulls at it (seen in simulated dies)."""

DISTORTION_BELIEVED = 0.1
"""Largest distortion at the corner that bowed sides are taken for: what shows more is no microscope."""

DISTORTION_LEFT = 3e-4
"""Standard uncertainty of the distortion at the corner beyond the scatter of the sides."""


@dataclass(frozen=True)
class Extent:
    """The array's outline: `corners` (4, 2) px in order around it from the top left, and its size
    along the two directions (nearest to horizontal first), px."""

    corners: Array
    width: Quantity
    height: Quantity
    tilt_deg: float


def find_extent(
    image: FloatImage,
    *,
    smooth_px: float = 0.0,
    distortion: float | None = None,
    frame: Frame | None = None,
) -> Extent:
    """Outline of the largest even rectangle in a picture (height, width[, 3]), linear light.

    `smooth_px` is the period of a pattern within it that is resolved (0: none); `distortion` that
    at the photo's corner where it is known; `frame` that of the photo where the picture is a part of
    it. Raises `NotMeasurable` when there is no such
    rectangle wholly in view.
    """
    planes = image[..., None] if image.ndim == 2 else image
    frame = frame or Frame.of(image.shape)
    reasons: list[str] = []
    for rectangle in candidates(planes, smooth_px):
        try:
            return _refined(planes, rectangle, smooth_px, distortion, frame)
        except NotMeasurable as error:
            reasons.append(str(error))
    raise NotMeasurable(
        reasons[0]
        if reasons
        else "no even rectangle lies wholly in view; photograph the whole array"
    )


def _refined(
    planes: FloatImage, rectangle: Rectangle, smooth_px: float, distortion: float | None,
    frame: Frame,
) -> Extent:  # fmt: skip
    middle, size, axes = level_axes(rectangle)
    sides = []
    for axis, sign in ((0, -1), (0, 1), (1, -1), (1, 1)):
        normal, along = sign * axes[axis], axes[1 - axis]
        foot = middle + normal * size[axis] / 2
        sides.append(find_side(planes, foot, normal, along, size[1 - axis], size[axis], smooth_px))
    contrasts = [side.contrast for side in sides]
    if min(contrasts) <= 0 or max(contrasts) > ALIKE * min(contrasts):
        raise NotMeasurable(
            "the sides of the largest even rectangle in the picture differ in contrast, so that it"
            " may be cut out of something larger; the array's own edges cannot be told"
        )
    return outlined(planes, sides, distortion, frame)


def level_axes(rectangle: Rectangle) -> tuple[Array, tuple[float, float], Array]:
    """Middle, size along the side nearest to horizontal and across it, and both directions (2, 2)."""
    middle, size, turned = rectangle
    angle = (turned + 45) % 90 - 45
    if abs(((turned - angle) / 90) % 2 - 1) < 0.5:
        size = (size[1], size[0])
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return np.array(middle), size, np.array([[c, s], [-s, c]])


def outlined(
    planes: FloatImage, sides: Sequence[Side], known: float | None, frame: Frame, even: bool = True
) -> Extent:
    """The outline from its four sides: left, right, top, bottom; `even` refuses one that is not even
    inside."""
    distortion = _bow(sides, frame) if known is None else Quantity(known, "1")
    if abs(distortion.value) > DISTORTION_BELIEVED:
        raise NotMeasurable("the sides of the even rectangle in the picture are not straight")
    sides = [
        replace(side, points=frame.undistorted(side.points, distortion.value)) for side in sides
    ]
    left, right, top, bottom = (side.line() for side in sides)
    corners = np.array(
        [crossing(left, top), crossing(right, top), crossing(right, bottom),
         crossing(left, bottom)]
    )  # fmt: skip
    across = corners[1] + corners[2] - corners[0] - corners[3]
    down = corners[2] + corners[3] - corners[0] - corners[1]
    seen = frame.distorted(corners, distortion.value)
    if even:
        _check_even(planes, seen, min(side.contrast for side in sides))
    return Extent(
        corners=seen,
        width=_size(across / 2, (sides[0], sides[1]), frame, distortion),
        height=_size(down / 2, (sides[2], sides[3]), frame, distortion),
        tilt_deg=math.degrees(math.atan2(across[1], across[0])),
    )


def _check_even(planes: FloatImage, corners: Array, contrast: float) -> None:
    """Refuse a rectangle with structure of its own: the die's outline, or a frame around the array."""
    side = EVEN_CELLS
    target = np.array([[0, 0], [side, 0], [side, side], [0, side]], dtype=np.float32) * 4 - 0.5
    turn = cv2.getPerspectiveTransform(corners.astype(np.float32), target)
    worst = 0.0
    y, x = np.mgrid[-1 : 1 : side * 1j, -1 : 1 : side * 1j]
    design = np.stack([np.ones_like(x), x, y, x * x, y * y, x * y], axis=-1).reshape(-1, 6)
    blur = max(1.0, min(math.dist(corners[0], corners[1]), math.dist(corners[1], corners[2]))
               / (2.5 * side))  # fmt: skip
    for plane in np.moveaxis(planes, 2, 0):
        soft = cv2.GaussianBlur(np.ascontiguousarray(plane, dtype=np.float32), (0, 0), blur)
        flat = cv2.warpPerspective(soft, turn, (side * 4, side * 4), flags=cv2.INTER_LINEAR)
        cells = cv2.resize(flat, (side, side), interpolation=cv2.INTER_AREA).astype(np.float64)
        tone = np.log(np.maximum(cells, 1e-6)).ravel()
        rest = tone - design @ np.linalg.lstsq(design, tone, rcond=None)[0]
        inner = np.abs(rest.reshape(side, side)[1:-1, 1:-1])  # the outermost cells hold the edges
        worst = max(worst, float(np.quantile(inner, SPECKLESS)))
    if worst > max(UNEVEN * contrast, STEP_CONTRAST / 2):
        raise NotMeasurable(
            "the largest rectangle in the picture is not even inside; the array's own edges cannot"
            " be told from what surrounds it"
        )


def _bow(sides: Sequence[Side], frame: Frame) -> Quantity:
    """Distortion at the picture's corner that makes all four sides straight.

    Under radial distortion x = u (1 + k r^2) a piece is moved outward by k r^2 times its distance
    from the axis along the side's normal; the fit is linear in k but for `higher_orders`.
    """
    rows, target = [], []
    for number, side in enumerate(sides):
        place = side.points - frame.axis
        line = np.zeros((len(place), 9))
        line[:, 2 * number] = 1
        line[:, 2 * number + 1] = (
            place @ np.array([-side.normal[1], side.normal[0]]) / frame.half_diagonal
        )
        line[:, 8] = frame.square(side.points) * (place @ side.normal)
        rows.append(line)
        target.append(place @ side.normal)
    design, offset = np.concatenate(rows), np.concatenate(target)
    square = np.concatenate([frame.square(side.points) for side in sides])
    solution, seen = np.zeros(9), offset
    for _ in range(HIGHER_ORDER_PASSES):
        offset = seen * (1 + higher_orders(float(solution[8]), square))
        solution = np.linalg.lstsq(design, offset, rcond=None)[0]
    freedom = offset.size - 9
    rest = offset - design @ solution
    u = math.sqrt(float(rest @ rest) / freedom * np.linalg.pinv(design.T @ design)[8, 8])
    return Quantity.of(float(solution[8]), u, "1", "bow of the sides", freedom)


def _size(vector: Array, sides: tuple[Side, Side], frame: Frame, distortion: Quantity) -> Quantity:
    length = math.hypot(*vector)
    square = float(frame.square(np.concatenate([side.points for side in sides])).mean())
    placed = [PLACED + FAINT_PLACED / side.contrast for side in sides]
    return Quantity(
        length, "px",
        (
            Contribution("scatter along the sides", math.hypot(*(side.u for side in sides))),
            Contribution("place of the sides", math.hypot(*placed), scope="reference"),
            Contribution("blurred border", math.hypot(*(side.u_border for side in sides)),
                         scope="setting"),
            Contribution("distortion", math.hypot(distortion.u, DISTORTION_LEFT)
                         * square * length, scope="setting"),
        ),
    )  # fmt: skip
