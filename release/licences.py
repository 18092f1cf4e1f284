"""`python -m release.licences`: docs/licences.md, from what each installed package says of itself."""

from __future__ import annotations

import importlib.metadata
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parent.parent
TARGET = ROOT / "docs" / "licences.md"
HEAD = """# Licences of what Glassay stands on

Written by `make licences` from what each package states about itself (its licence expression, its
classifiers, else its licence field). Glassay itself is under the Apache License 2.0 (LICENSE).

"Runs with it" are the packages that installing Glassay brings; the others are for tests only and are in
no release. Wheels of `av`, `pillow-heif`, `opencv-python-headless` and `imagecodecs` carry compiled
libraries under licences of their own (among them the LGPL and, for encoders, the GPL); their texts lie
in those packages. The workbench carries one script library (see `src/glassay/web/static/vendor`).

| package | version | licence as stated | |
|---|---|---|---|
"""


def pinned() -> dict[str, str]:
    """Every package that Glassay runs or is tested with, and its version."""
    both = ("requirements.txt", "requirements-tests.txt")
    lines = [line for name in both for line in (ROOT / name).read_text().splitlines()]
    found = (re.fullmatch(r"([\w.-]+)==(\S+)", line) for line in lines)
    return {one[1]: one[2] for one in found if one}


def plain(name: str) -> str:
    """A package's name as registries compare it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def running() -> set[str]:
    """The packages that installing Glassay brings, those of its dependencies included."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    waiting, found = [line.split("==")[0] for line in project["dependencies"]], set()
    while waiting:
        name = plain(waiting.pop())
        if name in found:
            continue
        found.add(name)
        try:
            needs = importlib.metadata.requires(name) or []
        except importlib.metadata.PackageNotFoundError:  # for another system or Python
            continue
        waiting += [re.split(r"[^\w.-]", line)[0] for line in needs if "extra ==" not in line]
    return found


def stated(name: str) -> str:
    """The licence that an installed package states."""
    facts = importlib.metadata.metadata(name)
    if expression := facts.get("License-Expression"):
        return str(expression)
    classified = [
        line.split(" :: ")[-1]
        for line in facts.get_all("Classifier") or []
        if line.startswith("License :: ") and line != "License :: OSI Approved"
    ]
    if classified:
        return "; ".join(classified)
    lines = [one for one in (facts.get("License") or "").strip().splitlines() if one.strip()]
    return lines[0].strip()[:80] if lines else "not stated"


def rows() -> Iterator[str]:
    """A line of the table for each package."""
    with_it = running()
    for name, version in sorted(pinned().items(), key=lambda one: plain(one[0])):
        where = "runs with it" if plain(name) in with_it else "tests only"
        yield f"| {name} | {version} | {stated(name).replace('|', '/')} | {where} |"


def main() -> None:
    """Write the page."""
    TARGET.write_text(HEAD + "\n".join(rows()) + "\n")


if __name__ == "__main__":
    main()
