"""Values with uncertainty: the worked examples of the GUM, and laws that hold for any numbers."""

from __future__ import annotations

import json
import math
import pickle

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from uncertainties import umath

from glassay.quantity import (
    Contribution,
    Quantity,
    combine,
    name_exposures,
    rounded,
    weighted_sum,
)

SIZES = st.floats(1e-6, 1e6)
DOFS = st.one_of(st.just(math.inf), st.floats(1, 1000))


def correlated(
    values: list[float], us: list[float], correlation: np.ndarray, units: list[str]
) -> list[Quantity]:
    """Quantities with a given correlation matrix, made of shared unknowns by Cholesky factors."""
    factor = np.linalg.cholesky(correlation)
    return [
        Quantity(value, unit, tuple(
            Contribution(f"unknown {j}", u * row[j], identity=f"unknown {j}")
            for j in range(len(values))
        ))
        for value, u, row, unit in zip(values, us, factor, units, strict=True)
    ]  # fmt: skip


def test_simultaneous_resistance_and_reactance() -> None:
    # JCGM 100:2008, H.2; the five observations of each input and the results are from memory.
    observed = np.array([
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ])  # fmt: skip
    means = observed.mean(axis=1)
    us = observed.std(axis=1, ddof=1) / 5**0.5
    matrix = np.corrcoef(observed)
    # The means, uncertainties and correlations as printed in H.2.
    assert means == pytest.approx([4.999, 19.661e-3, 1.04446])
    assert us == pytest.approx([3.2e-3, 9.5e-6, 0.75e-3], rel=0.01)
    assert matrix[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.36, 0.86, -0.65], abs=0.005)
    inputs = correlated(list(means), list(us), matrix, ["V", "A", "rad"])
    resistance = combine(lambda v, i, phi: v / i * umath.cos(phi), inputs, "ohm")
    reactance = combine(lambda v, i, phi: v / i * umath.sin(phi), inputs, "ohm")
    impedance = combine(lambda v, i, phi: v / i, inputs, "ohm")
    assert resistance.value == pytest.approx(127.732, abs=0.001)
    assert reactance.value == pytest.approx(219.847, abs=0.001)
    assert impedance.value == pytest.approx(254.260, abs=0.001)
    # Within one unit of the last digit printed.
    assert resistance.u == pytest.approx(0.071, abs=0.001)
    assert reactance.u == pytest.approx(0.295, abs=0.001)
    assert impedance.u == pytest.approx(0.236, abs=0.001)


def test_end_gauge_calibration() -> None:
    # JCGM 100:2008, H.1 (from memory): u_c = 32 nm with 16 effective degrees of freedom.
    length = Quantity.of(50.000623e6, 25.0, "nm", "standard", 18)
    difference = Quantity(215.0, "nm", (
        Contribution("repeated observations", 5.8, 24),
        Contribution("comparator, random", 3.9, 5),
        Contribution("comparator, systematic", 6.7, 8),
    ))  # fmt: skip
    expansion_gap = Quantity.of(0.0, 0.58e-6, "1/K", "difference of expansion", 50)
    temperature = Quantity.of(-0.1, 0.41, "K", "mean temperature and its cycle")
    expansion = Quantity.of(11.5e-6, 1.2e-6, "1/K", "expansion of the standard")
    temperature_gap = Quantity.of(0.0, 0.029, "K", "temperature difference", 2)
    result = combine(
        lambda s, d, da, t, a, dt: s + d - s * (da * t + a * dt),
        [length, difference, expansion_gap, temperature, expansion, temperature_gap],
        "nm",
    )
    assert result.value == pytest.approx(50.000838e6, abs=1)
    assert result.u == pytest.approx(32, abs=0.5)
    assert math.floor(result.dof) == 16
    assert result.contributions[0].source == "standard"
    # t-factor for 99 % would be 2.92 there; for 95 % at 16 degrees of freedom it is 2.12 (G.2).
    assert result.k == pytest.approx(2.12, abs=0.005)


def test_coverage_factor_without_limit_of_freedom_is_1_96() -> None:
    # JCGM 100:2008, table G.2
    assert Quantity.of(1, 0.1, "1").k == pytest.approx(1.960, abs=0.001)
    assert Quantity.of(1, 0.1, "1", dof=5).k == pytest.approx(2.57, abs=0.005)


@given(SIZES, SIZES, st.floats(1e-6, 0.3), st.floats(1e-6, 0.3))
def test_relative_uncertainties_of_a_ratio_add_in_squares(
    a: float, b: float, ra: float, rb: float
) -> None:
    pair = [Quantity.of(a, a * ra, "um"), Quantity.of(b, b * rb, "um")]
    ratio = combine(lambda x, y: x / y, pair, "1")
    assert ratio.relative == pytest.approx(math.hypot(ra, rb), rel=1e-6)


