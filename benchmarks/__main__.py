"""`python -m benchmarks [NAME ...]`: print the speed ratios."""

from __future__ import annotations

import argparse
import importlib
import pkgutil

import benchmarks
from glassay.heap import keep_freed_memory


def main() -> None:
    """Run the named benchmarks, or all of them."""
    known = sorted(m.name for m in pkgutil.iter_modules(benchmarks.__path__)
                   if not m.name.startswith("_") and m.name != "reference")  # fmt: skip
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=benchmarks.__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", choices=[*known, []])
    options = parser.parse_args()
    keep_freed_memory()  # as the command does
    for name in options.names or known:
        print(importlib.import_module(f"benchmarks.{name}").report(), flush=True)


if __name__ == "__main__":
    main()
