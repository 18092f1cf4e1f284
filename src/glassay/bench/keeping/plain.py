"""Between findings and plain data, without loss: what a result file holds."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from glassay.bench.document.model import Money
from glassay.finding import Finding
from glassay.quantity import Quantity


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
    if isinstance(thing, Quantity | Finding):
        return to_plain(thing.as_json())
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        return {f.name: to_plain(getattr(thing, f.name)) for f in dataclasses.fields(thing)}
    if isinstance(thing, Mapping):
        return {str(key): to_plain(value) for key, value in thing.items()}
    if isinstance(thing, np.ndarray | np.generic):
        listed = thing.tolist()
        holds_no_other = thing.dtype.kind in "biu" or (
            thing.dtype.kind == "f" and bool(np.isfinite(thing).all())
        )
        return listed if holds_no_other else to_plain(listed)
    if isinstance(thing, list | tuple | set | frozenset):
        return [to_plain(part) for part in thing]
    if isinstance(thing, float):
        return thing if math.isfinite(thing) else None
    if thing is None or isinstance(thing, bool | int | str):
        return thing
    return str(thing)


def in_lines(data: Any, levels: int, *, indent: int = 0) -> str:
    """JSON text of plain data: a line for each entry of the tables on the first `levels` levels; deeper
    ones are not broken into lines, which takes half of the time.

    Raises `ValueError` for numbers that are not finite.
    """
    if levels and isinstance(data, Mapping) and data:
        inner = indent + 1
        entries = [
            f"{inner * ' '}{json.dumps(str(key))}: {in_lines(value, levels - 1, indent=inner)}"
            for key, value in data.items()
        ]
        return "{\n" + ",\n".join(entries) + f"\n{indent * ' '}}}"
    return json.dumps(data, allow_nan=False)
