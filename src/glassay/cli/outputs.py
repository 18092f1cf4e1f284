"""Options that name what is written: checked against everything that a command reads."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import click

from glassay.bench.document.read import FILE_NAME, load_bench
from glassay.disk import CAPTURES, check_output


class Output(click.Option):
    """An option whose value is a file or folder to be written."""


def output_option(*names: str, **how: Any) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Like `click.option`, for a path that is written: refused where it is an input.

    Inputs are all other paths given to the command; of a bench, everything that it names.
    """

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(function)
        def checked(*given: Any, **named: Any) -> Any:
            check_outputs(click.get_current_context())
            return function(*given, **named)

        return click.option(*names, cls=Output, **how)(checked)

    return decorate


def check_outputs(context: click.Context) -> None:
    """Raise `Unusable` when an `Output` of the command is something that it reads."""
    read, written = [], []
    for parameter in context.command.params:
        paths = list(_paths(context.params.get(parameter.name or "")))
        if isinstance(parameter, Output):
            written += paths
        else:
            read += paths
    if written:
        check_all(written, read)


def check_all(written: Iterable[Path], read: Iterable[Path]) -> None:
    """Raise `Unusable` when one of the paths to be written is read (a bench: with all it names)."""
    files, folders = [], []
    for path in read:
        if (path / FILE_NAME).is_file():
            folders.append(path / CAPTURES)
            files += _files_of(path)
        elif not path.is_dir():
            files.append(path)
    for path in written:
        check_output(path, files)
        for folder in folders:
            check_output(path, (), folder)


def _files_of(folder: Path) -> list[Path]:
    bench = load_bench(folder, without_missing=True)
    listed = (*bench.captures, *(one.capture for one in bench.missing))
    named = [path for capture in listed for path in bench.paths(capture)]
    parts = [part for one in bench.instruments for part in one.teardown]
    seen = [folder / name for part in parts for name in part.photos]
    return [folder / FILE_NAME, folder / "captures.sha256", *named, *seen]


def _paths(value: object) -> Iterator[Path]:
    if isinstance(value, Path):
        yield value
    elif isinstance(value, tuple | list):
        for part in value:
            yield from _paths(part)
