"""The active array of a sensor in a photo of its whole die: the largest even rectangle upon it.

Between its drivers and pads the array is one even field of colour with four straight edges, whether
or not its pixels are resolved. It is found coarsely as a rectangle without inner edges, then each
side is placed where the colour changes, in some twenty pieces along it, by a robust line.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, map_coordinates

from glassay.distortion import HIGHER_ORDER_PASSES, Frame, higher_orders
from glassay.errors import NotMeasurable
from glassay.fitting import scatter, spread
from glassay.imaging.tone import FloatImage
from glassay.lattice.border import place_edge
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Rectangle = tuple[tuple[float, float], tuple[float, float], float]
"""Middle (x, y), size (along, across), and direction of the first side in degrees, as OpenCV's."""

COARSE_PX = 360
"""Long side of the reduced picture in which the rectangle is looked for."""

RECTANGULAR = 0.88
"""Least part of its bounding rectangle that an even region must fill: corners get rounded by
smoothing; die backgrounds with bond wires and logic blocks fill 0.8 and less."""

SOFTNESS = (1.0, 2.2)
"""Smoothing of the reduced picture, px: against noise, and against moire within the array."""

MOST_RECTANGLES = 8

LEAST_OF_LARGEST = 0.3
"""Least area of a candidate over that of the largest: a sensor is mostly its array."""

LEAST_SHARE = 0.03
"""Least part of the picture that the array must fill to be measured to a fraction of a percent."""

PIECES = 24
"""Pieces into which a side is cut."""

FEWEST_PIECES = 8

EVEN_CELLS = 40
UNEVEN = 0.3
"""An array seen in 40 x 40 cells varies by less than this part of the change of colour at its
edges, after slow shading is taken off."""

SPECKLESS = 0.95
"""Part of the cells that must be so even: the others may hold specks."""

ALIKE = 1.6
"""Largest ratio between the changes of colour at the four sides: an array borders on the same
shielded pixels all around (simulated dies: up to 1.2; sides of something else mostly above 2)."""

STEP_CONTRAST = 0.02
"""Least change of colour at an edge, relative to the light inside."""

STEP_SHARE = 0.15
"""Part of the strongest change nearby from which a change of colour is taken for the array's edge."""

EARLY_SHARE = 0.12
"""The same over the whole width in which a side is looked for: beyond the array lie drivers and pads
with edges up to four times as strong (flat: 0.08 to 0.18)."""

RIPPLE_SHARE = 0.4
"""Both of these where single pixels are resolved: what smoothing leaves of them is no edge, and the
array's border is resolved too."""

OVER = 0.5
"""Part of a change's steepest place to which it must fall before the next counts as another one."""

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
    for rectangle in _candidates(planes, smooth_px):
        try:
            return _refined(planes, rectangle, smooth_px, distortion, frame)
        except NotMeasurable as error:
            reasons.append(str(error))
    raise NotMeasurable(
        reasons[0]
        if reasons
        else "no even rectangle lies wholly in view; photograph the whole array"
    )


def _candidates(planes: FloatImage, smooth_px: float) -> Iterator[Rectangle]:
    """Even rectangular regions, largest first, in px of the picture."""
    height, width = planes.shape[:2]
    factor = _coarse_factor((height, width))
    size = (round(width / factor), round(height / factor))
    small = np.asarray(cv2.resize(planes, size, interpolation=cv2.INTER_AREA), np.float32)
    small = small.reshape(size[1], size[0], -1)
    found: list[tuple[float, Rectangle]] = []
    for soft in SOFTNESS:
        soft = max(soft, smooth_px / factor)
        change = _change(small, soft)
        for limit in np.quantile(change, np.linspace(0.3, 0.85, 12)):
            found += _regions((change < limit).astype(np.uint8), soft)
    found.sort(key=lambda pair: -pair[0])
    kept = _different([rectangle for _, rectangle in found])
    largest = max((extent[0] * extent[1] for _, extent, _ in kept), default=0.0)
    for middle, extent, angle in kept:
        if extent[0] * extent[1] < LEAST_OF_LARGEST * largest:
            continue  # drivers and scribe lanes beside an array that was itself refused
        place = ((middle[0] + 0.5) * factor - 0.5, (middle[1] + 0.5) * factor - 0.5)
        yield place, (extent[0] * factor, extent[1] * factor), angle


def _coarse_factor(shape: tuple[int, ...]) -> float:
    return max(1.0, max(shape) / COARSE_PX)


def _margin(soft: float) -> float:
    """By how much smoothing makes an even region smaller, coarse px, at most."""
    return 1.5 * soft + 1


