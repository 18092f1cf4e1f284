"""Reading one `[[need]]` of `bench.toml`: the words, and the conditions behind them."""

from __future__ import annotations

import re

from glassay import units
from glassay.bench.document import table_reader as reader
from glassay.bench.document.instruments import money
from glassay.bench.document.model import Need
from glassay.bench.document.table_reader import Table, length_um
from glassay.errors import Unusable


def read_need(table: Table) -> Need | None:
    """A need; None when its id or its statement is missing."""
    need_id = table.need("id", reader.identifier, "a short name")
    statement = table.need("statement", reader.some_text, "what must be seen or done, in words")
    detail = table.maybe("detail", length_um)
    contrast = table.maybe("contrast", _contrast)
    if table.has("contrast") and not table.has("detail"):
        table.wrong("contrast", 'it belongs to a detail; add detail = "2 um"')
    need = Need(
        need_id or "", statement or "",
        table.take("note", reader.text, ""),
        table.line(),
        detail, contrast,
        table.maybe("field", read_field),
        table.maybe("clearance", length_um),
        table.maybe("rate", reader.positive(lambda value: units.parse(value, "frequency"))),
        table.maybe("budget", money),
        table.take("power", _words, ()),
        table.maybe("standalone", reader.truth),
        table.take("must", reader.truth, False),
    )  # fmt: skip
    table.finish()
    return need if need_id is not None and statement is not None else None


def _contrast(value: object) -> float:
    found = units.parse_fraction(value)
    if not 0 < found < 1:
        raise Unusable(f"{value!r} is no contrast between 0 and 100 %")
    return found


def read_field(value: object) -> tuple[float, float]:
    """ "12 mm", "1.8 mm x 1.4 mm" or "1.8 x 1.4 mm" as (longer, shorter) um; one length has no
    height (0). Raises `Unusable`.
    """
    sides = re.split(r"\s*[x×]\s*", value.strip()) if isinstance(value, str) else []
    if len(sides) == 1:
        return length_um(value), 0.0
    if len(sides) != 2:
        raise Unusable(f'{value!r} is not a field, like "12 mm" or "1.8 mm x 1.4 mm"')
    if re.fullmatch(r"[\d.]+", sides[0]):
        sides[0] += " " + re.sub(r"^[\d.\s]+", "", sides[1])
    first, second = (length_um(side) for side in sides)
    return max(first, second), min(first, second)


def _words(value: object) -> tuple[str, ...]:
    listed = value if isinstance(value, list) else [value]
    return tuple(reader.some_text(word) for word in listed)
