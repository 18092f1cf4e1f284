"""From divisions in px to micrometres: pixel size and field, with the reference object's share."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from glassay.distortion import undistorted_radius
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.quantity import Contribution, Quantity, combine
from glassay.scale.result import METHOD, ScaleResult

ASSUMED_TOLERANCE = 0.002
"""Relative tolerance assumed for a slide without a certificate: plus or minus 0.2 %, taken as a
rectangular distribution (JCGM 100:2008, 4.3.7). Uncertified stage micrometers are commonly sold with
tolerances of 0.1 % to 0.5 % (common practice, no source)."""


FINEST_UM = 0.13
"""Abbe's limit, wavelength / (2 NA), for 400 nm and the 1.49 of oil lenses: no microscope shows lines
that are closer (NA of oil lenses: common practice, no source)."""
WIDEST_FIELD_UM = 3e5
"""An eyepiece of field number 25 at 0.5 x with an auxiliary of 0.3 x shows 0.17 m (common practice, no
source); nothing called a microscope shows twice that."""
DISTORTION_FLOOR = 0.0015
"""Standard uncertainty of the distortion at the corner that no scatter of lines shows: an optical axis
away from the middle of the photo, focus that changes over the field, sharpening. Simulated cheap
instruments were off by 0.0015 to 0.003. It enters the field, not the pixel size."""


@dataclass(frozen=True)
class Division:
    """The division of a reference object: length in um and its standard uncertainty.

    `identity` names the physical object, so that results resting on the same one are known to
    share its error. `assumed` marks an uncertainty that was not stated by the user.
    """

    length_um: float
    u_um: float
    identity: str = "slide"
    assumed: bool = False

    @classmethod
    def uncertified(cls, length_um: float, identity: str = "slide") -> Division:
        """A division known only from its nominal length (see `ASSUMED_TOLERANCE`)."""
        u = ASSUMED_TOLERANCE * length_um / math.sqrt(3)
        return cls(length_um, u, identity, assumed=True)

    @property
    def quantity(self) -> Quantity:
        """The division as a quantity in um."""
        if not self.u_um:
            return Quantity(self.length_um, "um")
        source = "slide tolerance (assumed)" if self.assumed else "slide, as stated"
        identity = f"reference object {self.identity}"
        part = Contribution(source, self.u_um, identity=identity, scope="reference")
        return Quantity(self.length_um, "um", (part,))


@dataclass(frozen=True)
class Calibration:
    """What a measured scale says about the photo it stands in.

    `pixel_size` um/px; `field_width` and `field_height` in um (of the whole photo);
    `field_diameter` in um when the field is round; `divisions_across` the field, along the scale.
    Of a photo with an even frame around it (`even_rim`, its widest side in px) no field is told.
    `pixel_size_y` is given by a grid, for its axis nearest vertical.
    """

    result: ScaleResult
    division: Division
    pixel_size: Quantity
    field_width: Quantity | None
    field_height: Quantity | None
    field_diameter: Quantity | None
    divisions_across: Quantity | None
    pixel_size_y: Quantity | None
    notes: tuple[str, ...]

    def findings(self) -> Mapping[str, Finding]:
        """Findings by key."""
        result = self.result
        found = {
            "pixel_size": self.pixel_size,
            "division": result.division,
            "tilt": result.tilt,
        }
        for key in ("field_width", "field_height", "divisions_across", "field_diameter"):
            quantity = getattr(self, key)
            if quantity is not None:
                found[key] = quantity
        if result.rim is not None:
            found["even_rim"] = Quantity(float(result.rim.widest), "px")
        if self.pixel_size_y is not None and result.aspect and result.angle_between:
            found["pixel_size_x"] = self.pixel_size
            found["pixel_size_y"] = self.pixel_size_y
            found["axis_ratio"] = result.aspect
            found["axis_angle"] = result.angle_between
        method = METHOD if result.pattern == "ruled" else "calibration grid"
        out = {key: Finding(quantity, method) for key, quantity in found.items()}
        out["lines"] = Finding(result.lines, method)
        return out


def calibrate(result: ScaleResult, division: Division, notes: tuple[str, ...] = ()) -> Calibration:
    """Turn a measured scale into pixel size and field, given the length of one division.

    `notes` are put before the calibration's own.
    """
    length = division.quantity
    if division.length_um < FINEST_UM:
        raise NotMeasurable(
            f"lines {division.length_um:.3g} um apart cannot be seen by light, which tells none closer"
            f" than {FINEST_UM:g} um: is the stated division right?"
        )
    pixel_size = combine(lambda d, p: d / p, (length, result.division), "um/px")
    pixel_size_y = None
    if result.division_y is not None:
        pixel_size_y = combine(lambda d, p: d / p, (length, result.division_y), "um/px")
    height, width = result.shape
    if pixel_size.value * max(height, width) > WIDEST_FIELD_UM:
        raise NotMeasurable(
            f"with this division the photo would show {pixel_size.value * max(height, width) / 1e6:.3g}"
            " m of the object, which no microscope does: is the stated division right?"
        )
    diameter = None
    if result.field_stop is not None:
        across = Quantity.of(
            result.field_stop.diameter, result.field_stop.diameter_error, "px", "edge of the field"
        )
        diameter = _on_object(pixel_size, across, result)
        extent = diameter
    else:
        upright = abs(result.tilt.value) > 45 and result.pattern == "ruled"
        extent = _on_object(pixel_size, Quantity(float(height if upright else width), "px"), result)
    whole = result.rim is None
    return Calibration(
        result=result,
        division=division,
        pixel_size=pixel_size,
        field_width=_on_object(pixel_size, Quantity(float(width), "px"), result) if whole else None,
        field_height=(
            _on_object(pixel_size_y or pixel_size, Quantity(float(height), "px"), result)
            if whole
            else None
        ),
        field_diameter=diameter,
        divisions_across=combine(lambda e, d: e / d, (extent, length), "1") if whole else None,
        pixel_size_y=pixel_size_y,
        notes=(*notes, *_notes(result, division)),
    )


def _on_object(pixel_size: Quantity, across: Quantity, result: ScaleResult) -> Quantity:
    """What `across` px through the middle of the photo show of the object, in um.

    Radial distortion is taken out as it was fitted; what is not known of it enters with its leading
    factor.
    """
    share = (across.value / math.hypot(*result.shape)) ** 2
    plain = combine(lambda p, a: p * a, (pixel_size, across), "um")
    radius = math.sqrt(share)
    straight = (
        float(undistorted_radius(radius, result.distortion, result.distortion_2)) / radius
        if radius
        else 1.0
    )
    seen = plain.scaled(straight, "um")
    unknown = math.hypot(result.distortion_error, DISTORTION_FLOOR)
    return seen.with_contribution(
        "lens distortion over the field", plain.value * share * unknown, scope="setting"
    )


def _notes(result: ScaleResult, division: Division) -> tuple[str, ...]:
    notes = []
    if division.assumed:
        notes.append(f"slide certificate not given, {ASSUMED_TOLERANCE:.1%} assumed")
    if result.rim is not None:
        notes.append(
            f"an even frame lies around what the photo shows ({result.rim}), as of a screenshot or a"
            " letterbox: how large the field is is not told; give the photo as the camera saved it"
        )
    hierarchy = result.hierarchy
    if result.pattern == "ruled" and hierarchy.every in (5, 10):
        longest = (
            f", the longest every {hierarchy.longest_every}th"
            if hierarchy.longest_every == 10
            else ""
        )
        notes.append(f"every {hierarchy.every}th line is longer{longest}, as on a usual slide")
    return (*notes, *result.notes)
