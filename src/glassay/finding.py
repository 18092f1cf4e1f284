"""What a measurement hands back: named findings, each with the method it rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from glassay.quantity import Quantity

Fact = bool | int | str
"""A finding that is certain or not a number: a count, a codec name, whether a file is cut off."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A measured quantity or an observed fact, and the method that gave it."""

    value: Quantity | Fact
    method: str

    @property
    def quantity(self) -> Quantity:
        """The finding as a quantity (a count becomes one with no uncertainty)."""
        if isinstance(self.value, Quantity):
            return self.value
        if isinstance(self.value, str):
            raise TypeError(f"the fact {self.value!r} is not a number")
        return Quantity(float(self.value), "1")

    def as_json(self) -> dict[str, Any]:
        """Plain data with the keys value, u, unit and method (facts carry u 0 and unit "1")."""
        if isinstance(self.value, Quantity):
            return self.value.as_json() | {"method": self.method}
        return {"value": self.value, "u": 0, "unit": "1", "method": self.method}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Finding:
        """The inverse. Raises KeyError, TypeError or ValueError when the data is damaged.

        A whole number without uncertainty and unit is a count, as `as_json` writes those only for
        facts: a quantity's value is written with its point.
        """
        value, method = data["value"], str(data["method"])
        if data["unit"] == "1" and not data["u"] and isinstance(value, bool | int | str):
            return cls(value, method)
        return cls(Quantity.from_json(data), method)


class Measurement(Protocol):
    """What every measurement's result offers besides its own evidence."""

    @property
    def notes(self) -> tuple[str, ...]:
        """Assumptions made and oddities seen, one sentence each."""
        ...

    def findings(self) -> Mapping[str, Finding]:
        """Findings by their fixed key."""
        ...
