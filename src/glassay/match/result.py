"""What a match hands back, with its uncertainty budget."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import numpy.typing as npt

from glassay.distortion import USUAL_DISTORTION, Frame
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.match.fit import DISTORTION, TILT, ZONES, Fit
from glassay.match.mapping import Mapping, Points, outline
from glassay.match.pictures import Look
from glassay.quantity import Quantity, combine

if TYPE_CHECKING:  # what a kept match needs does not need the search
    from glassay.match.find import Found
    from glassay.match.rivals import Standing

SAMPLING_U_PX = 0.012
"""Assumed standard uncertainty of the displacement between opposite rims of the overlap, px of the
coarser photo, from what all blocks have in common: aliasing, colour filters, compression. It is
what simulated pairs of ordinary compressed colour photos leave unexplained by the scatter of their
blocks (0.006 to 0.015 px, from luminance to green alone)."""

OTHER_LIGHT_U_PX = 0.08
"""The same when the photos are lit differently: edges then shine or lie in shadow here and there, and
the scatter of the blocks does not see what they have in common. It is what simulated pairs of dark
field or oblique light against bright field leave unexplained."""

POOR_AGREEMENT, POOR_LIGHT_U_PX = 0.65, 0.3
"""The same where aligned blocks correlate by less than the former: a finer photo in dark field, whose
edges are bright lines that a coarser one does not show. Simulated pairs of that kind were off by up
to 0.65 px over the overlap, those that correlate better by up to 0.2 px."""

DISTORTION_U = USUAL_DISTORTION
"""Assumed standard uncertainty of a lens's distortion at the corner of its photo, where the match
does not show it: a calibration holds for the middle or the mean of a field, the scale ratio for the
overlap. It enters the comparison with the calibrations, not the ratio."""

UNTOLD = "tilt or distortion too small to be told"

AXIS_OFF = 0.02
"""Assumed standard uncertainty of where the optical axis meets the photo, in half diagonals from its
middle (common practice, no source: a camera sits on its tube to some tenths of a mm)."""


@dataclass(frozen=True, eq=False)
class MatchResult:
    """How the second photo lies against the first.

    `scale_ratio`: pixel size of the second photo over that of the first: the mean of the overlap; at
    its middle when the view is tilted; at the middles of the fields when distortion was found. Where
    it was not, the uncertainty holds for the middles of the fields too.
    `rotation`: deg by which the second photo's content is turned against the first's, positive
    clockwise as seen (rows run down). `residual`: px of the finer photo, weighted rms of the
    displacements that the mapping leaves in the zones of the overlap. `correlation` is that of the
    aligned blocks. `transform` takes (column, row, 1) of the first photo to the second; lens
    distortion, where it was found, is in `mapping` and not in this matrix. `overlap_first` and
    `overlap_second` are the shared region as polygons (n, 2) in px of either photo. `look` says
    what was compared, `places` (n, 2) and `rests` (n, 2) are the blocks in px of the first photo
    and their residuals in px of the finer one. `evidence` and `rival_worse_by` say how sure the
    place is: by how many standard deviations the photos fit better than unrelated ones, and than at
    the best other place (infinite when no other comes close). `calibration_ratio` is the ratio that
    the calibrations state, if they were given.
    """

    scale_ratio: Quantity
    rotation: Quantity
    residual: Quantity
    mapping: Mapping
    overlap_first: Points
    overlap_second: Points
    look: Look
    correlation: float
    places: Points
    rests: Points
    evidence: float
    rival_worse_by: float
    calibration_ratio: Quantity | None
    notes: tuple[str, ...]

    @property
    def transform(self) -> npt.NDArray[np.float64]:
        """The 3 x 3 matrix from the first photo's px to the second's."""
        return self.mapping.matrix

    @property
    def shared_px(self) -> tuple[float, float]:
        """Width and height of the overlap's bounding box in px of the coarser photo."""
        coarser = self.overlap_second if self.scale_ratio.value >= 1 else self.overlap_first
        width, height = coarser.max(axis=0) - coarser.min(axis=0)
        return float(width), float(height)

    @property
    def calibration_error(self) -> Quantity | None:
        """Calibrations' ratio over the measured one, minus 1; what both lean on cancels."""
        if self.calibration_ratio is None:
            return None
        error = combine(lambda a, b: a / b - 1, (self.calibration_ratio, self.scale_ratio), "1")
        assumed = DISTORTION_U * math.hypot(*self._off_field)
        held = sum(
            (part.u / self.scale_ratio.value) ** 2
            for part in self.scale_ratio.contributions
            if part.source == UNTOLD
        )
        return error.with_contribution(
            "lens distortion between the overlap and the whole fields (assumed)",
            math.sqrt(max(0.0, assumed**2 - held)),
            scope="setting",
        )

    @property
    def _off_field(self) -> tuple[float, float]:
        """By how much the mean squared radius of the overlap differs from that of each field, in
        squared half diagonals: what a radial distortion changes the scale by, to first order."""
        if self.mapping.from_k or self.mapping.to_k:
            return 0.0, 0.0
        differences = []
        for polygon, shape in (
            (self.overlap_first, self.mapping.from_shape),
            (self.overlap_second, self.mapping.to_shape),
        ):
            seen = Frame.of(shape)
            middle, unit = seen.axis, seen.half_diagonal
            own = _mean_square(outline(shape, 1), middle) / unit**2
            differences.append(abs(_mean_square(polygon, middle) / unit**2 - own))
        return differences[0], differences[1]

    @property
    def calibrations(self) -> str | None:
        """ "agree" when the ratios differ by no more than the expanded uncertainty, else
        "disagree"; None without calibrations."""
        error = self.calibration_error
        if error is None:
            return None
        return "agree" if abs(error.value) <= error.expanded else "disagree"

    def findings(self) -> dict[str, Finding]:
        """scale_ratio, rotation, residual, correlation and, with calibrations, their verdict."""
        method = f"registration by {self.look}"
        found = {
            "scale_ratio": Finding(self.scale_ratio, method),
            "rotation": Finding(self.rotation, method),
            "residual": Finding(self.residual, method),
            "correlation": Finding(Quantity(self.correlation, "1"), method),
            "shared_width": Finding(Quantity(self.shared_px[0], "px"), "overlap, coarser photo"),
            "shared_height": Finding(Quantity(self.shared_px[1], "px"), "overlap, coarser photo"),
        }
        if self.calibration_ratio is not None and self.calibration_error is not None:
            found["calibration_ratio"] = Finding(
                self.calibration_ratio, "ratio of the calibrations"
            )
            found["calibration_error"] = Finding(
                self.calibration_error, "ratio of the calibrations over the measured one, minus 1"
            )
            found["calibrations"] = Finding(
                str(self.calibrations), "agree: within the expanded uncertainty"
            )
        return found