@given(SIZES, SIZES, st.floats(1e-6, 0.3))
def test_what_is_shared_cancels_in_a_ratio_and_adds_in_a_sum(a: float, b: float, r: float) -> None:
    one = Quantity(a, "um", (Contribution("slide", a * r, identity="slide"),))
    two = Quantity(b, "um", (Contribution("slide", b * r, identity="slide"),))
    assert combine(lambda x, y: x / y, [one, two], "1").u <= 1e-9 * (a / b)
    total = combine(lambda x, y: x + y, [one, two], "um")
    assert total.u == pytest.approx((a + b) * r, rel=1e-9)


@given(st.lists(st.tuples(st.text(max_size=8), SIZES, DOFS), max_size=6), SIZES)
def test_a_quantity_survives_being_written_down(
    parts: list[tuple[str, float, float]], value: float
) -> None:
    quantity = Quantity(value, "um", tuple(
        Contribution(source, u, dof) if index % 2 else Contribution(source, u, dof, "slide")
        for index, (source, u, dof) in enumerate(parts)
    ))  # fmt: skip
    assert Quantity.from_json(quantity.as_json()) == quantity


@given(SIZES, st.floats(1e-9, 1e3))
def test_an_interval_holds_the_value_and_scales_with_it(value: float, u: float) -> None:
    quantity = Quantity.of(value, u, "um")
    low, high = quantity.interval
    assert low < value < high or u < 1e-12 * value
    assert quantity.scaled(-3, "1").u == pytest.approx(3 * u)


@given(st.floats(-1e9, 1e9), st.floats(1e-9, 1e9))
def test_rounded_text_is_within_half_a_digit_of_the_uncertainty(value: float, u: float) -> None:
    text, spread = rounded(value, u)
    # Two significant digits of U: the last one is worth at most a tenth of U.
    assert abs(float(text) - value) <= 0.0501 * u + 1e-12 * abs(value)
    assert float(spread) == pytest.approx(u, rel=0.051)


@pytest.mark.parametrize(
    ("value", "expanded", "text", "spread"),
    [
        # JCGM 100:2008, 7.2.6, its two examples with U in the place of u.
        (10.05762, 0.027, "10.058", "0.027"),
        (28.0542, 0.9, "28.05", "0.90"),
        # what rounds to zero has no sign
        (-0.0004, 0.12, "0.00", "0.12"),
        (-3.0, 500.0, "0", "500"),
        (-0.0, 0.0, "0", "0"),
        (-0.006, 0.12, "-0.01", "0.12"),
        # rounding carries the uncertainty into its next digit, which costs the value one as well
        (1.23456, 0.0996, "1.23", "0.10"),
        (1.23456, 0.0994, "1.235", "0.099"),
        (123.4, 9.96, "123", "10"),
        (123.4, 9.94, "123.4", "9.9"),
        (12345.6, 99.6, "12350", "100"),
        (12345.6, 994.0, "12350", "990"),
        (12345.6, 99.4, "12346", "99"),
        (12.5, -0.31, "12.50", "-0.31"),
        (1234567.0, 0.0, "1.23457e+06", "0"),
        (2.0, math.inf, "2", "inf"),
        (math.inf, 0.1, "inf", "0.1"),
    ],
)
def test_no_more_digits_are_told_than_the_uncertainty_supports(
    value: float, expanded: float, text: str, spread: str
) -> None:
    assert rounded(value, expanded) == (text, spread)


@given(st.floats(0.01, 100), st.floats(0.01, 100), st.floats(1, 50), st.floats(1, 50))
def test_effective_freedom_lies_between_the_least_and_the_sum(
    u1: float, u2: float, dof1: float, dof2: float
) -> None:
    # A property of the Welch-Satterthwaite formula (JCGM 100:2008, G.4.1).
    assume(u1 > 1e-3)
    quantity = Quantity(1.0, "1", (Contribution("a", u1, dof1), Contribution("b", u2, dof2)))
    assert min(dof1, dof2) * 0.999 <= quantity.dof <= (dof1 + dof2) * 1.001


def test_a_quantity_less_itself_is_exactly_nothing_also_after_pickling() -> None:
    # JCGM 100:2008, 5.2.2: fully correlated inputs.
    one = Quantity.of(3.7, 0.2, "um")
    again = pickle.loads(pickle.dumps(one))
    assert combine(lambda a, b: a - b, (one, again), "um").u == 0
    assert combine(lambda a, b: a / b, (one.scaled(640, "um"), again.scaled(480, "um")), "1").u == 0


def test_named_unknowns_stay_the_same_through_json_and_keep_their_sign() -> None:
    one = name_exposures({"q": Quantity(2.0, "um", (Contribution("fit", -0.1),))}, "photo")["q"]
    again = Quantity.from_json(json.loads(json.dumps(one.as_json())))
    assert combine(lambda a, b: a - b, (one, again), "um").u == 0


def test_two_measurements_with_noise_of_one_size_are_independent() -> None:
    one, two = Quantity.of(3.7, 0.3, "um"), Quantity.of(3.7, 0.4, "um")
    assert combine(lambda a, b: a - b, (one, two), "um").u == pytest.approx(0.5)


