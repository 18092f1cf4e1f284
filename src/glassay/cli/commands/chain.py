"""`glassay chain`: what an optical chain can show, without any photo."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import click

from glassay import units
from glassay.errors import Unusable
from glassay.optics import (
    Chain,
    Display,
    Reading,
    Sensor,
    chain_limits,
    chain_notes,
    chain_readings,
)
from glassay.optics.chain import WAVELENGTH_UM
from glassay.optics.readings import without_repeats


def _read(read: Callable[[object], Any]) -> Callable[..., Any]:
    """A click callback that reads a value with its unit, naming the option in the error."""

    def callback(_: click.Context, option: click.Parameter, value: str | None) -> Any:
        if value is None:
            return None
        try:
            found = read(value)
        except Unusable as error:
            raise Unusable(f"{option.opts[0]}: {error}") from None
        return found

    return callback


def _length(value: object) -> float:
    found = units.parse_length_um(value)
    if found <= 0:
        raise Unusable(f"{value!r} is not above 0")
    return found


def _field_number(value: object) -> float:
    """A field number in um. It is engraved without a unit and means millimetres (ISO 10934: the
    diameter of the field stop in millimetres, from memory)."""
    text = str(value).strip()
    return _length(f"{text} mm" if re.fullmatch(r"\d+\.?\d*|\.\d+", text) else value)


def _sensor_pixels(value: object) -> tuple[int, int | None]:
    text = str(value).strip()
    if text.isdigit() and 1 <= int(text) <= units.MAX_PIXELS_ACROSS:
        return int(text), None
    return units.parse_pixels(value)


def _aperture(value: object) -> float:
    try:
        found = float(str(value))
    except ValueError:
        found = 0.0
    if not 0 < found < 2:
        raise Unusable(f"{value!r} is not a numerical aperture, like 0.25")
    return found


def _index(value: object) -> float:
    try:
        found = float(str(value))
    except ValueError:
        found = 0.0
    if not 1 <= found < 3:
        raise Unusable(f"{value!r} is not a refractive index, like 1.515")
    return found


_OPTIONS: tuple[tuple[str, Callable[[object], Any], str, str], ...] = (
    ("--objective", units.parse_factor, "4x", "magnification of the objective"),
    ("--zoom", units.parse_factor_range, "'0.7x to 4.5x'", "zoom range, or one position"),
    ("--auxiliary", units.parse_factor, "2x", "auxiliary (supplementary) lens"),
    ("--tube", units.parse_factor, "1x", "tube factor"),
    ("--eyepiece", units.parse_factor, "10x", "magnification of the eyepiece"),
    ("--field-number", _field_number, "18", "field number of the eyepiece, as engraved (in mm)"),
    ("--adapter", units.parse_factor, "0.5x", "camera adapter"),
    ("--sensor-pitch", _length, "3.4um", "pixel pitch of the sensor"),
    ("--sensor-pixels", _sensor_pixels, "640x480", "columns x rows of the sensor, or columns"),
    ("--sensor-width", _length, "5.6mm", "active width of the sensor"),
    ("--display", _length, "24in", "diagonal of the display"),
    ("--display-width", _length, "531mm", "width of the display"),
    ("--display-pixels", units.parse_pixels, "1920x1080", "pixels of the display"),
    ("--numerical-aperture", _aperture, "0.25", "numerical aperture of the objective"),
    ("--wavelength", _length, "550nm", "wavelength of the light"),
    ("--refractive-index", _index, "1.0", "index of the medium before the objective"),
)


def _with_options(function: Callable[..., None]) -> Callable[..., None]:
    for name, read, example, words in reversed(_OPTIONS):
        option = click.option(name, callback=_read(read), metavar=example, help=words)
        function = option(function)
    return function


@click.command("chain")
@_with_options
@click.option("--json", "as_json", is_flag=True, help="print the answer as data")
def command(as_json: bool, **given: Any) -> None:
    """Every magnification reading, field and limit that an optical chain states, without a photo.

    Lengths carry their unit. Give --objective or --zoom, and what else is known.
    """
    chain, display = _chain(given), _display(given)
    readings = (*chain_readings(chain, display), *chain_limits(chain))
    if not readings:
        raise Unusable(
            "nothing follows from these numbers; give --objective or --zoom with --eyepiece or a"
            " sensor, or --numerical-aperture"
        )
    notes = chain_notes(chain)
    if as_json:
        findings = {reading.key: reading.as_finding().as_json() for reading in readings}
        click.echo(json.dumps({"findings": findings, "notes": list(notes)}, indent=1))
        return
    for reading in _without_repeats(readings, chain):
        click.echo(f"{_say(reading):>12}  {reading.name}: {reading.definition}")
    for note in notes:
        click.echo(f"  note: {note}")


def _without_repeats(readings: Sequence[Reading], chain: Chain) -> list[Reading]:
    """The readings to print: with one position of the chain, its lowest is its highest."""
    ends = chain.first_factor
    if ends is None or ends[0] != ends[1]:
        return list(readings)
    plain = []
    for reading in readings:
        ending = next((end for end in (*_LOWEST, *_HIGHEST) if reading.name.endswith(end)), "")
        if ending not in _LOWEST:
            plain.append(replace(reading, name=reading.name.removesuffix(ending)))
    return without_repeats(plain)


_LOWEST = (", lowest", ", at the lowest magnification")
_HIGHEST = (", highest", ", at the highest magnification")


def _chain(given: dict[str, Any]) -> Chain:
    if given["objective"] is not None and given["zoom"] is not None:
        raise Unusable("--objective and --zoom are given; a chain has one of the two")
    columns, rows = given["sensor_pixels"] or (None, None)
    pitch, width = given["sensor_pitch"], given["sensor_width"]
    sensor = Sensor(pitch, columns, rows, width) if pitch or width or columns else None
    field_number = given["field_number"]
    return Chain(
        objective=given["objective"],
        zoom=given["zoom"],
        auxiliary=given["auxiliary"] or 1.0,
        tube=given["tube"] or 1.0,
        eyepiece=given["eyepiece"],
        field_number_mm=None if field_number is None else field_number / 1000,
        adapter=given["adapter"],
        sensor=sensor,
        numerical_aperture=given["numerical_aperture"],
        wavelength_um=given["wavelength"] or WAVELENGTH_UM,
        refractive_index=given["refractive_index"] or 1.0,
    )


def _display(given: dict[str, Any]) -> Display | None:
    columns, rows = given["display_pixels"] or (None, None)
    if given["display_width"] is not None:
        width = given["display_width"] / 1000
        down = rows / columns if columns and rows else 9 / 16
        return Display(width, width * down, columns, rows)
    if given["display"] is not None:
        return Display.from_diagonal(given["display"] / 1000, columns, rows)
    return None


def _say(reading: Reading) -> str:
    value, unit = reading.value.value, reading.value.unit
    if unit == "1":
        return f"{value:.4g}x" if value < 1000 else f"{value:.0f}x"
    if unit == "um" and value >= 1000:
        return f"{value / 1000:.4g} mm"
    return f"{value:.4g} {unit}"
