"""A finding comes back from its JSON as what it was: a quantity with its budget, or a fact."""

from __future__ import annotations

import json

import pytest

from glassay.bench.keeping.plain import to_plain
from glassay.finding import Fact, Finding
from glassay.quantity import Contribution, Quantity, name_exposures


@pytest.mark.parametrize("fact", [True, False, 0, 7, "h264", ""])
def test_a_fact_stays_a_fact(fact: Fact) -> None:
    back = Finding.from_json(json.loads(json.dumps(Finding(fact, "seen").as_json())))
    assert back == Finding(fact, "seen")
    assert type(back.value) is type(fact)


@pytest.mark.parametrize(
    "quantity",
    [
        Quantity(3.0, "1"),
        Quantity(3, "um"),
        Quantity(2, "1", (Contribution("fit", -0.1, 4.0, "lens A", "setting"),)),
    ],
)
def test_a_quantity_stays_one_with_signs_identities_and_scopes(quantity: Quantity) -> None:
    back = Finding.from_json(json.loads(json.dumps(to_plain(Finding(quantity, "fit")))))
    assert isinstance(back.value, Quantity)
    assert back.value == quantity
    for a, b in zip(back.value.contributions, quantity.contributions, strict=True):
        assert (a.identity, a.scope, a.u) == (b.identity, b.scope, b.u)


def test_what_two_quantities_of_a_capture_share_stays_one_unknown_when_kept() -> None:
    part = Contribution("choice of a model", 0.2, scope="capture")
    pair = {"width": Quantity(10.0, "um", (part,)), "height": Quantity(5.0, "um", (part,))}
    kept = {
        key: Quantity.from_json(json.loads(json.dumps(q.as_json())))
        for key, q in name_exposures(pair, "capture 1").items()
    }
    identities = {q.contributions[0].identity for q in kept.values()}
    assert len(identities) == 1
