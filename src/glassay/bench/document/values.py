"""How values of `bench.toml` are read: from what TOML holds to what is kept, or `Unusable` with what
was expected. Below the readers stand the types of fields, and the fields that several tables have."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping
from pathlib import PurePosixPath
from typing import Annotated, Any

from glassay import units
from glassay.bench.document.fields import Reads, Said
from glassay.errors import Unusable


def text(value: object) -> str:
    """A text. Raises `Unusable`."""
    if not isinstance(value, str):
        raise Unusable(f"{value!r} is not a text in quotes")
    if found := _CONTROLS.search(value):
        number = f"U+{ord(found[0]):04X}"
        raise Unusable(f"{value!r} holds the control character {number}; write it without")
    return value.strip()


_CONTROLS = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
"""Characters that stand for nothing to be read, or turn the direction of what follows: texts with them
show other than they are written (Unicode, C0 and C1 controls and explicit directional formatting). Line
breaks and tabs stay."""


def some_text(value: object) -> str:
    """A text that is not empty. Raises `Unusable`."""
    found = text(value)
    if not found:
        raise Unusable("the text is empty")
    return found


def identifier(value: object) -> str:
    """An id: letters, digits, dots, hyphens and underscores. Raises `Unusable`."""
    found = some_text(value)
    if len(found) > 80 or not all(c.isalnum() or c in "._-" for c in found) or found[0] == ".":
        raise Unusable(
            f'{value!r} is not an id (letters, digits, "-", "_" and "." without spaces, at most 80)'
        )
    return found


def truth(value: object) -> bool:
    """true or false. Raises `Unusable`."""
    if not isinstance(value, bool):
        raise Unusable(f"{value!r} is not true or false (without quotes)")
    return value


def day(value: object) -> str:
    """A date, written as 2026-05-01 with or without quotes. Raises `Unusable`."""
    try:
        if isinstance(value, str):
            value = datetime.date.fromisoformat(value.strip())
    except ValueError:
        raise Unusable(f"{value!r} is not a date, like 2026-05-01") from None
    if not isinstance(value, datetime.date):
        raise Unusable(f"{value!r} is not a date, like 2026-05-01")
    return value.isoformat()


def whole(value: object) -> int:
    """A whole number of at least 1. Raises `Unusable`."""
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 10**9:
        raise Unusable(f"{value!r} is not a whole number from 1 up (without quotes)")
    return value


def number(value: object) -> float:
    """A positive number without unit. Raises `Unusable`."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e12:
        raise Unusable(f"{value!r} is not a positive number (without unit or quotes)")
    return float(value)


def a_table(value: object) -> Mapping[str, Any]:
    """A table as it is written. Raises `Unusable`."""
    if not isinstance(value, Mapping):
        raise Unusable(f"expected a table, {{ ... }}, not {value!r}")
    return value


def as_written(value: object) -> object:
    """The value itself, which its table reads when it is settled."""
    return value


def positive(read: Callable[[object], float]) -> Callable[[object], float]:
    """The reader `read`, refusing 0 and negative values."""

    def read_positive(value: object) -> float:
        found = read(value)
        if found <= 0:
            raise Unusable(f"{value!r} is not above 0")
        return found

    return read_positive


length_um: Callable[[object], float] = positive(units.parse_length_um)
"""A length above 0, in um. Raises `Unusable`."""


def length_mm(value: object) -> float:
    """A length above 0, in mm. Raises `Unusable`."""
    return length_um(value) / 1000


def file_name(value: object) -> str:
    """A path inside the bench folder, with forward slashes. Raises `Unusable`."""
    if not isinstance(value, str) or not (name := value.strip()):
        return some_text(value)  # which says what is wrong
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or "\\" in name or "\0" in name or ":" in name[:2]:
        raise Unusable(
            f"{value!r} is not a path inside the bench folder with forward slashes,"
            ' like "captures/slide.jpg"'
        )
    return str(path)


def file_names(value: object) -> tuple[str, ...]:
    """A list of such paths, at least one. Raises `Unusable`."""
    if not isinstance(value, list) or not value:
        raise Unusable(f'{value!r} is not a list of files, like ["captures/a.jpg"]')
    names = tuple(file_name(part) for part in value)
    if len(set(names)) < len(names):
        raise Unusable("a file stands twice in the list")
    return names


def texts(value: object) -> tuple[str, ...]:
    """One text or a list of them. Raises `Unusable`."""
    return tuple(some_text(part) for part in (value if isinstance(value, list) else [value]))


def duration(value: object) -> float:
    """A time "4 h" or "4 h 20 min" above 0, in seconds. Raises `Unusable`."""
    parts = re.findall(r"[\d.]+\s*[A-Za-z]+", value) if isinstance(value, str) else []
    if len(parts) < 2 or re.sub(r"[\d.]+\s*[A-Za-z]+|\s", "", str(value)):
        return positive(lambda text: units.parse(text, "time"))(value)
    return positive(lambda text: sum(units.parse(part, "time") for part in parts))(value)


def field_of_view(value: object) -> tuple[float, float]:
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


Text = Annotated[str, Reads(text)]
Words = Annotated[str, Reads(some_text)]
"""A text that is not empty."""
Id = Annotated[str, Reads(identifier)]
OtherId = Annotated[str | None, Reads(identifier)]
"""The id of something else in the document."""
Truth = Annotated[bool, Reads(truth, "yes or no")]
Number = Annotated[float, Reads(number, "number")]
Factor = Annotated[float, Reads(units.parse_factor)]
Share = Annotated[float, Reads(positive(units.parse_fraction))]
SomeLength = Annotated[float, Reads(length_um)]
Length = SomeLength | None
SomeLengthMm = Annotated[float, Reads(length_mm)]
LengthMm = SomeLengthMm | None
Pixels = Annotated[tuple[int, int] | None, Reads(units.parse_pixels)]
Files = Annotated[tuple[str, ...], Reads(file_names, "lines")]
Texts = Annotated[tuple[str, ...], Reads(texts, "lines")]
Day = Annotated[str, Reads(day), Said("Date", "2026-05-01")]
Name = Annotated[Text, Said("Name")]
Note = Annotated[str, Reads(text, "long"), Said("Note")]
