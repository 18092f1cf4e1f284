"""`glassay plate`: one piece of a chip through every instrument, at one scale."""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glassay.bench.chip.plate import Plate, Wanted, make_plate
from glassay.bench.measuring.matching import match_chips
from glassay.cli.benches import what_is_there
from glassay.cli.commands.run import measure_with_progress
from glassay.cli.outputs import check_all, output_option
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.units import parse_length_um

if TYPE_CHECKING:
    from glassay.report.plate_layout import Layout
    from glassay.report.plate_sheet import Look
    from glassay.report.plate_text import Size

SUFFIXES = (".png", ".svg", ".pdf")


@click.command("plate")
@click.argument("bench", type=click.Path(path_type=Path))
@output_option("--out", "outs", multiple=True, type=click.Path(dir_okay=False, path_type=Path),
              metavar="FILE",
              help=".png, .svg or .pdf; repeat it (default: results/plate.png)")  # fmt: skip
@click.option("--object", "thing", metavar="ID", help="which chip, where there are several")
@click.option("--captures", metavar="ID,ID,...", default="",
              help="what to show, in this order (default: first photo of each setting)")  # fmt: skip
@click.option("--region", metavar="X,Y,W,H",
              help="show this piece, in px of --frame (default: the richest common one)")  # fmt: skip
@click.option("--frame", metavar="ID", help="capture whose px --region counts, and which way is up")
@click.option("--width", metavar="LENGTH", help="width of the piece that is chosen, like 200um")
@click.option("--layout", type=click.Choice(("grid", "wipe", "alternate")), default="grid",
              show_default=True, help="side by side, in stripes, or in turn")  # fmt: skip
@click.option("--size", type=click.Choice(("print", "1920x1080", "3840x2160")), default="print",
              show_default=True, help="180 mm wide for print, or a still for a video")  # fmt: skip
@click.option("--look", type=click.Choice(("light", "dark")), default="light", show_default=True)
@output_option("--stills", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
              help="stills for video: 1080p and 4K, light and dark, comparison last")  # fmt: skip
@click.option("--pixels", is_flag=True, help="show the photos' own px (nearest) instead of smooth")
@click.option("--blind", is_flag=True,
              help="numbers instead of names, shuffled; the key in a file of its own")  # fmt: skip
@click.option("--jobs", type=click.IntRange(1, 256), help="processes (default: one a processor)")
def command(
    bench: Path, outs: tuple[Path, ...], thing: str | None, captures: str, region: str | None,
    frame: str | None, width: str | None, layout: Layout, size: str, look: Look,
    stills: Path | None, pixels: bool, blind: bool, jobs: int | None,
) -> None:  # fmt: skip
    """Draw the same piece of a chip through every instrument of BENCH at one physical scale.

    Captures of one object of kind "chip" are laid over each other by what they show; calibrations
    give the scale. Pictures are never sharpened. Exit status: 3 when no two captures match.
    """
    from glassay.report.plate_sheet import SIZES

    loaded = what_is_there(bench)
    paths = outs or (loaded.results_folder / "plate.png",)
    _check(paths, layout)
    results = measure_with_progress(loaded, jobs)
    wanted = Wanted(
        thing, tuple(name.strip() for name in captures.split(",") if name.strip()),
        _region(region), frame, None if width is None else _length(width),
        "pixels" if pixels else "smooth",
    )  # fmt: skip
    plate = make_plate(results, match_chips(results, jobs=jobs), wanted)
    names = None
    if blind:
        plate = _shuffled(plate)
        names = [f"Picture {number}" for number in range(1, len(plate.panels) + 1)]
    if stills is not None:
        for written in _write_stills(plate, stills, names, bench):
            click.echo(f"{written}")
    for path in paths if outs or stills is None else ():
        for written in _write(plate, path, SIZES[size], look, layout, names, bench):
            click.echo(f"{written}")
    if blind:
        key = paths[0].with_name(f"{paths[0].stem}-key.json")
        check_all([key], [bench])
        write_atomically(key, json.dumps(_key(plate), indent=1).encode())
        click.echo(f"The key is in {key}; keep it from whoever is to judge.")
    for who, why in plate.left_out.items():
        click.echo(f"not shown: {who}: {why}", err=True)


def _check(paths: tuple[Path, ...], layout: str) -> None:
    for path in paths:
        if path.suffix.lower() not in SUFFIXES:
            raise Unusable(f"{path.name}: a plate is written as {', '.join(SUFFIXES)}")
        if layout == "alternate" and path.suffix.lower() != ".png":
            raise Unusable(f"{path.name}: pictures shown in turn are written as .png")


def _region(text: str | None) -> tuple[float, float, float, float] | None:
    if text is None:
        return None
    try:
        x, y, width, height = (float(part) for part in text.split(","))
    except ValueError:
        raise Unusable(f"--region {text!r} is not x,y,width,height in px") from None
    return x, y, width, height


def _length(text: str) -> float:
    found = parse_length_um(text)
    if found <= 0:
        raise Unusable(f"--width {text!r} must be more than zero")
    return found


def _shuffled(plate: Plate) -> Plate:
    """The panels in an order that nobody knows, and nothing said of what is missing or by whom."""
    panels = list(plate.panels)
    secrets.SystemRandom().shuffle(panels)
    return replace(plate, panels=tuple(panels))


def _key(plate: Plate) -> dict[str, dict[str, str]]:
    return {
        f"Picture {number}": {
            "instrument": panel.caption.instrument, "setting": panel.caption.setting,
            "capture": panel.capture.id,
        }
        for number, panel in enumerate(plate.panels, 1)
    }  # fmt: skip


def _write_stills(
    plate: Plate, folder: Path, names: list[str] | None, bench: Path
) -> Iterator[Path]:
    """One still after another at one crop, then the comparison, for each size and look."""
    from glassay.report.plate_sheet import SIZES, draw_series, draw_sheet

    looks: tuple[Look, ...] = ("light", "dark")
    for lines, name in (("1080p", "1920x1080"), ("4k", "3840x2160")):
        for look in looks:
            size = SIZES[name]
            sequence = draw_series(plate, size, look, names)
            sequence.append(draw_sheet(plate, size, look, "grid", ".png", names))
            for number, still in enumerate(sequence, 1):
                path = folder / f"{lines}-{look}" / f"{number:02}.png"
                check_all([path], [bench])
                write_atomically(path, still)
                yield path


def _write(
    plate: Plate,
    path: Path,
    size: Size,
    look: Look,
    layout: Layout,
    names: list[str] | None,
    bench: Path,
) -> list[Path]:
    """Write one output, and for pictures in turn each of them beside it."""
    from glassay.report.plate_sheet import animated, draw_series, draw_sheet

    if layout != "alternate":
        data = draw_sheet(plate, size, look, layout, path.suffix.lower(), names)
        write_atomically(path, data)
        return [path]
    stills = draw_series(plate, size, look, names)
    write_atomically(path, animated(stills))
    written = [path]
    for number, still in enumerate(stills, 1):
        one = path.with_name(f"{path.stem}-{number}{path.suffix}")
        check_all([one], [bench])
        write_atomically(one, still)
        written.append(one)
    return written
