"""Crossed grids and dot grids: pixel size along both axes, from the lattice of their cells or dots.

A crossed grid's bright (or dark) cells and a dot grid's dots are both isolated spots on a lattice.
Spots are found by local thresholding, indexed by walking from neighbour to neighbour, and the
lattice is fitted to their centroids by robust least squares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from glassay.distortion import (
    HIGHER_ORDER_PASSES,
    Frame,
    at_picture_corner,
    higher_orders,
    posterior,
)
from glassay.errors import NotMeasurable
from glassay.field_stop import FieldStop
from glassay.fitting import Trimmed, is_better, trimmed_fit
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity
from glassay.scale.acceptance import WordWanted
from glassay.scale.hierarchy import Hierarchy, Row, read_heavier
from glassay.scale.result import MIN_DIVISION_PX, PROCESSING_SHARE, ScaleResult, View

Array = npt.NDArray[Any]

MIN_SPOTS = 16
MIN_SIDE = 4
"""A grid must show at least 4 by 4 cells or dots."""
MIN_OCCUPIED = 0.8
"""Share of the lattice sites within the outline of the spots that must hold one."""
MAX_SCATTER = 0.05
"""Largest rms distance of spots from the lattice, in pitches."""
DISTORTED_CELLS = 0.01
"""Relative standard uncertainty for each unit of distortion at the corner: the middle of a bent cell
is not quite the bent middle. Simulated crossed grids were off by 0.045 % at a distortion of 5 %."""
MIN_FIELD_SHARE = 0.35
"""Unless the user says that a grid is shown, it must fill this much of the field: chips carry
small regular arrays, grids fill the view."""


@dataclass(frozen=True)
class _Lattice:
    origin: Array
    a: Array  # px per step along the first axis (nearer to horizontal)
    b: Array
    error: float  # standard error of each component of a and b
    index: npt.NDArray[np.int64]  # (spots, 2)
    points: Array  # (spots, 2) used
    scatter: float
    distortion: float
    distortion_error: float
    allowance: tuple[float, float]  # px: what an unseen distortion may add to each step
    residuals: Array


def measure_grid(view: View, *, strict: bool) -> ScaleResult:
    """Measure a grid in a part of a photo (square root of linear light), about the photo's middle.

    With `strict` the grid must fill much of the part. Raises `NotMeasurable` with the reason, also
    where neither boundary lines nor anybody's word (`View.word`) tell a grid from other things.
    """
    best = _best_lattice(view.light, view.mask, strict, view.frame)
    if _is_chessboard(view.light, best):
        raise NotMeasurable(
            "this is a chessboard: its fields' division is not that of a grid of lines or dots"
        )
    boundaries = _boundaries(view, best)
    if view.word == "none" and not boundaries:
        raise WordWanted(
            "what stands on a lattice was found, but no heavier lines at every 4th, 5th or 10th place"
            " that tell a grid from other things that repeat; if one division is the distance between"
            " neighbours, say that it is a grid (--pattern grid)"
        )
    if strict and view.word != "said":
        _check_likeness(view.light, best)
    if view.word == "filed" and (same := _mirrored(view.light, best)) < MIN_MIRRORED:
        raise NotMeasurable(
            f"what stands on the lattice is not the same from left and right ({same:.0%} alike), as a"
            " grid's cells and dots are; if it is a grid, say so (--pattern grid)"
        )
    return _result(best, view.light.shape, view.stop, boundaries)


def _boundaries(view: View, lattice: _Lattice) -> int:
    """At every which line a boundary stands, thicker or of several strokes; 0 where there is none.

    The lines stand half-way between the cells; pitches along both axes must be equal, as on chambers
    and ruled paper.
    """
    if abs(np.linalg.norm(lattice.b) / np.linalg.norm(lattice.a) - 1) > SAME_PITCH:
        return 0
    for axis in (0, 1):
        found = read_heavier(view.light, view.mask, _lines_of(lattice, axis, view.light.shape))
        if found.every:
            return found.every
    return 0


def _lines_of(lattice: _Lattice, axis: int, shape: tuple[int, ...]) -> Row:
    """The lines between the cells that stand across `axis` of the lattice, as a row of a scale."""
    other = lattice.a if axis else lattice.b
    normal = np.array([other[1], -other[0]]) / np.linalg.norm(other)
    if normal @ (lattice.b if axis else lattice.a) < 0:
        normal = -normal
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    along = (lattice.points - middle) @ normal
    across = (lattice.points - middle) @ np.array([-normal[1], normal[0]])
    number = lattice.index[:, axis]
    columns = np.arange(number.min(), number.max() + 1)
    places = np.array([
        np.median(along[number == n]) if (number == n).any() else np.nan for n in columns
    ])  # fmt: skip
    known = np.isfinite(places)
    places = np.interp(columns, columns[known], places[known])
    division = float(np.linalg.norm(lattice.b if axis else lattice.a))
    core = (float(across.min()), float(across.max()))
    angle = math.atan2(normal[1], normal[0])
    return Row(angle, division, columns[1:], (places[1:] + places[:-1]) / 2, core)


def _check_likeness(light: FloatImage, lattice: _Lattice) -> None:
    odd = float((lattice.index.sum(axis=1) % 2).mean())
    if min(odd, 1 - odd) < LEAST_ODD:
        raise NotMeasurable(
            "only every second place of the lattice is taken, as in brickwork; if it is a grid, say so"
            " (--pattern grid)"
        )
    if (alike := _likeness(light, lattice)) < MIN_ALIKE:
        raise NotMeasurable(
            f"what stands on the lattice differs too much from place to place ({alike:.0%} alike) to be"
            " a grid's cells or dots; if it is a grid, say so (--pattern grid)"
        )


SAME_PITCH = 0.01
"""Pitches along both axes of a chamber or of ruled paper are equal; perspective may cause so much."""
LEAST_ODD = 0.2
"""Least share of the spots at odd places, and at even ones: of brickwork, only one kind is taken."""
MIN_ALIKE = 0.88
"""Share of the variation about a cell or dot that one common picture of it must explain, unless a grid
was said to be shown: simulated cells and dots give 0.93 and more, drawn sheets of digits 0.85."""
MIN_MIRRORED = 0.8
"""Least agreement of a spot with its mirror image where a bench files the photo under a grid: cells
and dots give 0.97 and more, a piece of wallpaper, a letter or a key anything."""
MOST_COMPARED = 150
"""Spots compared, spread over the lattice: bounds the time of fine grids (not studied)."""


def _likeness(light: FloatImage, lattice: _Lattice) -> float:
    """How much of the variation about the spots one common picture of a spot explains."""
    patches = _patches(light, lattice)
    if len(patches) < 9:
        return 1.0
    patches = patches.reshape(len(patches), -1)
    patches = patches - patches.mean(axis=1, keepdims=True)
    common = np.median(patches, axis=0)
    rest = ((patches - common) ** 2).sum(axis=1) / np.maximum((patches**2).sum(axis=1), 1e-12)
    return float(1 - np.median(rest))


def _mirrored(light: FloatImage, lattice: _Lattice) -> float:
    """How well the common picture of a spot agrees with itself turned over along either axis."""
    patches = _patches(light, lattice)
    if len(patches) < 9:
        return 1.0
    common = np.median(patches, axis=0)
    common = common - common.mean()
    size = max(float((common**2).sum()), 1e-12)
    return float(min((common * turned).sum() / size for turned in (common[::-1], common[:, ::-1])))


def _patches(light: FloatImage, lattice: _Lattice) -> Array:
    """Pictures (n, 13, 13) about some of the spots, smoothed a little."""
    step = max(1, len(lattice.points) // MOST_COMPARED)
    grid = (np.arange(13) - 6) / 13 * 0.9
    u, v = np.meshgrid(grid, grid)
    offsets = u.ravel()[:, None] * lattice.a + v.ravel()[:, None] * lattice.b
    places = (lattice.points[::step, None, :] + offsets).astype(np.float32)
    soft = cv2.GaussianBlur(light, (0, 0), max(0.5, 0.05 * float(np.hypot(*lattice.a))))
    patches = cv2.remap(soft, places[..., 0], places[..., 1], cv2.INTER_LINEAR)
    height, width = light.shape
    inside = ((places >= 0) & (places <= (width - 1, height - 1))).all(axis=(1, 2))
    return np.asarray(patches[inside].reshape(-1, 13, 13))


def lattice_points(
    light: FloatImage, mask: npt.NDArray[np.uint8] | None, *, strict: bool
) -> tuple[Array, npt.NDArray[np.int64]]:
    """Middles of a grid's cells or dots, (n, 2) px as column and row, and their places on the grid.

    Arguments and refusals are those of `measure_grid`; a chessboard's fields count as spots here.
    """
    lattice = _best_lattice(light, mask, strict, Frame.of(light.shape))
    return lattice.points, lattice.index


def _best_lattice(
    light: FloatImage, mask: npt.NDArray[np.uint8] | None, strict: bool, frame: Frame
) -> _Lattice:
    reasons: list[str] = []
    found: dict[bool, _Lattice] = {}
    for bright in (False, True):
        for size in (31, 101):
            try:
                lattice = _fit_lattice(_spots(light, mask, bright, size), frame)
                _check(lattice, light.shape, mask, strict)
            except NotMeasurable as error:
                reasons.append(str(error))
                continue
            if bright not in found or len(lattice.points) > len(found[bright].points):
                found[bright] = lattice
    if not found:
        raise NotMeasurable(reasons[-1])
    return max(found.values(), key=lambda lattice: len(lattice.points))


def _spots(light: FloatImage, mask: npt.NDArray[np.uint8] | None, bright: bool, size: int) -> Array:
    """Centroids (n, 2) of spots brighter or darker than their surroundings, alike in area."""
    window = max(size, int(size * max(light.shape) / 1500)) | 1
    soft = cv2.GaussianBlur(light, (0, 0), 0.8)
    mean = cv2.blur(soft, (window, window))
    spread = math.sqrt(max(float(((soft - mean) ** 2).mean()), 1e-12))
    sign = 1.0 if bright else -1.0
    weight = np.maximum(sign * (soft - mean) - 0.3 * spread, 0)
    if mask is not None:
        weight = weight * (mask > 0)
    binary = (weight > 0).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(binary, connectivity=4)
    if count < MIN_SPOTS + 1:
        raise NotMeasurable("no grid of cells or dots was found")
    area = stats[:, cv2.CC_STAT_AREA].astype(np.float64)
    x, y = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_TOP]
    w, h = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    whole = (x > 0) & (y > 0) & (x + w < light.shape[1]) & (y + h < light.shape[0])
    whole[0] = False
    big = whole & (area >= 4)
    if big.sum() < MIN_SPOTS:
        raise NotMeasurable("no grid of cells or dots was found")
    typical = _typical_area(area[big])
    alike = big & (area > 0.5 * typical) & (area < 1.8 * typical)
    if alike.sum() < MIN_SPOTS or alike.sum() > 200_000:
        raise NotMeasurable("no grid of cells or dots was found")
    flat = labels.ravel()
    mass = np.bincount(flat, weights=weight.ravel(), minlength=count)
    grid_x = np.tile(np.arange(light.shape[1]), light.shape[0])
    grid_y = np.repeat(np.arange(light.shape[0]), light.shape[1])
    sum_x = np.bincount(flat, weights=weight.ravel() * grid_x, minlength=count)
    sum_y = np.bincount(flat, weights=weight.ravel() * grid_y, minlength=count)
    safe = np.maximum(mass, 1e-12)
    return np.asarray(np.column_stack([sum_x / safe, sum_y / safe])[alike])


def _typical_area(area: Array) -> float:
    """The area around which most of the covered surface gathers (specks are many but small)."""
    order = np.sort(area)
    cumulative = np.cumsum(order)
    return float(order[int(np.searchsorted(cumulative, cumulative[-1] / 2))])


def _fit_lattice(points: Array, frame: Frame) -> _Lattice:
    a, b = _basis(points)
    index, seen = _walk(points, a, b)
    if len(seen) < MIN_SPOTS:
        raise NotMeasurable("the spots in the photo do not stand on a regular grid")
    return _solved(points[seen], index, frame)


def _solved(points: Array, index: npt.NDArray[np.int64], frame: Frame) -> _Lattice:
    """Robust least squares of origin, both steps and, when an F test says so, radial distortion.

    The steps are those on the optical axis; where the distortion is not seen, what it may do to them
    is an allowance.
    """
    from_axis = points - frame.axis
    square = frame.square(points)[:, None]
    bend = (from_axis * square).T.ravel()
    even = np.kron(np.eye(2), np.column_stack([np.ones(len(points)), index]))
    values = points.T.ravel()
    design = np.column_stack([even, bend])
    straight, bent = _robust(even, values), _robust(design, values)
    curved = _distorted(straight, bent)
    k, k_error = float(bent.solution[6]), math.sqrt(bent.covariance[6, 6])
    for _ in range(HIGHER_ORDER_PASSES if curved else 0):
        higher = from_axis * higher_orders(float(bent.solution[6]), square)
        bent = _robust(design, (points + higher).T.ravel())
    fit = bent if curved else straight
    a, b = fit.solution[[1, 4]], fit.solution[[2, 5]]
    if min(np.linalg.norm(a), np.linalg.norm(b)) < MIN_DIVISION_PX:  # spots in one row
        raise NotMeasurable("the spots in the photo do not stand on a regular grid")
    moved = np.zeros(2)
    if not curved:
        by_one = np.linalg.lstsq(even, bend, rcond=None)[0]  # what a distortion of 1 adds
        unseen = posterior(k, k_error)
        moved = unseen * np.array([
            by_one[[1, 4]] @ a / np.linalg.norm(a), by_one[[2, 5]] @ b / np.linalg.norm(b)
        ])  # fmt: skip
    pitch = min(np.linalg.norm(a), np.linalg.norm(b))
    return _Lattice(
        origin=fit.solution[[0, 3]],
        a=a,
        b=b,
        error=float(np.sqrt(max(fit.covariance[1, 1], fit.covariance[2, 2]))),
        index=index[fit.kept],
        points=points[fit.kept],
        scatter=float(np.sqrt(2) * fit.rms / pitch),
        distortion=float(bent.solution[6]) if curved else 0.0,
        distortion_error=math.sqrt(bent.covariance[6, 6]),
        allowance=(float(moved[0]), float(moved[1])),
        residuals=fit.residuals.reshape(2, -1).T[fit.kept],
    )


def _robust(design: Array, values: Array) -> Trimmed:
    """Least squares with spots far from the rest left out."""
    return trimmed_fit(
        design, values, limit=lambda gap: 3.5 * float(np.median(gap)) + 1e-3, each=2, passes=6
    )


def _distorted(straight: Trimmed, bent: Trimmed) -> bool:
    """F test of the distorted lattice against the even one, on the spots that either uses."""
    rows = np.tile(straight.kept | bent.kept, 2)
    before, after = (float((fit.residuals[rows] ** 2).sum()) for fit in (straight, bent))
    freedom = int(rows.sum()) - 7
    return freedom >= 10 and is_better(before, after, freedom)


def _basis(points: Array) -> tuple[Array, Array]:
    """The two shortest steps that most spots share, nearest to horizontal first."""
    tree = cKDTree(points)
    near = tree.query(points, k=min(9, len(points)))[1][:, 1:]
    steps = (points[near] - points[:, None]).reshape(-1, 2)
    steps = np.where((steps[:, :1] < 0) | ((steps[:, :1] == 0) & (steps[:, 1:] < 0)), -steps, steps)
    length = np.linalg.norm(steps, axis=1)
    short = float(np.median(np.sort(length.reshape(len(points), -1), axis=1)[:, 0]))
    if short < MIN_DIVISION_PX:
        raise NotMeasurable("the spots in the photo are too close together to be measured")
    close = steps[(length > 0.7 * short) & (length < 2.2 * short)]
    first = _densest(close, 0.12 * short)
    turned = np.abs(close @ np.array([-first[1], first[0]])) / np.linalg.norm(first)
    across = close[turned > 0.5 * short]
    if len(across) < MIN_SPOTS / 2:
        raise NotMeasurable("the spots in the photo lie in one row, not on a grid")
    second = _densest(across, 0.12 * short, prefer_short=True)
    second = second - round(float(second @ first / (first @ first))) * first
    for _ in range(2):
        first, second = (first, second) if abs(first[0]) >= abs(second[0]) else (second, first)
    if first[0] < 0:
        first = -first
    if second[1] < 0:
        second = -second
    cosine = abs(float(first @ second / np.linalg.norm(first) / np.linalg.norm(second)))
    if cosine > 0.25:
        raise NotMeasurable("the spots in the photo do not stand on a square grid")
    return first, second


def _densest(steps: Array, radius: float, prefer_short: bool = False) -> Array:
    sample = steps if len(steps) <= 4000 else steps[:: len(steps) // 4000 + 1]
    tree = cKDTree(sample)
    votes = tree.query_ball_point(sample, radius, return_length=True).astype(np.float64)
    if prefer_short:
        votes /= np.linalg.norm(sample, axis=1) ** 2
    top = sample[int(np.argmax(votes))]
    members = sample[np.linalg.norm(sample - top, axis=1) < radius]
    return np.asarray(np.median(members, axis=0))


def _walk(points: Array, a: Array, b: Array) -> tuple[npt.NDArray[np.int64], list[int]]:
    """Give lattice indices to the spots that can be reached from the middle step by step."""
    tree = cKDTree(points)
    start = int(tree.query(np.median(points, axis=0))[1])
    number = {start: (0, 0)}
    queue = [start]
    reach = 0.3 * float(min(np.linalg.norm(a), np.linalg.norm(b)))
    while queue:
        here = queue.pop(0)
        targets = points[here] + np.array([a, -a, b, -b])
        gap, found = tree.query(targets, distance_upper_bound=reach)
        for step, (distance, other) in zip(
            ((1, 0), (-1, 0), (0, 1), (0, -1)), zip(gap, found, strict=True), strict=True
        ):
            if math.isfinite(distance) and int(other) not in number:
                i, j = number[here]
                number[int(other)] = (i + step[0], j + step[1])
                queue.append(int(other))
    seen = list(number)
    return np.array([number[k] for k in seen], dtype=np.int64), seen


def _is_chessboard(light: FloatImage, lattice: _Lattice) -> bool:
    """Whether half-way between neighbouring spots the light is half-way, as at corners of squares.

    Between the dots of a dot grid lies its ground, between the cells of a crossed grid its line:
    there the light is that of the middle of four spots. On a chessboard that middle is a field of
    the other colour, and half-way between two fields of one colour lies the corner they share.
    """
    soft = cv2.GaussianBlur(light, (0, 0), 1.0)

    def light_at(step: Array) -> float:
        at = lattice.points + step
        inside = ((at >= 0) & (at <= (light.shape[1] - 1, light.shape[0] - 1))).all(axis=1)
        x, y = at[inside].astype(np.float32).T
        return float(np.mean(cv2.remap(soft, x, y, cv2.INTER_LINEAR)))

    spot, middle = light_at(np.zeros(2)), light_at((lattice.a + lattice.b) / 2)
    between = (light_at(lattice.a / 2) + light_at(lattice.b / 2)) / 2
    share = (between - spot) / (middle - spot) if middle != spot else 1.0
    # Faint lines of a crossed grid look alike there, but its cells take most of the surface.
    x0, y0 = lattice.points.min(axis=0).astype(int)
    x1, y1 = lattice.points.max(axis=0).astype(int)
    bright = float((soft[y0:y1, x0:x1] > (spot + middle) / 2).mean())
    return bool(0.25 < share < 0.75 and 0.38 < bright < 0.62)


def _check(
    lattice: _Lattice, shape: tuple[int, ...], mask: npt.NDArray[np.uint8] | None, strict: bool
) -> None:
    span = np.ptp(lattice.index, axis=0) + 1
    if min(span) < MIN_SIDE:
        raise NotMeasurable(f"a grid of {span[0]} x {span[1]} cells is too small to be measured")
    if lattice.scatter > MAX_SCATTER:
        raise NotMeasurable("the spots in the photo are not evenly spaced")
    cell = abs(float(lattice.a[0] * lattice.b[1] - lattice.a[1] * lattice.b[0]))
    hull = cv2.contourArea(cv2.convexHull(lattice.points.astype(np.float32)))
    # Spots on the rim own half a cell outside the hull.
    sites = hull / cell + 0.5 * 2 * (span[0] + span[1]) * 0.8
    if len(lattice.points) < MIN_OCCUPIED * sites:
        raise NotMeasurable("too many places of the grid are empty")
    field = float((mask > 0).sum()) if mask is not None else float(shape[0] * shape[1])
    if strict and len(lattice.points) * cell < MIN_FIELD_SHARE * field:
        raise NotMeasurable(
            "a regular array fills only part of the photo; if it is a calibration grid,"
            " say so with --pattern grid"
        )


def _result(
    lattice: _Lattice, shape: tuple[int, ...], stop: FieldStop | None, boundaries: int
) -> ScaleResult:
    length_a, length_b = float(np.linalg.norm(lattice.a)), float(np.linalg.norm(lattice.b))
    freedom = float(max(1, 2 * len(lattice.points) - 6))
    angle = math.degrees(math.atan2(lattice.a[1], lattice.a[0]))
    angle_b = math.degrees(math.atan2(lattice.b[1], lattice.b[0]))
    error = lattice.error

    def fitted(value: float, u: float, unit: str, unseen: float = 0.0) -> Quantity:
        parts = [Contribution("fit of the grid", u, freedom)]
        if unit == "px":
            parts.append(Contribution("colour and processing", PROCESSING_SHARE * value))
            bent_cells = DISTORTED_CELLS * abs(lattice.distortion) * value
            parts.append(Contribution("cells bent by distortion", bent_cells, scope="setting"))
        if unseen:
            parts.append(Contribution("lens distortion not seen", abs(unseen), scope="setting"))
        return Quantity(value, unit, tuple(parts))

    aspect = length_b / length_a
    unseen_aspect = aspect * (lattice.allowance[1] / length_b - lattice.allowance[0] / length_a)
    along, residuals, segments = _rows(lattice)
    return ScaleResult(
        division=fitted(length_a, error, "px", lattice.allowance[0]),
        distortion=lattice.distortion,
        distortion_error=lattice.distortion_error,
        tilt=fitted(angle, math.degrees(error / length_a), "deg"),
        lines=len(lattice.points),
        span=int(np.ptp(lattice.index[:, 0]) + 1),
        segments=segments,
        residuals=residuals,
        along=along,
        dark_lines=True,
        hierarchy=Hierarchy(boundaries, 0, 0, "crossed"),
        curved=lattice.distortion != 0,
        field_stop=stop,
        shape=(shape[0], shape[1]),
        waveform=np.zeros(0),
        explained=1.0,
        pattern="grid",
        division_y=fitted(length_b, error, "px", lattice.allowance[1]),
        aspect=fitted(aspect, math.sqrt(2) * error / length_a, "1", unseen_aspect),
        angle_between=fitted(angle_b - angle, math.degrees(1.41 * error / length_a), "deg"),
        notes=_notes(lattice),
    )


def _notes(lattice: _Lattice) -> tuple[str, ...]:
    notes = ["a grid was measured: division and tilt are those of its axis nearest horizontal"]
    if lattice.distortion:
        notes.append(
            f"lens distortion of {at_picture_corner(lattice.distortion):+.2%} at the corner of the"
            " picture; the pixel size is that at the middle of the photo"
        )
    return tuple(notes)


def _rows(lattice: _Lattice) -> tuple[Array, Array, Array]:
    """Each lattice column as a drawn segment, its place along the first axis, and its residual."""
    unit = lattice.a / np.linalg.norm(lattice.a)
    along, residuals, segments = [], [], []
    for i in np.unique(lattice.index[:, 0]):
        members = lattice.index[:, 0] == i
        points = lattice.points[members]
        order = np.argsort(lattice.index[members][:, 1])
        along.append(float(points.mean(axis=0) @ unit))
        residuals.append(float((lattice.residuals[members] @ unit).mean()))
        segments.append([*points[order[0]], *points[order[-1]]])
    return np.array(along), np.array(residuals), np.array(segments)
