"""Values with uncertainty: value, standard uncertainty, unit, and what the uncertainty is made of.

Arithmetic is first-order propagation as in JCGM 100:2008, done by the `uncertainties` library.
What this module adds is bookkeeping: every contribution keeps its name, its degrees of freedom and,
where two quantities lean on the same unknown (one slide photographed through two instruments), the
identity of that unknown, so that a ratio of two fields does not count the slide twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from scipy.special import stdtrit
from uncertainties import ufloat
from uncertainties.core import AffineScalarFunc, Variable

COVERAGE_PROBABILITY = 0.95
"""Probability of every expanded interval that is printed; the usual choice (JCGM 100:2008, 6.3)."""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget.

    `u` is the standard uncertainty that this source carries into the value, in the value's unit.
    It is signed when `shared` is given: the sign is that of the sensitivity to the shared unknown,
    so that contributions with the same `shared` add as correlated ones. `dof` are the degrees of
    freedom behind `u` (infinite for one taken from a certificate or assumed).
    """

    source: str
    u: float
    dof: float = math.inf
    shared: str | None = None


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its unit and its uncertainty budget. `unit` is "1" for a pure number."""

    value: float
    unit: str
    contributions: tuple[Contribution, ...] = field(default=())

    @classmethod
    def of(
        cls, value: float, u: float, unit: str, source: str = "stated", dof: float = math.inf
    ) -> Quantity:
        """A quantity with a single contribution `u` (none if `u` is 0)."""
        lines = (Contribution(source, float(u), dof),) if u else ()
        return cls(float(value), unit, lines)

    @property
    def u(self) -> float:
        """Combined standard uncertainty, in `unit`."""
        return math.sqrt(sum(part.u**2 for part in self.budget()))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite, JCGM 100:2008, G.4.1)."""
        finite = [p for p in self.contributions if math.isfinite(p.dof) and p.u]
        below = sum(p.u**4 / p.dof for p in finite)
        return self.u**4 / below if below > 0 else math.inf

    @property
    def k(self) -> float:
        """Coverage factor for `COVERAGE_PROBABILITY` at the effective degrees of freedom."""
        dof = self.dof
        p = 0.5 + COVERAGE_PROBABILITY / 2
        # JCGM 100:2008 G.4.1 truncates the effective degrees of freedom to the next lower integer;
        # below 1 there is no such integer, so the real value is used.
        return float(stdtrit(math.floor(dof) if 1 <= dof < 1e6 else min(dof, 1e6), p))

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k u, in `unit`."""
        return self.k * self.u

    @property
    def interval(self) -> tuple[float, float]:
        """The coverage interval (value - U, value + U)."""
        return self.value - self.expanded, self.value + self.expanded

    @property
    def relative(self) -> float:
        """Relative standard uncertainty u / |value|; infinite for a value of 0."""
        return self.u / abs(self.value) if self.value else math.inf

    def budget(self) -> tuple[Contribution, ...]:
        """Contributions with those of one shared unknown added together, largest first."""
        merged: dict[object, Contribution] = {}
        for index, part in enumerate(self.contributions):
            key: object = part.shared if part.shared is not None else index
            before = merged.get(key)
            merged[key] = part if before is None else replace(before, u=before.u + part.u)
        return tuple(sorted(merged.values(), key=lambda part: -abs(part.u)))

    def with_contribution(
        self, source: str, u: float, dof: float = math.inf, shared: str | None = None
    ) -> Quantity:
        """The same value with one more contribution, `u` in the quantity's unit."""
        return replace(
            self, contributions=(*self.contributions, Contribution(source, u, dof, shared))
        )

    def scaled(self, factor: float, unit: str) -> Quantity:
        """The quantity times an exact `factor`, stated in `unit`."""
        parts = tuple(replace(part, u=part.u * factor) for part in self.contributions)
        return Quantity(self.value * factor, unit, parts)

    def as_json(self) -> dict[str, Any]:
        """Plain data: value, u, unit, and the budget when there is more than one line in it."""
        out: dict[str, Any] = {"value": self.value, "u": self.u, "unit": self.unit}
        if self.contributions:
            out["k"] = self.k
            out["contributions"] = [
                {"source": p.source, "u": abs(p.u)}
                | ({"dof": p.dof} if math.isfinite(p.dof) else {})
                for p in self.budget()
            ]
        return out


def combine(
    formula: Callable[..., AffineScalarFunc | float], quantities: Sequence[Quantity], unit: str
) -> Quantity:
    """Evaluate `formula(*quantities)` and propagate every contribution to first order.

    `formula` takes as many numbers as there are quantities and uses ordinary arithmetic or
    `uncertainties.umath`. Contributions with the same `shared` identity are one variable, hence
    fully correlated; all others are independent (JCGM 100:2008, 5.1 and 5.2).
    """
    shared: dict[str, Variable] = {}
    tags: dict[Variable, tuple[str, float, str | None]] = {}
    arguments = []
    for quantity in quantities:
        argument: AffineScalarFunc | float = quantity.value
        for part in quantity.contributions:
            if not part.u:
                continue
            if part.shared is None:
                variable = ufloat(0.0, abs(part.u))
                argument = argument + variable
            else:
                variable = shared.setdefault(part.shared, ufloat(0.0, 1.0))
                argument = argument + part.u * variable
            tags[variable] = (part.source, part.dof, part.shared)
        arguments.append(argument)
    result = formula(*arguments)
    if not isinstance(result, AffineScalarFunc):
        return Quantity(float(result), unit)
    parts = []
    for variable, slope in result.derivatives.items():
        source, dof, identity = tags[variable]
        u = float(slope * variable.std_dev)
        parts.append(Contribution(source, u if identity else abs(u), dof, identity))
    return Quantity(float(result.nominal_value), unit, tuple(parts))


def rounded(value: float, expanded: float) -> tuple[str, str]:
    """Value and expanded uncertainty as text, cut to two significant digits of the uncertainty.

    JCGM 100:2008, 7.2.6: no more digits than the uncertainty supports.
    """
    if not expanded or not math.isfinite(expanded) or not math.isfinite(value):
        return f"{value:.6g}", f"{expanded:.2g}"
    decimals = 1 - math.floor(math.log10(abs(expanded)))
    if round(abs(expanded), decimals) >= 10 ** (2 - decimals):  # 0.0996 rounds up to 0.100
        decimals -= 1
    if decimals >= 0:
        return f"{value:.{decimals}f}", f"{expanded:.{decimals}f}"
    return f"{round(value, decimals):.0f}", f"{round(expanded, decimals):.0f}"
