"""Values with uncertainty: value, standard uncertainty, unit, and what the uncertainty is made of.

Arithmetic is first-order propagation as in JCGM 100:2008, done by the `uncertainties` library.
What this module adds is bookkeeping: every contribution keeps its name, its degrees of freedom and
the identity of the unknown behind it, through arithmetic, JSON and pickling. So q - q is exactly
zero, and a ratio of two fields does not count the slide or the lens that both lean on twice.
"""

from __future__ import annotations

import itertools
import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, get_args
from uuid import uuid4

from scipy.special import stdtrit
from uncertainties import ufloat
from uncertainties.core import AffineScalarFunc, Variable

COVERAGE_PROBABILITY = 0.95
"""Probability of every expanded interval that is printed; the usual choice (JCGM 100:2008, 6.3)."""

CANCELLED = 1e-13
"""Share of a value below which a contribution is what rounding left of one that cancelled: some
hundred times the spacing of doubles."""


Scope = Literal["exposure", "capture", "setting", "reference", "bench"]
"""Within what an unknown stays the same: one exposure (noise), one capture, one setting (its lens),
all that leans on one reference object (its certificate or assumed tolerance), or the whole bench."""

FRESH = "new "
"""What the identity of an unknown begins with that nobody has named yet."""


_RUN, _NEXT = uuid4().hex, itertools.count()


def _fresh() -> str:
    """Another one at every call, in whatever process that this one was copied into."""
    return f"{FRESH}{_RUN} {os.getpid()} {next(_NEXT)}"


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget.

    `u` is the standard uncertainty that this source carries into the value, in the value's unit; its
    sign is that of the sensitivity to the unknown. `identity` says which unknown: contributions of
    one identity are fully correlated, all others independent. An unknown without a name is one of
    its own and keeps its identity through arithmetic and pickling; `named` gives lasting names.
    `dof` are the degrees of freedom behind `u` (infinite for one taken from a certificate or
    assumed). Two contributions compare equal whatever their identity.
    """

    source: str
    u: float
    dof: float = math.inf
    identity: str = field(default_factory=_fresh, compare=False)
    scope: Scope = "exposure"

    @property
    def is_fresh(self) -> bool:
        """Whether nobody has named this unknown yet."""
        return self.identity.startswith(FRESH)

    def as_json(self) -> dict[str, Any]:
        """Plain data; a fresh identity is left out, since it is another one at every run."""
        out: dict[str, Any] = {"source": self.source, "u": self.u, "scope": self.scope}
        if math.isfinite(self.dof):
            out["dof"] = self.dof
        return out if self.is_fresh else out | {"identity": self.identity}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Contribution:
        """The inverse. Raises KeyError, TypeError or ValueError when the data is damaged."""
        scope = data["scope"]
        if scope not in get_args(Scope):
            raise ValueError(f"{scope!r} is no scope")
        dof = float(data.get("dof", math.inf))
        identity = str(data.get("identity") or _fresh())
        return cls(str(data["source"]), float(data["u"]), dof, identity, scope)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its unit and its uncertainty budget. `unit` is "1" for a pure number."""

    value: float
    unit: str
    contributions: tuple[Contribution, ...] = field(default=())
    """The budget: those of one unknown are added together when the quantity is made, and the largest
    come first."""

    def __post_init__(self) -> None:
        if len(self.contributions) < 2:
            return
        sums: dict[str, float] = {}
        first: dict[str, Contribution] = {}
        for part in self.contributions:
            name = part.identity
            if name in sums:
                sums[name] += part.u
            else:
                sums[name], first[name] = part.u, part
        merged = [
            part if part.u == sums[name] else replace(part, u=sums[name])
            for name, part in first.items()
        ]
        budget = tuple(sorted(merged, key=lambda part: -abs(part.u)))
        object.__setattr__(self, "contributions", budget)

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
        return math.sqrt(sum(part.u**2 for part in self.contributions))

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

    def with_contribution(
        self,
        source: str,
        u: float,
        dof: float = math.inf,
        identity: str | None = None,
        scope: Scope = "exposure",
    ) -> Quantity:
        """The same value with one more contribution, `u` in the quantity's unit."""
        part = Contribution(source, u, dof, identity or _fresh(), scope)
        return replace(self, contributions=(*self.contributions, part))

    def named(self, owner: str, scope: Scope) -> Quantity:
        """The quantity with lasting names for the still unnamed unknowns of one scope.

        They are named by `owner` (what they stay the same within) and their source, so that the
        same unknown has the same name wherever it is met. Sources that differ only from exposure
        to exposure are told apart by `name_exposures`.
        """
        if not any(p.is_fresh and p.scope == scope for p in self.contributions):
            return self
        parts = tuple(
            Contribution(p.source, p.u, p.dof, f"{owner}: {p.source}", p.scope)
            if p.is_fresh and p.scope == scope else p
            for p in self.contributions
        )  # fmt: skip
        return Quantity(self.value, self.unit, parts)

    def scaled(self, factor: float, unit: str) -> Quantity:
        """The quantity times an exact `factor`, stated in `unit`."""
        parts = tuple(replace(part, u=part.u * factor) for part in self.contributions)
        return Quantity(self.value * factor, unit, parts)

    def as_json(self) -> dict[str, Any]:
        """Plain data: value, u, unit, and the budget with signs and identities if there is one."""
        out: dict[str, Any] = {"value": float(self.value), "u": self.u, "unit": self.unit}
        if self.contributions:
            out["k"] = self.k
            out["contributions"] = [part.as_json() for part in self.contributions]
        return out

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Quantity:
        """The inverse. Raises KeyError, TypeError or ValueError when the data is damaged."""
        parts = tuple(Contribution.from_json(part) for part in data.get("contributions", ()))
        return cls(float(data["value"]), str(data["unit"]), parts)


