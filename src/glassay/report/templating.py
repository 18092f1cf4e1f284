"""The templates of the report. Everything is escaped unless it is `Markup`."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from glassay.report import numbers

Filling = Mapping[str, Any]
"""What a template needs, by name."""


@lru_cache(maxsize=1)
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("glassay.report"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.filters["amount"] = numbers.amount
    made.filters["times"] = numbers.times
    made.filters["as_length"] = numbers.length
    made.filters["in_unit"] = numbers.in_unit
    made.filters["prose"] = numbers.prose
    made.filters["sentence"] = numbers.sentence
    made.globals["verdict"] = numbers.verdict
    return made


def render(template: str, filling: Filling) -> Markup:
    """A template of `report/templates/` with its filling."""
    return Markup(_environment().get_template(template).render(filling))


def source(name: str) -> Markup:
    """The text of a file in `report/templates/` as it stands."""
    made = _environment()
    assert made.loader is not None
    return Markup(made.loader.get_source(made, name)[0])
