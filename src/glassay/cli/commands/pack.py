"""`glassay pack`: one archive of a bench, for publishing or keeping."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.bench.document.read import load_bench
from glassay.bench.keeping.pack import pack
from glassay.cli.commands.run import measure_with_progress
from glassay.cli.outputs import output_option
from glassay.errors import Unusable


@click.command("pack")
@click.argument("bench", type=click.Path(path_type=Path))
@output_option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.zip",
              help="the archive (default: the bench's name with .zip, in this folder)")  # fmt: skip
@click.option("--jobs", type=click.IntRange(1, 256), help="processes (default: one a processor)")
def command(bench: Path, out: Path | None, jobs: int | None) -> None:
    """Make one archive of BENCH: bench.toml, captures, results, versions and checksums.

    Captures that are new or changed are measured first. Exit status: 0; 2 when something cannot be
    read or written.
    """
    loaded = load_bench(bench)
    target = out or Path(f"{bench.resolve().name}.zip")
    if target.suffix.lower() != ".zip":
        raise Unusable(f"{target.name}: the archive is written as .zip")
    measure_with_progress(loaded, jobs)
    packed = pack(loaded, target)
    click.echo(f"{packed.path}: {packed.files} files, {packed.bytes / 1e6:.1f} MB unpacked")
    click.echo(f"SHA-256 of the archive: {packed.sha256}")
    click.echo(f"Anyone can verify it and derive its numbers again: glassay check {packed.path}")
