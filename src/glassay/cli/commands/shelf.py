"""`glassay shelf FOLDERS...`: the chips of many benches, searched in one place."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from glassay.bench.document.die_notes import KINDS
from glassay.bench.keeping.pack import INDEX_FILE
from glassay.bench.shelf.index import Built, build, open_index
from glassay.bench.shelf.same_die import Compared, same_dies
from glassay.bench.shelf.search import Hit, Query, Range, search
from glassay.cli.calibration import positive_length_um, stated_pixel_size
from glassay.cli.outputs import output_option
from glassay.cli.single import say_quantity
from glassay.die import measure_die
from glassay.errors import NotMeasurable, Unusable
from glassay.imaging import read_photo
from glassay.quantity import Quantity

MOST_SAID = 50
"""Chips that are printed; --json gives all."""


@click.command("shelf")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--find", "words", default="", metavar="WORDS", help="these words, anywhere")
@click.option("--marking", default="", metavar="WORDS", help="in markings as read")
@click.option("--maker", default="", metavar="WORDS", help="in the maker's text")
@click.option("--package", default="", metavar="WORDS", help="in the package's name")
@click.option("--instrument", default="", metavar="WORDS", help="photographed with it")
@click.option("--size", metavar="FROM:TO", help="longer side of the die, like 1mm:2.5mm or :800um")
@click.option("--finest", metavar="FROM:TO", help="finest line, like :1.6um")
@click.option("--region", type=click.Choice(KINDS), help="with a region of this kind")
@click.option("--same", type=click.Path(path_type=Path), metavar="PHOTO",
              help="which of these show the die in PHOTO?")  # fmt: skip
@click.option(
    "--pixel-size", metavar="LENGTH", help="of PHOTO: only dies of about its size are compared"
)
@output_option("--index", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
               help=f"the index (default: {INDEX_FILE} in the first folder)")  # fmt: skip
@output_option("--wall", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
               help="write a page with the dies found, all at one scale")  # fmt: skip
@click.option("--no-measuring", is_flag=True, help="do not measure dies that are not measured yet")
@click.option("--json", "as_json", is_flag=True, help="print the answer as data")
def command(
    folders: tuple[Path, ...], words: str, marking: str, maker: str, package: str, instrument: str,
    size: str | None, finest: str | None, region: str | None, same: Path | None,
    pixel_size: str | None, index: Path | None, wall: Path | None, no_measuring: bool,
    as_json: bool,
) -> None:  # fmt: skip
    """Search the chips of all benches in FOLDERS; every condition given must hold.

    The index is brought up to date first: only benches that changed are read. It is built from the
    benches and may be deleted. Exit status: 0, also when nothing is found; 2 when something cannot
    be read or written.
    """
    if pixel_size and same is None:
        raise Unusable("--pixel-size is that of --same PHOTO: name the photo")
    within = {"marking": marking, "maker": maker, "package": package, "instruments": instrument}
    query = Query(words, {k: v for k, v in within.items() if v}, _range(size, "--size"),
                  _range(finest, "--finest"), region or "")  # fmt: skip

    def say(line: str) -> None:
        if not as_json:
            click.echo(line, err=True)

    opened = open_index(index or _index_in(folders[0]))
    try:
        built = build(opened, folders, measure=not no_measuring, say=say)
        roots = [folder.resolve() for folder in folders]
        hits = [hit for hit in search(opened, query)
                if any(hit.folder.is_relative_to(root) for root in roots)]  # fmt: skip
    finally:
        opened.close()
    compared = None if same is None else _same(same, pixel_size, hits, say)
    shown = hits if compared is None else [one.hit for one in compared.same]
    not_hung: list[str] = []
    if wall is not None:
        from glassay.report.picture_wall import write_wall

        not_hung = write_wall(shown, wall)
    if as_json:
        click.echo(json.dumps(_as_json(built, shown, compared), indent=1, ensure_ascii=False))
        return
    _say(built, shown, compared)
    for line in not_hung:
        click.echo(f"not on the wall: {line}", err=True)
    if wall is not None:
        click.echo(f"The wall is {wall / 'index.html'}")


def _index_in(folder: Path) -> Path:
    if not folder.is_dir():
        raise Unusable(f"{folder} is no folder")
    results = folder / "results"
    # a bench's own folder is the person's; what is derived lies in its results
    return (results if results.is_dir() else folder) / INDEX_FILE


def _range(text: str | None, option: str) -> Range:
    if text is None:
        return None, None
    low, colon, high = text.partition(":")
    if not colon or not (low.strip() or high.strip()):
        raise Unusable(f"{option} {text!r} is no range like 1mm:2mm, 1mm: or :2mm")
    ends = [positive_length_um(end, option) if end.strip() else None for end in (low, high)]
    if ends[0] is not None and ends[1] is not None and ends[0] > ends[1]:
        raise Unusable(f"{option} {text!r}: the lower end comes first")
    return ends[0], ends[1]


def _same(path: Path, pixel_size: str | None, hits: list[Hit], say: Any) -> Compared:
    photo = read_photo(path)
    longest = None
    if pixel_size is not None:
        size = stated_pixel_size(pixel_size)
        try:
            die = measure_die(photo.measuring_grey(), size, frame=photo.frame)
            longest = max(die.width.value, die.height.value)
        except NotMeasurable as error:
            say(f"{path.name}: its size is not known ({error}); dies of any size are compared")
    return same_dies(photo, hits, longest, say)


def _as_json(built: Built, hits: list[Hit], compared: Compared | None) -> dict[str, Any]:
    out: dict[str, Any] = {
        "index": {"chips": built.chips, "benches_read": built.read,
                  "benches_unchanged": built.unchanged, "benches_gone": built.gone,
                  "troubles": built.troubles},
        "found": [hit.as_json() for hit in hits],
    }  # fmt: skip
    if compared is not None:
        out["compared"] = {"with": compared.compared, "left_out": compared.left_out, "same": [
            {"bench": str(one.hit.folder), "chip": one.hit.chip, "rotation_deg": one.rotation_deg}
            for one in compared.same
        ]}  # fmt: skip
    return out


def _say(built: Built, hits: list[Hit], compared: Compared | None) -> None:
    for line in built.troubles:
        click.echo(f"cannot be read: {line}", err=True)
    if compared is not None:
        said = f"{len(compared.same)} of {compared.compared} chips compared show this die"
        left = f"; {compared.left_out} more were not compared: narrow the search" if (
            compared.left_out) else ""  # fmt: skip
        click.echo(f"{said}{left}.")
    else:
        click.echo(f"{len(hits)} of {built.chips} chips.")
    for hit in hits[:MOST_SAID]:
        click.echo(_line(hit))
    if len(hits) > MOST_SAID:
        click.echo(f"and {len(hits) - MOST_SAID} more; --json gives them all")


def _line(hit: Hit) -> str:
    parts = [hit.title if hit.title == hit.chip else f"{hit.title} ({hit.chip})"]
    if hit.marking:
        parts.append(f'"{hit.marking}"')
    parts += [text for text in (hit.maker, hit.package) if text]
    if hit.width_um is not None and hit.height_um is not None:
        sides = (say_quantity(Quantity(v, "um")) for v in (hit.width_um, hit.height_um))
        parts.append(" x ".join(sides))
    else:
        parts.append(hit.reason or "its size is not known")
    if hit.finest_um is not None:
        parts.append(f"finest line {say_quantity(Quantity(hit.finest_um, 'um'))}")
    return f"  {'; '.join(parts)}   in {hit.folder}"
