"""Numbers with units, as people write them."""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassay import units
from glassay.errors import Unusable

KINDS = sorted({*units.CANONICAL})


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("10 um", "length", 10),
        ("10um", "length", 10),
        ("10 µm", "length", 10),  # micro sign
        ("10 μm", "length", 10),  # Greek mu
        ("0.01 mm", "length", 10),
        ("24 in", "length", 609600),  # 25.4 mm an inch, by definition
        ("550 nm", "length", 0.55),
        ("1e-2 mm", "length", 10),
        ("30 fps", "frequency", 30),
        ("30 Hz", "frequency", 30),
        ("90 min", "time", 5400),
        ("500 lp/mm", "resolution", 500),
        ("0.5 /um", "resolution", 500),
        ("200 cycles/mm", "resolution", 200),  # one cycle is one line pair
        ("2 mil", "length", 50.8),
        ("0.73 um/px", "pixel size", 0.73),
        ("0.73 um", "pixel size", 0.73),
        ("180 deg", "angle", 180),
        ("1 rad", "angle", 57.29577951308232),
        ("5 W", "power", 5),
    ],
)
def test_units_are_understood(text: str, kind: str, value: float) -> None:
    assert units.parse(text, kind) == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "um"),
    # 25.4 mm an inch, by definition; each of these is a finite decimal
    [
        ("1/64 in", 396.875), ("1/1000in", 25.4), ("3/16 inch", 4762.5), ("1/2 mm", 500.0),
        ("1 1/2 in", 38100.0), ("1-1/2 in", 38100.0), ("1/10 mil", 2.54), ("11/64 in", 4365.625),
        ("1 / 64 in", 396.875), ("1⁄64 in", 396.875),
    ],
)  # fmt: skip
def test_parts_of_a_unit_are_exact(text: str, um: float) -> None:
    assert units.parse_length_um(text) == um
    assert units.half_last_digit(text) is None  # a mark of a ruler is no rounded number


@pytest.mark.parametrize("text", ["1/0 in", "1/64", "1/64/2 in", "1.5/64 in", "-1/64 in", "1/ in"])
def test_what_is_no_part_of_a_unit_is_refused(text: str) -> None:
    with pytest.raises(Unusable, match="length with its unit"):
        units.parse_length_um(text)


@pytest.mark.parametrize(
    "text",
    ["10", "", "um", "ten um", "10 kg", "10 s", "nan um", "inf um", "1e999 um", "10 um um um /",
     "10 um; rm", "--1 um", 10, 10.0, None, True, ["10 um"], "10 blorps", "1 um\n2"],
)  # fmt: skip
def test_what_is_no_length_is_refused_in_one_line(text: object) -> None:
    with pytest.raises(Unusable) as caught:
        units.parse_length_um(text)
    assert "length with its unit" in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.floats(1e-6, 1e6), st.sampled_from(["nm", "um", "mm", "cm", "m", "in"]))
def test_lengths_survive_being_written_with_a_unit(value: float, unit: str) -> None:
    factor = {"nm": 1e-3, "um": 1, "mm": 1e3, "cm": 1e4, "m": 1e6, "in": 25400}[unit]
    assert units.parse_length_um(f"{value!r} {unit}") == pytest.approx(value * factor, rel=1e-9)


@given(st.text(max_size=30), st.sampled_from(KINDS))
def test_any_text_is_a_finite_number_or_refused(text: str, kind: str) -> None:
    with contextlib.suppress(Unusable):
        assert math.isfinite(units.parse(text, kind))


@given(st.one_of(st.text(max_size=20), st.integers(), st.floats(), st.none(), st.booleans(),
                 st.lists(st.integers(), max_size=2)))  # fmt: skip
def test_any_factor_is_positive_or_refused(value: object) -> None:
    for read in (units.parse_factor, units.parse_factor_range, units.parse_megapixels):
        try:
            found = read(value)
        except Unusable:
            continue
        ends = found if isinstance(found, tuple) else (found,)
        assert all(math.isfinite(end) and end > 0 for end in ends)


def test_factors_ranges_and_pixel_counts() -> None:
    assert units.parse_factor("4.5x") == 4.5
    assert units.parse_factor("4.5×") == 4.5
    assert units.parse_factor(2) == 2
    assert units.parse_factor_range("0.7x to 4.5x") == (0.7, 4.5)
    assert units.parse_factor_range("4x") == (4, 4)
    assert units.parse_pixels("1920 x 1080") == (1920, 1080)
    assert units.parse_pixels("640×480 px") == (640, 480)
    assert units.parse_megapixels("12 MP") == 12
    assert units.parse_megapixels("4000 x 3000") == 12
    with pytest.raises(Unusable, match="from the higher"):
        units.parse_factor_range("4x to 1x")


def test_percentages_and_prices() -> None:
    assert units.parse_fraction("0.2 %") == pytest.approx(0.002)
    assert units.parse_money("129.90 EUR") == (129.9, "EUR")
    for bad in ("0.2", "0.2 um", 0.2, "nan %"):
        with pytest.raises(Unusable):
            units.parse_fraction(bad)
    for bad in ("129.90", "129 eur", "EUR", 129, "12 EURO"):
        with pytest.raises(Unusable):
            units.parse_money(bad)
    # 1249 with its thousands marked, or 1.25: told apart by nobody
    with pytest.raises(Unusable, match='"1249 EUR"'):
        units.parse_money("1.249 EUR")
    assert units.parse_money("0.5 EUR") == (0.5, "EUR")
