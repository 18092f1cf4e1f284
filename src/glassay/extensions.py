"""What other packages add: records that their entry points name, and names turned into things.

The form is that of the Python packaging specifications ("Entry points specification"): a
group, and "module:attribute". docs/extending.md shows a whole extension.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Iterable, Iterator, MutableMapping
from importlib.metadata import entry_points
from typing import Any, TypeVar

from glassay.errors import Unusable

T = TypeVar("T")


class Records(MutableMapping[str, T]):
    """Records by their names: our own, then those that other packages add to a group.

    Those are loaded when the first record is asked for, not while modules are being imported: they
    may import whatever they extend.
    """

    def __init__(self, group: str, kind: type[T], own: Iterable[tuple[str, T]]) -> None:
        self._group, self._kind, self._own = group, kind, dict(own)
        self._all: dict[str, T] | None = None

    def _known(self) -> dict[str, T]:
        if self._all is None:
            found = _added(self._group, self._kind)
            self._all = self._own | {name: one for name, one in found if name not in self._own}
        return self._all

    def __getitem__(self, name: str) -> T:
        return self._known()[name]

    def __setitem__(self, name: str, record: T) -> None:
        self._known()[name] = record

    def __delitem__(self, name: str) -> None:
        del self._known()[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._known())

    def __len__(self) -> int:
        return len(self._known())


def _added(group: str, kind: type[T]) -> list[tuple[str, T]]:
    """Every record of this kind, with its name, that installed packages add under the group.

    An entry point names one record or a sequence of them. Raises `Unusable` naming the extension
    where it cannot be loaded or gives something else.
    """
    found: list[tuple[str, T]] = []
    for point in sorted(entry_points(group=group), key=lambda one: one.name):
        try:
            given = point.load()
        except Exception as error:  # whatever code of others raises while it is loaded
            raise Unusable(
                f"the extension {point.name!r} ({point.value}) cannot be loaded:"
                f" {type(error).__name__}: {error}"
            ) from error
        for one in given if isinstance(given, list | tuple) else [given]:
            if not isinstance(one, kind):
                raise Unusable(
                    f"the extension {point.name!r} ({point.value}) gives no {kind.__name__}"
                )
            found.append((str(getattr(one, "name", point.name)), one))
    return found


def is_extended(group: str) -> bool:
    """Whether any installed package adds to the group; nothing of it is loaded."""
    return bool(entry_points(group=group))


def named(reference: str) -> Any:
    """The thing that "module:attribute" names, loaded on first use."""
    return pkgutil.resolve_name(reference)
