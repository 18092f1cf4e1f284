"""`glassay new`: start a bench folder."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.bench.keeping.filing import start_bench
from glassay.errors import Unusable


def _folder(_: click.Context, __: click.Parameter, text: str) -> Path:
    if not text.strip():  # as a path it would be the folder that one is in
        raise Unusable(f"{text!r} is no name for a folder; give one, like my-bench")
    return Path(text)


@click.command("new")
@click.argument("bench", callback=_folder)
@click.option("--title", default="", help="title of the comparison (default: the folder's name)")
def command(bench: Path, title: str) -> None:
    """Start a bench in the folder BENCH, with a commented bench.toml to fill in."""
    path = start_bench(bench, title)
    click.echo(f"{path} is ready. Describe the instruments there, then file photos:")
    click.echo(f"  glassay add {bench} PHOTOS...")