def result_of(
    found: Found,
    result: Fit,
    place: Standing,
    ratio: Quantity | None,
    alike: bool,
    notes: list[str],
) -> MatchResult:
    """Everything turned to lead from the first photo to the second."""
    onward = result.mapping  # coarse to fine
    centre = result.centre[None]
    straight = replace(onward, from_k=0.0, to_k=0.0)  # the ratio at the middles of both fields
    scale, turn = straight.scale_at(centre), straight.rotation_at(centre)
    mapping = onward if found.first_is_coarse else onward.inverse()
    overlap_first = _overlap(mapping)
    _say_what_was_found(found, result, alike, notes)
    value = 1 / scale if found.first_is_coarse else scale
    used = len(result.terms) / 2
    u_residual = result.residual_px / math.sqrt(2 * max(1.0, ZONES**2 - used))
    return MatchResult(
        scale_ratio=_with_budget(
            Quantity(value, "1"), value, "scale", result, alike
        ).with_contribution(
            "place of the optical axes (assumed)", value * _off_axis(result), scope="setting"
        ),
        rotation=_with_budget(
            Quantity(turn if found.first_is_coarse else -turn, "deg"),
            math.degrees(1), "turn", result, alike,
        ),
        residual=Quantity.of(result.residual_px, u_residual, "px", "number of zones"),
        mapping=mapping,
        overlap_first=overlap_first,
        overlap_second=mapping(overlap_first),
        look=found.check.look,
        correlation=result.agreement,
        places=result.places if found.first_is_coarse else onward(result.places),
        rests=result.rests_fine,
        evidence=place.evidence,
        rival_worse_by=math.inf if place.rival is None else place.rival.worse_by,
        calibration_ratio=ratio,
        notes=tuple(notes),
    )  # fmt: skip


