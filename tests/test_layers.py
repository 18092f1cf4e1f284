"""The layers of the house, read from the imports: arrows point down, and never sideways."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import glassay

SOURCE = Path(glassay.__file__).parent
ROOMS = {"scale", "detail", "sampling", "field", "motion", "lattice", "match", "noise", "focus",
         "stack", "mosaic", "die", "line"}  # fmt: skip
LAYERS = {"cli": 4, "web": 4, "report": 3, "bench": 2, "simulate": 1} | dict.fromkeys(ROOMS, 1)
"""Faces above the bench above the measurement rooms; whatever is not named is ground, 0. Reports are
faces too, which the command line and the web show."""
KNOWN = ROOMS | {"cli", "web", "report", "bench", "simulate", "imaging", "optics"}


def statements_in(block: list[ast.stmt]) -> Iterator[ast.stmt]:
    """A block's statements and those of the blocks within them; imports are statements."""
    for one in block:
        yield one
        for inner in ("body", "orelse", "finalbody"):
            yield from statements_in(getattr(one, inner, []))
        for branch in (*getattr(one, "handlers", []), *getattr(one, "cases", [])):
            yield from statements_in(branch.body)


@cache
def imports_of(path: Path) -> list[str]:
    """Modules of this package that a file imports anywhere, also within functions."""
    found = []
    for node in statements_in(ast.parse(path.read_text(encoding="utf-8")).body):
        if isinstance(node, ast.Import):
            found += [name.name for name in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written from the top"
            found += [f"{node.module}.{name.name}" for name in node.names]
    return [name for name in found if name.split(".")[0] == "glassay"]


def part(path: Path) -> str:
    """The room that a file belongs to, or the ground module that it is."""
    return path.relative_to(SOURCE).with_suffix("").parts[0]


@cache  # and not when the tests are collected, which every process does
def arrows() -> set[tuple[str, str, str]]:
    """(file, its room, room that it imports), between different rooms."""
    out = set()
    for path in SOURCE.rglob("*.py"):
        here = part(path)
        for name in imports_of(path):
            there = [*name.split("."), "__init__"][1]
            if there != here and (SOURCE / there).exists() | (SOURCE / f"{there}.py").exists():
                out.add((str(path.relative_to(SOURCE)), here, there))
    return out


def test_every_room_has_a_place_in_the_layers() -> None:
    rooms = {path.parent.name for path in SOURCE.glob("*/__init__.py")}
    assert rooms <= KNOWN, f"say in which layer they are: {sorted(rooms - KNOWN)}"


def test_imports_point_down() -> None:
    up = [one for one in arrows() if LAYERS.get(one[1], 0) < LAYERS.get(one[2], 0)]
    assert not up


def test_measurements_do_not_import_each_other() -> None:
    assert not [one for one in arrows() if one[1] in ROOMS and one[2] in ROOMS]


def test_no_measurement_and_no_face_sees_the_simulator() -> None:
    assert not [one for one in arrows() if one[2] == "simulate"]


def cycle(graph: dict[str, set[str]]) -> list[str]:
    """Modules that import each other in a circle when they are loaded; empty if there is none."""
    state: dict[str, int] = {}
    trail: list[str] = []

    def visit(name: str) -> list[str]:
        state[name] = 1
        trail.append(name)
        for other in sorted(graph[name]):
            if state.get(other) == 1:
                return [*trail[trail.index(other) :], other]
            if other not in state and (found := visit(other)):
                return found
        trail.pop()
        state[name] = 2
        return []

    for name in sorted(graph):
        if name not in state and (found := visit(name)):
            return found
    return []


def name_of(path: Path) -> str:
    return ".".join(("glassay", *path.relative_to(SOURCE).with_suffix("").parts)).removesuffix(
        ".__init__"
    )


@pytest.mark.parametrize("room", sorted(path.parent.name for path in SOURCE.glob("*/__init__.py")))
def test_modules_of_a_room_do_not_go_in_circles(room: str) -> None:
    modules = {name_of(path): path for path in (SOURCE / room).rglob("*.py")}
    graph = {name: set[str]() for name in modules}
    for name, path in modules.items():
        for target in imports_of(path):
            owner = target if target in modules else target.rpartition(".")[0]
            if owner in modules and owner != name:
                graph[name].add(owner)
    assert not cycle(graph)


OPTION = re.compile(r"(?<![\w-])--[a-z]")
BOTH = re.compile(r"in a bench|on the page")
"""What stands beside an option where the words say what to do in either face."""


def said(path: Path) -> list[str]:
    """Every text of a file but those that only explain it."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    explains = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and id(node) not in explains
    ]


def test_what_is_said_on_pages_too_names_no_option_of_a_command() -> None:
    rooms = [path for path in SOURCE.rglob("*.py") if part(path) in ROOMS]
    rooms += (SOURCE / "bench/chip").glob("*.py")
    words = [
        f"{path.relative_to(SOURCE)}: {text}"
        for path in rooms
        for text in said(path)
        if OPTION.search(text) and not BOTH.search(text)
    ]
    assert len(rooms) > 100
    assert words == []
