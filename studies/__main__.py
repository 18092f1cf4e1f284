"""`python -m studies [NAME ...] [--quick] [--keep FILE]`: print the accuracy studies."""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import sys
import time
from pathlib import Path

import studies
from glassay.heap import keep_freed_memory


def main() -> None:
    """Run the named studies, or all of them, in alphabetical order."""
    known = sorted(module.name for module in pkgutil.iter_modules(studies.__path__)
                   if not module.name.startswith("_"))  # fmt: skip
    parser = argparse.ArgumentParser(prog="python -m studies", description=studies.__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(known))
    parser.add_argument("--quick", action="store_true", help="a small sample, to see that it works")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="also write the tables to FILE")
    options = parser.parse_args()
    keep_freed_memory()
    options.names = [name.replace("-", "_") for name in options.names]
    unknown = set(options.names) - set(known)
    if unknown:
        parser.error(f"no study is called {', '.join(sorted(unknown))}")
    tables = []
    for name in options.names or known:
        study = importlib.import_module(f"studies.{name}")
        apart = getattr(study, "IS_APART", False) and not options.names
        if apart or not hasattr(study, "report"):
            continue
        start = time.perf_counter()
        table = study.report(quick=options.quick)
        print(f"{table}\n  ({time.perf_counter() - start:.0f} s)\n", flush=True)
        tables.append(table)
    if options.keep is not None and not options.names and not options.quick:
        options.keep.write_text(_page(tables))


def _page(tables: list[str]) -> str:
    head = (
        "# Accuracy\n\nPrinted by `make accuracy`: seeded studies on simulated captures with known"
        " truth, and on photographs. The targets are beside the figures.\n\n"
    )
    return head + "\n".join(f"```text\n{table}\n```\n" for table in tables)


if __name__ == "__main__":
    sys.exit(main())
