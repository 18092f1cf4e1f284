"""`python -m demo [FOLDER]`: build the demo bench, run it, and say which file to open."""

from __future__ import annotations

import sys
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from demo.build import build
from glassay.cli import program
from glassay.errors import NotMeasurable, Unusable


def make_demo(folder: Path) -> None:
    """Build the bench in `folder`, then run and report it by the commands that anyone would use."""
    made = _build(folder)
    click.echo(f"{made} photos were taken by the virtual bench." if made else
               f"All photos are in {folder} already.")  # fmt: skip
    for words in (["run", str(folder)], ["report", str(folder)]):
        click.echo(f"\n$ glassay {' '.join(words)}")
        program(words, standalone_mode=False)
    click.echo(f"\nOpen {folder.resolve() / 'results' / 'report.html'} in a browser.")
    click.echo(f"What the library wrote down is in {folder / 'bench.toml'}.")
    click.echo("The story, with the truth behind it, is in docs/demo.md.")


def _build(folder: Path) -> int:
    errors = Console(stderr=True)
    bar = Progress(
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(),
        console=errors, transient=True, disable=not errors.is_terminal,
    )  # fmt: skip
    with bar:
        task = bar.add_task("taking photos", total=None)
        return build(folder, progress=lambda d, n: bar.update(task, completed=d, total=n))


@click.command()
@click.argument("folder", default="demo-bench", type=click.Path(path_type=Path))
def command(folder: Path) -> None:
    """Build the demo bench in FOLDER (default: demo-bench), run it, and write its report."""
    make_demo(folder)


def main() -> None:
    """Entry point: what a person can put right is one line and exit status 2."""
    try:
        command()
    except (Unusable, NotMeasurable) as error:
        click.echo(f"demo: {error}", err=True)
        sys.exit(2)


if __name__ == "__main__":
    main()
