"""`python -m demo [FOLDER]`: build the demo bench, run it, and say which file to open."""

from __future__ import annotations

import sys
from pathlib import Path

import click
from PIL import Image
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from demo import objects
from demo.build import build
from demo.shots import SHOTS
from glassay.cli import program
from glassay.errors import NotMeasurable, Unusable
from glassay.heap import keep_freed_memory


def make_demo(folder: Path) -> None:
    """Build the bench in `folder`, then run and report it by the commands that anyone would use."""
    made = _build(folder)
    click.echo(f"{made} photos and clips were taken by the virtual bench." if made else
               f"All photos and clips are in {folder} already.")  # fmt: skip
    for words in (["run", str(folder)], ["report", str(folder)]):
        click.echo(f"\n$ glassay {' '.join(words)}")
        program(words, standalone_mode=False)
    _draw_plate(folder)
    click.echo(f"\nOpen {folder.resolve() / 'results' / 'report.html'} in a browser.")
    click.echo(f"What the library wrote down is in {folder / 'bench.toml'}.")
    click.echo("The story, with the truth behind it, is in docs/demo.md.")


def _draw_plate(folder: Path) -> None:
    words = _plate_of_the_heron(folder)
    click.echo(f"\n$ glassay {' '.join(words)}")
    try:
        program(words, standalone_mode=False)
    except NotMeasurable as why:  # photos made smaller for a quick look belong to no calibration
        click.echo(f"There is no plate: {why}.")


HERON_UM = (150.0, 120.0)
"""Width and height of the piece of the chip around the heron."""


def _plate_of_the_heron(folder: Path) -> list[str]:
    """The command that draws the heron through all instruments, in px of the Grand's photo."""
    shot = next(s for s in SHOTS if s.instrument == "grand" and s.thing == "chip")
    truth, name = shot.truth(), shot.files[0]
    with Image.open(folder / name) as photo:
        taken = photo.width / truth.width  # tests take smaller photos
    size = [taken * side / truth.pixel_size_um for side in HERON_UM]
    middle = taken * truth.mapping.to_px([objects.heron_um()])[0]
    region = [round(m - s / 2) for m, s in zip(middle, size, strict=True)] + [
        round(s) for s in size
    ]
    return ["plate", str(folder), "--frame", name, "--region", ",".join(map(str, region)),
            "--size", "1920x1080"]  # fmt: skip


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
    keep_freed_memory()
    try:
        command()
    except (Unusable, NotMeasurable) as error:
        click.echo(f"demo: {error}", err=True)
        sys.exit(2)


if __name__ == "__main__":
    main()