def name_exposures(quantities: Mapping[str, Quantity], owner: str) -> dict[str, Quantity]:
    """The quantities of one measurement with lasting, distinct names for its unnamed unknowns that
    stay within one exposure or one capture; one that several quantities lean on gets one name."""
    names: dict[str, str] = {}
    out = {}
    for key, quantity in quantities.items():
        parts = []
        for part in quantity.contributions:
            if part.is_fresh and part.scope in ("exposure", "capture"):
                name = names.setdefault(part.identity, f"{owner} {len(names) + 1}: {part.source}")
                part = replace(part, identity=name)
            parts.append(part)
        out[key] = replace(quantity, contributions=tuple(parts))
    return out


def combine(
    formula: Callable[..., AffineScalarFunc | float], quantities: Sequence[Quantity], unit: str
) -> Quantity:
    """Evaluate `formula(*quantities)` and propagate every contribution to first order.

    `formula` takes as many numbers as there are quantities and uses ordinary arithmetic or
    `uncertainties.umath`. Contributions of one identity are one variable, hence fully correlated;
    all others are independent (JCGM 100:2008, 5.1 and 5.2).
    """
    unknowns: dict[str, Variable] = {}
    tags: dict[Variable, Contribution] = {}
    arguments = []
    for quantity in quantities:
        argument: AffineScalarFunc | float = quantity.value
        for part in quantity.contributions:
            if part.u:
                variable = unknowns.setdefault(part.identity, ufloat(0.0, 1.0))
                tags.setdefault(variable, part)
                argument = argument + part.u * variable
        arguments.append(argument)
    result = formula(*arguments)
    if not isinstance(result, AffineScalarFunc):
        return Quantity(float(result), unit)
    value = float(result.nominal_value)
    parts = tuple(
        replace(tags[variable], u=float(slope))
        for variable, slope in result.derivatives.items()
        if abs(slope) > CANCELLED * abs(value)
    )
    return Quantity(value, unit, parts)


def weighted_sum(weights: Sequence[float], quantities: Sequence[Quantity], unit: str) -> Quantity:
    """The sum of quantities times exact weights: what `combine` gives for it, without its cost.

    Contributions of one identity add with their signs (JCGM 100:2008, 5.2.2).
    """
    value = math.fsum(w * q.value for w, q in zip(weights, quantities, strict=True))
    whole = Quantity(value, unit, tuple(
        Contribution(part.source, weight * part.u, part.dof, part.identity, part.scope)
        for weight, quantity in zip(weights, quantities, strict=True)
        for part in quantity.contributions
    ))  # fmt: skip
    kept = tuple(p for p in whole.contributions if abs(p.u) > CANCELLED * abs(value))
    return replace(whole, contributions=kept)


def rounded(value: float, expanded: float) -> tuple[str, str]:
    """Value and expanded uncertainty as text, cut to two significant digits of the uncertainty.

    JCGM 100:2008, 7.2.6: no more digits than the uncertainty supports. What rounds to zero has no sign.
    """
    if not expanded or not math.isfinite(expanded) or not math.isfinite(value):
        return f"{value:z.6g}", f"{expanded:.2g}"
    decimals = 1 - math.floor(math.log10(abs(expanded)))
    if round(abs(expanded), decimals) >= 10 ** (2 - decimals):  # 0.0996 rounds up to 0.100
        decimals -= 1
    if decimals >= 0:
        return f"{value:z.{decimals}f}", f"{expanded:.{decimals}f}"
    return f"{round(value, decimals):z.0f}", f"{round(expanded, decimals):.0f}"
