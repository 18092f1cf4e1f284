"""Between findings and plain data, without loss: what a result file holds."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from glassay.bench.document.model import Money
from glassay.finding import Finding
from glassay.quantity import Quantity


def finding_to_plain(finding: Finding) -> dict[str, Any]:
    """A finding with its method."""
    if isinstance(finding.value, Quantity):
        return {"method": finding.method, "quantity": to_plain(finding.value)}
    return {"method": finding.method, "fact": finding.value}


def finding_from_plain(data: Mapping[str, Any]) -> Finding:
    """The inverse. Raises KeyError, TypeError or ValueError when the data is damaged."""
    if "quantity" in data:
        return Finding(Quantity.from_json(data["quantity"]), str(data["method"]))
    fact = data["fact"]
    if not isinstance(fact, bool | int | str):
        raise TypeError(f"{fact!r} is no fact")
    return Finding(fact, str(data["method"]))


def value_to_plain(value: Any) -> Any:
    """A value of a cell or a condition as people's scripts read it: quantities and money as tables."""
    if isinstance(value, Quantity):
        return value.as_json()
    if isinstance(value, Money):
        return {"amount": value.amount, "currency": value.currency}
    return value


def to_plain(thing: Any) -> Any:
    """Any evidence (dataclasses, arrays, mappings, quantities) as data that JSON can hold.

    Numbers that are not finite become None, since JSON has none.
    """
    if isinstance(thing, Quantity):
        return to_plain(thing.as_json())
    if isinstance(thing, Finding):
        return finding_to_plain(thing)
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        return {f.name: to_plain(getattr(thing, f.name)) for f in dataclasses.fields(thing)}
    if isinstance(thing, Mapping):
        return {str(key): to_plain(value) for key, value in thing.items()}
    if isinstance(thing, np.ndarray | np.generic):
        return to_plain(thing.tolist())
    if isinstance(thing, list | tuple | set | frozenset):
        return [to_plain(part) for part in thing]
    if isinstance(thing, float):
        return thing if math.isfinite(thing) else None
    if thing is None or isinstance(thing, bool | int | str):
        return thing
    return str(thing)
