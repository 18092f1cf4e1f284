"""Magnification, by reading: each defined way to state it, and what each needs to be known.

A magnification without its reading means little: one picture is 2x on the sensor, 300x on a desktop
display and 90x as an eyepiece view of the same field. Every function here returns a `Reading`,
which carries its own definition.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from glassay.finding import Finding
from glassay.optics.chain import Chain, Display
from glassay.quantity import Quantity, combine

STANDARD_EYEPIECE = 10.0
STANDARD_FIELD_NUMBER_MM = 18.0
"""The eyepiece behind the field-equivalent reading: 10x, field number 18 (common practice, no
source). Their product, 180 mm, is the width of the image as it appears at 250 mm."""

USEFUL_RANGE_PER_NA = (500.0, 1000.0)
"""Useful visual magnification lies between 500 and 1000 times the numerical aperture (textbooks and
suppliers' handbooks alike)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One number for magnification (or field) under one stated definition.

    `key` is fixed for scripts, `name` is for people, `definition` says what was divided by what.
    `basis` is "stated" when only the maker's numbers enter, else "measured".
    """

    key: str
    name: str
    definition: str
    value: Quantity
    basis: str

    def as_finding(self) -> Finding:
        """The reading as a finding, its definition being the method."""
        return Finding(self.value, self.definition)


def exact(value: float, unit: str = "1") -> Quantity:
    """A stated number, which carries no uncertainty of its own."""
    return Quantity(float(value), unit)


def visual(chain: Chain) -> tuple[Reading, Reading] | None:
    """Lowest and highest visual magnification of a chain (ISO 8039, ISO 10934), or None."""
    to_eye = chain.to_eye
    if to_eye is None:
        return None
    first = "zoom" if chain.zoom is not None else "objective"
    definition = f"{first} x auxiliary x tube x eyepiece, as stated (ISO 8039)"
    # In one position of the chain the lowest is the highest, and neither word says anything.
    names = ("visual",) * 2 if to_eye[0] == to_eye[1] else ("visual, lowest", "visual, highest")
    low, high = (
        Reading(f"visual_magnification_{end}", name, definition, exact(m), "stated")
        for end, name, m in zip(("min", "max"), names, to_eye, strict=True)
    )
    return low, high


def without_repeats(readings: Sequence[Reading]) -> list[Reading]:
    """The readings to be told: one of those that are the same under two keys."""
    told: dict[tuple[str, float], Reading] = {}
    for reading in readings:
        told.setdefault((reading.name, reading.value.value), reading)
    return list(told.values())


def visual_from_field(chain: Chain, field_diameter_um: Quantity) -> Reading | None:
    """Visual magnification from the measured field of an eyepiece view: FN x M_eyepiece / D.

    Needs the eyepiece and its field number. That number is engraved to whole millimetres or tenths;
    half a millimetre (a rectangular distribution) is assumed for its rounding.
    """
    if chain.eyepiece is None or chain.field_number_mm is None:
        return None
    stop = field_number(chain.field_number_mm)
    eyepiece = chain.eyepiece
    value = combine(lambda fn, d: fn * 1000 * eyepiece / d, (stop, field_diameter_um), "1")
    return Reading(
        "visual_magnification_measured", "visual, from the field seen",
        f"field number ({chain.field_number_mm:g} mm) x eyepiece ({eyepiece:g}x) / field diameter",
        value, "measured",
    )  # fmt: skip


FIELD_NUMBER_ROUNDING_MM = 0.5
"""Half-width assumed for the rounding of an engraved field number (common practice, no source)."""


def field_number(stated_mm: float) -> Quantity:
    """An engraved field number with the assumed uncertainty of its rounding, in mm."""
    u = FIELD_NUMBER_ROUNDING_MM / math.sqrt(3)
    return Quantity.of(stated_mm, u, "mm", "rounding of the field number (assumed)")


def implied_field_number(chain: Chain, field_diameter_um: Quantity) -> Quantity | None:
    """Field number that a measured field diameter implies, FN = D x M_obj x q, in mm.

    None unless the chain states one first factor (an objective or one zoom position).
    """
    factor = chain.to_eyepiece
    if factor is None or factor[0] != factor[1]:
        return None
    return field_diameter_um.scaled(factor[0] / 1000, "mm")


def object_field(chain: Chain) -> tuple[Quantity, Quantity] | None:
    """Narrowest and widest object field of an eyepiece view, D = FN / (M_obj x q), in um."""
    factor = chain.to_eyepiece
    if factor is None or chain.field_number_mm is None:
        return None
    stop_um = chain.field_number_mm * 1000
    return exact(stop_um / factor[1], "um"), exact(stop_um / factor[0], "um")


def on_sensor(
    chain: Chain, pixel_size_um: Quantity, picture_columns: int, digital_zoom: float = 1.0
) -> Reading | None:
    """On-sensor magnification of a measured picture (ISO 18221): sensor pitch / pixel size.

    Where the picture has another number of columns than the sensor, it was resized, and the
    width of the sensor that the picture covers (active width / digital zoom) over the field width
    is the same ratio. None when neither pitch nor width of the sensor is stated.
    """
    sensor = chain.sensor
    if sensor is None:
        return None
    if sensor.columns is None or sensor.width_um is None:
        pitch = sensor.pixel_pitch_um
        if pitch is None:
            return None
        definition = "sensor pixel pitch / pixel size at the object (ISO 18221), picture pixels"
        definition += " taken as sensor pixels"
    else:
        pitch = sensor.width_um / digital_zoom / picture_columns
        definition = "sensor pixel pitch / pixel size at the object (ISO 18221)"
        if abs(picture_columns * digital_zoom - sensor.columns) > 0.5:
            definition = "sensor width covered by the picture / field width (ISO 18221)"
    value = combine(lambda p: pitch / p, (pixel_size_um,), "1")
    return Reading("on_sensor_magnification", "on-sensor", definition, value, "measured")


def on_display(
    display: Display,
    field_width_um: Quantity,
    picture: tuple[int, int],
    *,
    own_screen: bool = False,
) -> Reading:
    """On-display magnification (ISO 18221): width of the picture filling a screen / field width.

    `picture` is its (columns, rows) in px; the picture is neither cut nor stretched.
    """
    shown_um = display.shown_width_mm(*picture) * 1000
    value = combine(lambda w: shown_um / w, (field_width_um,), "1")
    key, name = ("own_screen_magnification", "on its own screen") if own_screen else (
        "on_display_magnification", f"on a {display.describe()}"
    )  # fmt: skip
    definition = f"displayed width ({shown_um / 1000:.0f} mm) / field width (ISO 18221)"
    return Reading(key, name, definition, value, "measured")


def field_equivalent(
    seen_width_um: Quantity,
    eyepiece: float = STANDARD_EYEPIECE,
    field_number_mm: float = STANDARD_FIELD_NUMBER_MM,
) -> Reading:
    """The eyepiece magnification that shows the same field: (FN x M_eyepiece) / field width."""
    apparent_mm = eyepiece * field_number_mm
    value = combine(lambda w: apparent_mm * 1000 / w, (seen_width_um,), "1")
    return Reading(
        "field_equivalent_magnification", "field-equivalent",
        f"{apparent_mm:g} mm ({eyepiece:g}x eyepiece of field number {field_number_mm:g})"
        " / field width",
        value, "measured",
    )  # fmt: skip


def field_equivalent_to(
    seen_width_um: Quantity, reference_field_um: Quantity, reference_magnification: float, name: str
) -> Reading:
    """Field-equivalent magnification relative to a measured reference view of a stated power.

    Contributions shared by the two fields (one slide) cancel in their ratio.
    """
    value = combine(
        lambda w, d: reference_magnification * d / w, (seen_width_um, reference_field_um), "1"
    )
    return Reading(
        "field_equivalent_magnification", "field-equivalent",
        f"{reference_magnification:g}x x (field of {name}) / field width",
        value, "measured",
    )  # fmt: skip


def useful_range(numerical_aperture: Quantity) -> tuple[Quantity, Quantity]:
    """Useful visual magnification, 500 NA to 1000 NA."""
    low, high = USEFUL_RANGE_PER_NA
    return numerical_aperture.scaled(low, "1"), numerical_aperture.scaled(high, "1")


def aperture_from_cutoff(cutoff_per_um: Quantity, wavelength_um: float) -> Quantity:
    """Effective numerical aperture of a measured cut-off: NA = wavelength x f_c / 2."""
    return cutoff_per_um.scaled(wavelength_um / 2, "1")