def test_what_was_combined_still_cancels_with_what_it_was_made_of() -> None:
    # JCGM 100:2008, 5.2.2: the sign of a contribution counts as much as its size.
    one = Quantity.of(3.0, 0.3, "um")
    twice = combine(lambda a: 2 * a, (one,), "um")
    assert combine(lambda a, b: a - 2 * b, (twice, one), "um").u == 0
    assert combine(lambda a, b: a + 2 * b, (twice, one), "um").u == pytest.approx(1.2)


def test_what_rests_on_no_uncertain_number_is_exact() -> None:
    assert combine(lambda a: 7.0, (Quantity.of(3.0, 0.3, "um"),), "mm") == Quantity(7.0, "mm")
    assert Quantity.of(3, 0, "um").contributions == ()
    assert Quantity.of(3, 1, "um").contributions[0].source == "stated"
    assert Quantity.of(3, 1, "um").scaled(1e-3, "mm").unit == "mm"


def test_an_unknown_named_after_its_owner_is_one_wherever_it_is_met() -> None:
    photos = [
        Quantity(2.0, "um", (
            Contribution("lens", 0.1, scope="setting"), Contribution("lines", 0.2),
        ))
        for _ in range(2)
    ]  # fmt: skip
    first, second = (one.named("setting near", "setting") for one in photos)
    # The lens is the same in both photos and cancels; what the lines scatter by does not.
    assert combine(lambda a, b: a - b, (first, second), "um").u == pytest.approx(0.2 * 2**0.5)
    other = photos[1].named("setting far", "setting")
    assert combine(lambda a, b: a - b, (first, other), "um").u == pytest.approx(0.05**0.5 * 2**0.5)
    again = first.named("setting far", "setting")
    assert again == first, "a name, once given, stays"


def test_names_within_a_photo_are_distinct_and_only_given_once() -> None:
    fit, lines = Contribution("fit", 0.1), Contribution("fit", 0.2, scope="capture")
    lens, slide = (
        Contribution("lens", 0.3, scope="setting"), Contribution("slide", 0.4, identity="slide 7"),
    )  # fmt: skip
    named = name_exposures(
        {"a": Quantity(1, "um", (fit, lens, slide)), "b": Quantity(1, "um", (fit, lines))}, "photo"
    )
    of_a, of_b = ({p.u: p for p in one.contributions} for one in named.values())
    assert of_a[0.1].identity == of_b[0.1].identity == "photo 1: fit"
    assert of_b[0.2].identity == "photo 2: fit"
    assert of_a[0.3].is_fresh
    assert of_a[0.4].identity == "slide 7"


def test_one_more_contribution_adds_in_squares_unless_it_is_a_known_one() -> None:
    one = Quantity.of(5.0, 0.3, "um")
    assert one.with_contribution("slide", 0.4).u == pytest.approx(0.5)
    known = one.contributions[0].identity
    assert one.with_contribution("again", 0.4, identity=known).u == pytest.approx(0.7)
    more = one.with_contribution("slide", 0.4, 9, "slide 7", "reference").contributions[0]
    assert (more.source, more.u, more.dof, more.identity, more.scope) == (
        "slide", 0.4, 9, "slide 7", "reference",
    )  # fmt: skip
    assert one.with_contribution("slide", 0.4).contributions[0].scope == "exposure"
    assert one.with_contribution("slide", 0.4).contributions[0].dof == math.inf


def test_a_budget_is_written_with_its_factor_and_without_passing_names() -> None:
    written = Quantity(2.0, "um", (Contribution("fit", 0.1, 4), Contribution("x", 0.0))).as_json()
    # 4 degrees of freedom: 2.78 (JCGM 100:2008, table G.2)
    assert written["k"] == pytest.approx(2.78, abs=0.005)
    assert all("identity" not in part for part in written["contributions"])
    with pytest.raises(ValueError, match="'the moon' is no scope"):
        Contribution.from_json({"source": "fit", "u": 0.1, "scope": "the moon"})


@given(st.lists(st.tuples(st.floats(-9, 9), st.floats(0.01, 9)), min_size=1, max_size=5))
def test_a_weighted_sum_is_what_the_general_rule_gives(terms: list[tuple[float, float]]) -> None:
    shared = Contribution("slide", 0.3, identity="slide 7", scope="reference")
    quantities = [
        Quantity(10.0 * n, "um", (Contribution("fit", u, 5), shared))
        for n, (_, u) in enumerate(terms)
    ]
    weights = [weight for weight, _ in terms]
    quick = weighted_sum(weights, quantities, "um")
    whole = combine(
        lambda *values: sum(w * v for w, v in zip(weights, values, strict=True)), quantities, "um"
    )
    assert quick.value == pytest.approx(whole.value, abs=1e-9)
    assert quick.u == pytest.approx(whole.u, abs=1e-9)
    assert quick.dof == pytest.approx(whole.dof, rel=1e-6) or quick.u < 1e-9
    of_slide = [
        sum(p.u for p in one.contributions if p.scope == "reference") for one in (quick, whole)
    ]
    assert of_slide[0] == pytest.approx(of_slide[1], abs=1e-9)
