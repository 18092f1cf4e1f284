"""What other packages add: records that their entry points name, and names turned into things.

The form is that of the Python packaging specifications ("Entry points specification"): a
group, and "module:attribute". docs/extending.md shows a whole extension.
"""

from __future__ import annotations

import pkgutil
from importlib.metadata import entry_points
from typing import Any

from glassay.errors import Unusable


def added(group: str, kind: type) -> list[Any]:
    """Every record of this kind that installed packages add under the entry point group.

    An entry point names one record or a sequence of them. Raises `Unusable` naming the extension
    where it cannot be loaded or gives something else.
    """
    found = []
    for point in sorted(entry_points(group=group), key=lambda one: one.name):
        try:
            given = point.load()
        except Exception as error:  # whatever code of others raises while it is loaded
            raise Unusable(
                f"the extension {point.name!r} ({point.value}) cannot be loaded:"
                f" {type(error).__name__}: {error}"
            ) from error
        records = list(given) if isinstance(given, list | tuple) else [given]
        if not all(isinstance(one, kind) for one in records):
            raise Unusable(f"the extension {point.name!r} ({point.value}) gives no {kind.__name__}")
        found += records
    return found


def is_extended(group: str) -> bool:
    """Whether any installed package adds to the group; nothing of it is loaded."""
    return bool(entry_points(group=group))


def named(reference: str) -> Any:
    """The thing that "module:attribute" names, loaded on first use."""
    return pkgutil.resolve_name(reference)
