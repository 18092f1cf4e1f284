"""What a chain can show without any photo: every reading and limit its stated numbers allow."""

from __future__ import annotations

from glassay.optics import limits
from glassay.optics.chain import Chain, Display
from glassay.optics.readings import (
    Reading,
    exact,
    field_equivalent,
    object_field,
    useful_range,
    visual,
)


def chain_readings(chain: Chain, display: Display | None = None) -> tuple[Reading, ...]:
    """Every reading that a chain allows without a photo, all from stated numbers.

    `display` is the screen for the on-display readings; the chain's own screen otherwise. A single
    position gives equal lowest and highest values. Object fields are in um.
    """
    found: list[Reading] = list(visual(chain) or ())
    fields = object_field(chain)
    if fields is not None:
        definition = "field number / (objective or zoom x auxiliary x tube)"
        found.append(Reading("object_field", "eyepiece field, at the highest magnification",
                             definition, fields[0], "stated"))  # fmt: skip
        found.append(Reading("object_field_widest", "eyepiece field, at the lowest magnification",
                             definition, fields[1], "stated"))  # fmt: skip
    found += _sensor_readings(chain, display or chain.display)
    if chain.numerical_aperture is not None:
        low, high = useful_range(exact(chain.numerical_aperture))
        found.append(Reading("useful_magnification_min", "useful visual magnification, from",
                             "500 x NA", low, "stated"))  # fmt: skip
        found.append(Reading("useful_magnification_max", "useful visual magnification, to",
                             "1000 x NA", high, "stated"))  # fmt: skip
    return tuple(found)


def _sensor_readings(chain: Chain, display: Display | None) -> list[Reading]:
    to_sensor, sensor = chain.to_sensor, chain.sensor
    if to_sensor is None or sensor is None:
        return []
    found = [
        Reading(f"on_sensor_magnification_{end}", f"on-sensor, {word}",
                "objective or zoom x auxiliary x tube x camera adapter, as stated", exact(m),
                "stated")
        for end, word, m in zip(("min", "max"), ("lowest", "highest"), to_sensor, strict=True)
    ]  # fmt: skip
    pitch, width = sensor.pixel_pitch_um, sensor.width_um
    if pitch is not None:
        found.append(Reading("pixel_size", "pixel size at the object, at the highest magnification",
                             "sensor pixel pitch / on-sensor magnification",
                             exact(pitch / to_sensor[1], "um/px"), "stated"))  # fmt: skip
    if width is None:
        return found
    found.append(Reading("sensor_width", "active width of the sensor", "pixel pitch x columns",
                         exact(width, "um"), "stated"))  # fmt: skip
    fields = [width / m for m in to_sensor]
    for key, name, field in zip(
        ("camera_field_widest", "camera_field"),
        ("camera field width, at the lowest magnification",
         "camera field width, at the highest magnification"),
        fields, strict=True,
    ):  # fmt: skip
        found.append(Reading(key, name, "sensor width / on-sensor magnification",
                             exact(field, "um"), "stated"))  # fmt: skip
    if display is not None:
        columns, rows = sensor.columns, sensor.rows
        shown = display.shown_width_mm(columns, rows) if columns and rows else display.width_mm
        for end, word, field in zip(("min", "max"), ("lowest", "highest"), fields, strict=True):
            found.append(Reading(
                f"on_display_magnification_{end}", f"on a {display.describe()}, {word}",
                f"displayed width ({shown:.0f} mm) / field width (ISO 18221)",
                exact(shown * 1000 / field), "stated"))  # fmt: skip
    for end, word, field in zip(("min", "max"), ("lowest", "highest"), fields, strict=True):
        stated = field_equivalent(exact(field, "um"))
        found.append(Reading(f"field_equivalent_magnification_{end}", f"field-equivalent, {word}",
                             stated.definition, stated.value, "stated"))  # fmt: skip
    return found


def chain_limits(chain: Chain) -> tuple[Reading, ...]:
    """What bounds detail and depth at the highest magnification: optics by NA, camera by pixels."""
    found: list[Reading] = []
    na, wavelength = chain.numerical_aperture, chain.wavelength_um

    def add(key: str, name: str, definition: str, value: float) -> None:
        found.append(Reading(key, name, definition, exact(value, "um"), "stated"))

    to_sensor = chain.to_sensor
    pitch = chain.sensor.pixel_pitch_um if chain.sensor is not None else None
    if na is not None:
        add(
            "abbe_distance",
            "smallest period the optics resolve (Abbe)",
            "wavelength / (2 NA)",
            limits.abbe_distance_um(wavelength, na),
        )
        add(
            "rayleigh_distance",
            "smallest distance of two points (Rayleigh)",
            "0.61 wavelength / NA",
            limits.rayleigh_distance_um(wavelength, na),
        )
        add(
            "depth_of_field_wave",
            "depth of field, optics alone",
            "n wavelength / NA^2",
            limits.depth_of_field_um(wavelength, na, chain.refractive_index),
        )
    if to_sensor is not None and pitch is not None:
        pixel_um = pitch / to_sensor[1]
        add(
            "sampling_distance",
            "smallest period the pixels carry (Nyquist)",
            "2 x pixel size",
            limits.sampling_distance_um(pixel_um),
        )
        add(
            "sampling_distance_usual",
            "smallest distance usually asked of the pixels",
            "2.3 x pixel size",
            limits.sampling_distance_um(pixel_um, limits.USUAL_PIXELS),
        )
        if na is not None:
            depth = limits.depth_of_field_um(
                wavelength, na, chain.refractive_index, pitch, to_sensor[1]
            )
            add(
                "depth_of_field",
                "depth of field on the camera",
                "n wavelength / NA^2 + n e / (M NA), e the pixel pitch",
                depth,
            )
    return tuple(found)  # fmt: skip


def chain_notes(chain: Chain) -> tuple[str, ...]:
    """Which limit binds, and what was taken for granted, one sentence each."""
    notes = []
    sizes = {limit.key: limit.value.value for limit in chain_limits(chain)}
    if "abbe_distance" in sizes and "sampling_distance" in sizes:
        optics, pixels = sizes["abbe_distance"], sizes["sampling_distance"]
        binding, other = ("pixels", optics) if pixels > optics else ("optics", pixels)
        notes.append(
            f"the {binding} are the limit: {max(optics, pixels):.3g} um is the smallest period,"
            f" against {other:.3g} um"
        )
    to_eye = chain.to_eye
    if to_eye is not None and chain.numerical_aperture is not None:
        useful = useful_range(exact(chain.numerical_aperture))[1].value
        if to_eye[1] > useful * 1.000001:
            notes.append(
                f"{to_eye[1]:g}x lies beyond the useful {useful:g}x: the view gets larger, not"
                " richer in detail"
            )
    if chain.auxiliary < 1:
        notes.append("an auxiliary lens below 1x lengthens the working distance")
    elif chain.auxiliary > 1:
        notes.append("an auxiliary lens above 1x shortens the working distance")
    if chain.sensor is not None and chain.first_factor is not None and chain.adapter is None:
        notes.append("no camera adapter is stated; it is taken as 1x")
    if chain.zoom is not None and chain.zoom[0] != chain.zoom[1] and chain.numerical_aperture:
        notes.append("the aperture is taken as that at the highest magnification")
    return tuple(notes)