def _grown_px(shape: tuple[int, ...], smooth_px: float) -> float:
    """The largest margin by which a candidate was grown, px of the picture."""
    factor = _coarse_factor(shape)
    return factor * _margin(max(*SOFTNESS, smooth_px / factor))


def _change(small: FloatImage, soft: float) -> Array:
    """How fast colour changes from px to px, relative to the light: logarithms."""
    blurred = cv2.GaussianBlur(small, (0, 0), soft).reshape(small.shape)
    tone = np.log(np.maximum(blurred, 1e-3 * float(blurred.max())) + 1e-12)
    change = np.zeros(small.shape[:2])
    for plane in np.moveaxis(tone, 2, 0):
        plane = np.ascontiguousarray(plane)
        gx = cv2.Sobel(plane, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
        gy = cv2.Sobel(plane, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
        change = np.maximum(change, np.hypot(gx, gy))
    return change


def _different(rectangles: list[Rectangle]) -> list[Rectangle]:
    """The first few that are not nearly the same as one before."""
    kept: list[Rectangle] = []
    for one in rectangles:
        alike = any(
            math.dist(one[0], other[0]) < 0.03 * max(other[1])
            and abs(one[1][0] * one[1][1] / (other[1][0] * other[1][1]) - 1) < 0.1
            for other in kept
        )
        if not alike:
            kept.append(one)
        if len(kept) == MOST_RECTANGLES:
            break
    return kept


def _regions(even: npt.NDArray[np.uint8], soft: float) -> list[tuple[float, Rectangle]]:
    """Connected even regions that are rectangles within the picture, with their areas."""
    kernel = np.ones((3, 3), np.uint8)
    opened = cv2.morphologyEx(even, cv2.MORPH_OPEN, kernel, iterations=2)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    found = []
    for label in range(1, count):
        area = float(stats[label, cv2.CC_STAT_AREA])
        x, y, w, h = stats[label, :4]
        inside = x > 0 and y > 0 and x + w < even.shape[1] and y + h < even.shape[0]
        if area < LEAST_SHARE * even.size or not inside:
            continue
        region = (labels == label).astype(np.uint8)
        # specks within do not make the array less of a rectangle
        outline, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        contour = max(outline, key=cv2.contourArea)
        middle, size, angle = cv2.minAreaRect(contour)
        if cv2.contourArea(contour) < RECTANGULAR * (size[0] * size[1] + 1e-9):
            continue
        grown = (size[0] + 2 * _margin(soft), size[1] + 2 * _margin(soft))
        found.append((area, ((float(middle[0]), float(middle[1])), grown, float(angle))))
    return found


def _refined(
    planes: FloatImage, rectangle: Rectangle, smooth_px: float, distortion: float | None,
    frame: Frame,
) -> Extent:  # fmt: skip
    middle, size, axes = level_axes(rectangle)
    sides = []
    for axis, sign in ((0, -1), (0, 1), (1, -1), (1, 1)):
        normal, along = sign * axes[axis], axes[1 - axis]
        foot = middle + normal * size[axis] / 2
        sides.append(_side(planes, foot, normal, along, size[1 - axis], size[axis], smooth_px))
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
        [_crossing(left, top), _crossing(right, top), _crossing(right, bottom),
         _crossing(left, bottom)]
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


@dataclass(frozen=True)
class Side:
    """A side of the array as found: its pieces (n, 2) px, the direction outward, the standard
    uncertainties of its place by their scatter and by the border, and the change of colour there."""

    points: Array
    normal: Array
    u: float
    contrast: float
    u_border: float

    def line(self) -> tuple[Array, Array]:
        """A point and the direction of the straight line through the pieces."""
        middle = self.points.mean(axis=0)
        return middle, np.linalg.svd(self.points - middle)[2][0]


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


def _side(
    planes: FloatImage, foot: Array, normal: Array, along: Array, length: float, depth: float,
    smooth_px: float,
) -> Side:  # fmt: skip
    """One side of the array, near the line through `foot` along `along`; `normal` points outward."""
    reach = max(8.0, 0.06 * depth, 3 * smooth_px)
    inside = 0.3 * reach + _grown_px(planes.shape[:2], smooth_px)  # surely within, however coarse
    across = np.arange(-inside - 0.7 * reach, reach + 0.25, 0.5)
    spots = np.linspace(-0.42, 0.42, PIECES) * length
    per_piece = max(3, min(64, int(length / PIECES)))
    profiles = {}
    for spot in spots:
        t = spot + np.linspace(-0.5, 0.5, per_piece) * 0.84 * length / PIECES
        place = foot + t[:, None, None] * along + across[None, :, None] * normal
        if place.min() >= 0 and (place <= np.array(planes.shape[1::-1]) - 1).all():
            profiles[float(spot)] = _profile(planes, place, smooth_px)
    if len(profiles) < FEWEST_PIECES:
        raise NotMeasurable("the even rectangle in the picture reaches its border")
    early, share = (RIPPLE_SHARE, RIPPLE_SHARE) if smooth_px else (EARLY_SHARE, STEP_SHARE)
    main = _first_step(across, np.median(list(profiles.values()), axis=0), inside, early)
    if main is None:
        raise NotMeasurable("one side of the even rectangle in the picture is no clear edge")
    # piece by piece near that place, which a lean of half a degree and a blur may move
    near = max(4.0, 0.01 * length, 1.5 * smooth_px)
    found = []
    for spot, profile in profiles.items():
        place_px = _half_way(across, profile, main, near, share)
        if place_px is not None:
            found.append((spot, place_px))
    if len(found) < FEWEST_PIECES:
        raise NotMeasurable("one side of the even rectangle in the picture is no clear edge")
    t, offset = np.array(found).T
    slope, intercept, scatter, kept = robust_line(t, offset)
    if scatter > max(2.0, 0.01 * depth) or kept.sum() < FEWEST_PIECES:
        raise NotMeasurable("a side of the even rectangle in the picture is not straight")
    direction = along + slope * normal
    shift, half_range = _edge_of_border(
        planes, foot + intercept * normal, direction, normal, length, reach, smooth_px
    )
    profile = np.median(list(profiles.values()), axis=0)
    if (across > main + 0.4 * near).sum() < 2 or (across < main - near).sum() < 4:
        raise NotMeasurable("one side of the even rectangle in the picture is no clear edge")
    contrast = _first_top(across, _distance(across, profile, main - near), main)
    points = foot + t[kept, None] * along + (offset[kept, None] + shift) * normal
    return Side(points, normal, scatter / math.sqrt(kept.sum()), contrast,
                 half_range / math.sqrt(3))  # fmt: skip


def _edge_of_border(
    planes: FloatImage, foot: Array, along: Array, normal: Array, length: float, reach: float,
    smooth_px: float,
) -> tuple[float, float]:  # fmt: skip
    """How far outward of the line through `foot` the edge is that a blurred border's dip hides, and
    half the range of it: the mean profile across the whole side, straightened by that line."""
    if smooth_px:  # a lens that shows single pixels also shows a border of several
        return 0.0, 0.0
    across = np.arange(-reach, reach + 0.25, 0.5)
    profiles = []
    for t in np.array_split(np.linspace(-0.42, 0.42, 10 * PIECES) * length, PIECES):
        place = foot + t[:, None, None] * along + across[None, :, None] * normal
        if place.min() >= 0 and (place <= np.array(planes.shape[1::-1]) - 1).all():
            profiles.append(_profile(planes, place, smooth_px))
    if not profiles:
        return 0.0, 0.0
    edge = place_edge(across, np.median(profiles, axis=0), 0.0)
    return (edge.place, edge.half_range) if edge is not None else (0.0, 0.0)


def _profile(planes: FloatImage, place: Array, smooth_px: float) -> Array:
    """Mean light across the edge, (steps across, colours)."""
    values = np.stack(
        [
            map_coordinates(
                plane, [place[..., 1], place[..., 0]], np.float32, order=1, prefilter=False
            ).mean(axis=0)
            for plane in np.moveaxis(planes, 2, 0)
        ],
        axis=1,
    )
    sigma = max(1.0, 0.55 * smooth_px) / 0.5  # profiles are sampled every half px
    return np.asarray(gaussian_filter1d(values.astype(np.float64), sigma, axis=0, mode="nearest"))


def _distance(across: Array, profile: Array, until: float) -> Array:
    """How far the colour is from that of the inside (with its shading), relative to its light."""
    within = across < until
    design = np.stack([np.ones_like(across), across - across[0]], axis=1)
    shading = design @ np.linalg.lstsq(design[within], profile[within], rcond=None)[0]
    level = np.maximum(np.median(profile[within], axis=0), 1e-4)
    return np.asarray((np.abs(profile - shading) / level).max(axis=1))


def _first_step(across: Array, profile: Array, inside: float, share: float) -> float | None:
    """Where, going outward, the colour first leaves that of the inside for good."""
    distance = _distance(across, profile, -inside)
    quiet = float(np.quantile(distance[across < -inside], 0.95))
    limit = max(STEP_CONTRAST, 4 * quiet)
    change = np.where(across > -inside, np.gradient(distance, across), 0.0)
    for peak in _peaks(change, share):
        low = peak
        while low > 0 and distance[low - 1] < distance[low]:
            low -= 1
        if _first_top(across, distance, float(across[peak])) - distance[low] > limit:
            return float(across[peak])
    return None


def _first_top(across: Array, distance: Array, main: float) -> float:
    """How far the colour gets from the inside's next to the edge: the depth of a narrow border, whose
    own far side lets the colour return or go on to something else."""
    index = int(np.argmin(np.abs(across - main)))
    while index + 1 < distance.size and distance[index + 1] > distance[index]:
        index += 1
    return float(distance[index])


def _peaks(change: Array, share: float) -> list[int]:
    """Places, going outward, where a change peaks that is this part of the largest, and is nearly over
    before a larger one comes: not the foot of that."""
    inner = np.concatenate([[-np.inf], change[:-1]])
    outer = np.concatenate([change[1:], [-np.inf]])
    peaks = (change >= inner) & (change > outer) & (change >= share * change.max())
    found = []
    for index in np.flatnonzero(peaks):
        rest = change[index:]
        until = int(np.argmax(rest > rest[0])) or rest.size
        if until == rest.size or rest[:until].min() < OVER * rest[0]:
            found.append(int(index))
    return found


def _innermost_step(change: Array, share: float) -> int:
    """The first place, going outward, where a change peaks that is a good part of the largest:
    a narrow border of shielded pixels has a second edge close by, often a stronger one."""
    peaks = _peaks(change, share)
    return peaks[0] if peaks else int(np.argmax(change))


def _half_way(
    across: Array, profile: Array, main: float, near: float, share: float
) -> float | None:
    """The edge near `main`: half-way from the inside's colour to the next colour outside."""
    here = np.abs(across - main) <= near
    if here.sum() < 4 or (across < main - near).sum() < 4:
        return None
    distance = _distance(across, profile, main - near)[here]
    place = across[here]
    change = np.gradient(distance, place)
    peak = _innermost_step(np.where(np.abs(place - main) < 0.7 * near, change, -np.inf), share)
    if change[peak] <= 0:
        return None
    top, bottom = peak, peak
    while top + 1 < change.size and change[top + 1] > 0.2 * change[peak]:
        top += 1
    while bottom > 0 and change[bottom - 1] > 0.2 * change[peak]:
        bottom -= 1
    half = (distance[bottom] + distance[top]) / 2
    index = bottom + int(np.argmax(distance[bottom : top + 1] >= half))
    if index == 0 or distance[index] == distance[index - 1]:
        return float(place[index])
    part = (half - distance[index - 1]) / (distance[index] - distance[index - 1])
    return float(place[index - 1] + part * (place[index] - place[index - 1]))


def robust_line(t: Array, offset: Array) -> tuple[float, float, float, Flags]:
    """Slope, place, scatter, and which pieces were kept: those near a parabola, since distortion bows
    the side."""
    middle = float(np.median(offset))
    kept = np.abs(offset - middle) < 4 * spread(offset) + 1.0
    off = np.zeros(t.size)
    for _ in range(6):
        off = offset - np.polyval(np.polyfit(t[kept], offset[kept], 2), t)
        again = np.abs(off) < 3 * scatter(off[kept]) + 0.05
        if bool((again == kept).all()) or again.sum() < 4:
            break
        kept = again
    slope, intercept = np.polyfit(t[kept], offset[kept], 1)
    return float(slope), float(intercept), float(off[kept].std()), kept


def _crossing(one: tuple[Array, Array], other: tuple[Array, Array]) -> Array:
    (point, direction), (start, way) = one, other
    t = np.linalg.solve(np.stack([direction, -way], axis=1), start - point)
    return np.asarray(point + t[0] * direction)


def _size(vector: Array, sides: tuple[Side, Side], frame: Frame, distortion: Quantity) -> Quantity:
    length = math.hypot(*vector)
    square = float(frame.square(np.concatenate([side.points for side in sides])).mean())
    placed = [PLACED + FAINT_PLACED / side.contrast for side in sides]
    return Quantity(
        length, "px",
        (
            Contribution("scatter along the sides", math.hypot(*(side.u for side in sides))),
            Contribution("place of the sides", math.hypot(*placed)),
            Contribution("blurred border", math.hypot(*(side.u_border for side in sides))),
            Contribution("distortion", math.hypot(distortion.u, DISTORTION_LEFT)
                         * square * length),
        ),
    )  # fmt: skip