def _with_budget(quantity: Quantity, unit: float, term: str, result: Fit, alike: bool) -> Quantity:
    """The quantity with its contributions, `unit` being its change per relative change of scale or
    per radian."""
    across = 2 * result.half
    quantity = quantity.with_contribution(
        "scatter of the blocks", unit * result.u(term), result.dof(term)
    )
    quantity = quantity.with_contribution(
        "sampling and compression (assumed)", unit * SAMPLING_U_PX / across, scope="capture"
    )
    quantity = quantity.with_contribution(UNTOLD, unit * _untold(term, result))
    if not alike:
        light = POOR_LIGHT_U_PX if result.agreement < POOR_AGREEMENT else OTHER_LIGHT_U_PX
        quantity = quantity.with_contribution(
            "different lighting (assumed)", unit * light / across, scope="capture"
        )
    return quantity


def _untold(term: str, result: Fit) -> float:
    """By how much the scale (relative) or the turn (rad) at the middles of the fields would be another
    with the terms that might be there: the most of any, with distortions of the usual size."""
    centre, changes = result.centre[None], [0.0]
    for other in result.untold:
        # seen through no lens: a distortion changes the scale of an overlap off the fields' middles
        straight = replace(other.mapping, from_k=0.0, to_k=0.0)
        if term == "scale":
            change = straight.scale_at(centre) / result.mapping.scale_at(centre) - 1
        else:
            turn = straight.rotation_at(centre) - result.mapping.rotation_at(centre)
            change = math.radians((turn + 180) % 360 - 180)
        bend = max(abs(other.mapping.from_k), abs(other.mapping.to_k), 1e-9)
        changes.append(abs(change) * min(1.0, USUAL_DISTORTION / bend))
    return max(changes)


def _off_axis(result: Fit) -> float:
    """By how much (relative) the scale at the middles of the fields changes if the axes of lenses whose
    distortion was found are off by `AXIS_OFF`: moving the axis by d changes the scale at p, which the
    overlap fixes, against that at the axis by 4 k p.d, to first order."""
    onward, centre = result.mapping, result.centre[None]
    changes = []
    for k, shape, place in (
        (onward.from_k, onward.from_shape, centre),
        (onward.to_k, onward.to_shape, onward(centre)),
    ):
        changes.append(4 * k * math.sqrt(float(Frame.of(shape).square(place)[0])) * AXIS_OFF)
    return math.hypot(*changes)


def _say_what_was_found(found: Found, result: Fit, alike: bool, notes: list[str]) -> None:
    if not alike:
        notes.append(
            f"the photos are lit differently; they were compared by {found.check.look}, and may be"
            " shifted as a whole by about a px of the coarser one where edges shine on one side"
        )
    if TILT[0] in result.terms:
        stretch = result.mapping.stretch_at(result.centre[None]) - 1
        notes.append(
            f"one photo views the chip from another side: squeezed by {stretch:.2%} along one"
            " direction at the middle of the overlap, of which the scale is the mean"
        )
    if DISTORTION[0] in result.terms:
        which = ("first", "second") if found.first_is_coarse else ("second", "first")
        notes.append(
            f"the lenses distort: radial coefficient {result.mapping.from_k:+z.4f} of the {which[0]}"
            f" photo and {result.mapping.to_k:+z.4f} of the {which[1]}, of which the overlap may"
            " fix only the difference; the scale is that of the middles of the fields"
        )
    if not result.settled:
        notes.append("the refinement did not settle; the uncertainty may be understated")


def _overlap(mapping: Mapping) -> Points:
    """The shared region as a polygon in px of the mapping's own photo."""
    own = outline(mapping.from_shape, 1).astype(np.float32)
    other = mapping.inverse()(outline(mapping.to_shape)).astype(np.float32)
    area, polygon = cv2.intersectConvexConvex(own, cv2.convexHull(other).reshape(-1, 2))
    if area <= 0 or polygon is None:
        raise NotMeasurable("the photos share too small a piece of the chip")
    return np.asarray(polygon, dtype=np.float64).reshape(-1, 2)


def _mean_square(polygon: Points, about: Points) -> float:
    """Mean squared distance of a convex polygon's points from `about`."""
    p = polygon - about
    q = np.roll(p, -1, axis=0)
    cross = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
    second = (cross * ((p**2 + p * q + q**2).sum(axis=1))).sum() / 12
    return float(second / (cross.sum() / 2))
