"""`glassay new`: start a bench folder."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.bench.keeping.filing import start_bench


@click.command("new")
@click.argument("bench", type=click.Path(path_type=Path))
@click.option("--title", default="", help="title of the comparison (default: the folder's name)")
def command(bench: Path, title: str) -> None:
    """Start a bench in the folder BENCH, with a commented bench.toml to fill in."""
    path = start_bench(bench, title)
    click.echo(f"{path} is ready. Describe the instruments there, then file photos:")
    click.echo(f"  glassay add {bench} PHOTOS...")
