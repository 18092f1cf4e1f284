"""Studies and benchmarks are run by hand and rarely; they follow the code all the same."""

from __future__ import annotations

import importlib
import pkgutil

import benchmarks
import pytest
import studies

MODULES = [
    found.name
    for package in (studies, benchmarks)
    for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
    if not found.name.endswith("__main__")
]


@pytest.mark.parametrize("name", MODULES)
def test_it_finds_all_that_it_uses(name: str) -> None:
    """One looked for a name that had moved, and nobody knew."""
    importlib.import_module(name)
