"""Opening a bench for commands that only look: what is missing is named, and all else is used."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.bench.document.model import Bench
from glassay.bench.document.read import load_bench
from glassay.cli.single import not_measured


def what_is_there(folder: Path) -> Bench:
    """The bench without captures whose files are gone; a line on the error stream names each.

    Raises as `load_bench` for all other mistakes.
    """
    bench = load_bench(folder, without_missing=True)
    name_missing(bench)
    return bench


def name_missing(bench: Bench) -> None:
    """A line on the error stream for each capture that is listed and not there."""
    for one in bench.missing:
        click.echo(not_measured(one.capture.id, one.reason), err=True)
