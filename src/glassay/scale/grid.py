"""Crossed grids and dot grids: pixel size along both axes, from the lattice of their cells or dots.

A crossed grid's bright (or dark) cells and a dot grid's dots are both isolated spots on a lattice.
Spots are found by local thresholding, indexed by walking from neighbour to neighbour, and the
lattice is fitted to their centroids by robust least squares.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.distortion import Frame, at_picture_corner
from glassay.errors import NotMeasurable
from glassay.field_stop import FieldStop
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity
from glassay.scale.acceptance import WordWanted
from glassay.scale.grid_lattice import Lattice, fit_lattice
from glassay.scale.grid_likeness import MIN_MIRRORED, check_likeness, is_chessboard, mirrored
from glassay.scale.grid_spots import spots
from glassay.scale.hierarchy import Hierarchy, Row, read_heavier
from glassay.scale.result import PROCESSING_SHARE, ScaleResult, View

Array = npt.NDArray[Any]

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


def measure_grid(view: View, *, strict: bool) -> ScaleResult:
    """Measure a grid in a part of a photo (square root of linear light), about the photo's middle.

    With `strict` the grid must fill much of the part. Raises `NotMeasurable` with the reason, also
    where neither boundary lines nor anybody's word (`View.word`) tell a grid from other things.
    """
    best = _best_lattice(view.light, view.mask, strict, view.frame)
    if is_chessboard(view.light, best):
        raise NotMeasurable(
            "this is a chessboard: its fields' division is not that of a grid of lines or dots"
        )
    boundaries = _boundaries(view, best)
    if view.word == "none" and not boundaries:
        raise WordWanted(
            "what stands on a lattice was found, but no heavier lines at every 4th, 5th or 10th place"
            " that tell a grid from other things that repeat; if one division is the distance between"
            " neighbours, say that it is a grid (pattern: grid)"
        )
    if strict and view.word != "said":
        check_likeness(view.light, best)
    if view.word == "filed" and (same := mirrored(view.light, best)) < MIN_MIRRORED:
        raise NotMeasurable(
            f"what stands on the lattice is not the same from left and right ({same:.0%} alike), as a"
            " grid's cells and dots are; if it is a grid, say so (pattern: grid)"
        )
    return _result(best, view.light.shape, view.stop, boundaries)


def _boundaries(view: View, lattice: Lattice) -> int:
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


def _lines_of(lattice: Lattice, axis: int, shape: tuple[int, ...]) -> Row:
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


SAME_PITCH = 0.01
"""Pitches along both axes of a chamber or of ruled paper are equal; perspective may cause so much."""


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
) -> Lattice:
    reasons: list[str] = []
    found: dict[bool, Lattice] = {}
    for bright in (False, True):
        for size in (31, 101):
            try:
                lattice = fit_lattice(spots(light, mask, bright, size), frame)
                _check(lattice, light.shape, mask, strict)
            except NotMeasurable as error:
                reasons.append(str(error))
                continue
            if bright not in found or len(lattice.points) > len(found[bright].points):
                found[bright] = lattice
    if not found:
        raise NotMeasurable(reasons[-1])
    return max(found.values(), key=lambda lattice: len(lattice.points))


def _check(
    lattice: Lattice, shape: tuple[int, ...], mask: npt.NDArray[np.uint8] | None, strict: bool
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
            " say so (pattern: grid)"
        )


def _result(
    lattice: Lattice, shape: tuple[int, ...], stop: FieldStop | None, boundaries: int
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


def _notes(lattice: Lattice) -> tuple[str, ...]:
    notes = ["a grid was measured: division and tilt are those of its axis nearest horizontal"]
    if lattice.distortion:
        notes.append(
            f"lens distortion of {at_picture_corner(lattice.distortion):+z.2%} at the corner of the"
            " picture; the pixel size is that at the middle of the photo"
        )
    return tuple(notes)


def _rows(lattice: Lattice) -> tuple[Array, Array, Array]:
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
