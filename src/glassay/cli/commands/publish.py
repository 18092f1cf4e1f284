"""`glassay publish FOLDERS... --out SITE`: a static site of the chips of some benches."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.bench.chip.die_layers import laid_layers
from glassay.bench.chip.die_pictures import best_die
from glassay.bench.document.chip_mosaics import is_die
from glassay.bench.document.die_notes import notes_file
from glassay.bench.document.read import load_bench
from glassay.bench.shelf.index import bench_folders
from glassay.cli.commands.run import measure_with_progress
from glassay.cli.outputs import output_option
from glassay.cli.single import not_measured
from glassay.errors import NotMeasurable, Unusable
from glassay.report.iiif import check_address
from glassay.report.publish import ChipToShow, check_place, credited, publish


@click.command("publish")
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path))
@output_option("--out", required=True, type=click.Path(file_okay=False, path_type=Path),
               metavar="SITE", help="the site's folder; an earlier site in it is replaced")  # fmt: skip
@click.option("--title", default="Chips", help="title of the site")
@click.option("--address", metavar="URL",
              help="where it will lie: then IIIF documents are written too")  # fmt: skip
@click.option(
    "--credit", default="", metavar="NAME", help="whom to credit, where notes name nobody"
)
@click.option("--licence", default="", metavar="WORDS", help="of chips whose notes state none")
@click.option("--licence-address", default="", metavar="URL", help="of that licence")
@click.option("--jobs", type=click.IntRange(1, 256), help="processes (default: one a processor)")
def command(
    folders: tuple[Path, ...], out: Path, title: str, address: str | None, credit: str,
    licence: str, licence_address: str, jobs: int | None,
) -> None:  # fmt: skip
    """Write a site of all chips in the benches in FOLDERS whose die can be measured.

    It works from any plain web host and from a folder. The benches' archives are part of it, with
    every capture as it came, also with what the camera wrote into it. Exit status: 0; 2 when
    something cannot be read or written; 3 when no die can be measured.
    """
    check_place(out)
    place = None if address is None else check_address(address)
    if licence_address:
        check_address(licence_address)
    chips = []
    benches = bench_folders(folders)
    if not benches:
        raise Unusable("there is no bench in these folders")
    for folder in benches:
        bench = load_bench(folder)
        results = measure_with_progress(bench, jobs)
        for thing in bench.objects:
            if not is_die(thing):
                continue
            try:
                one = best_die(results, thing.id)
                laid = laid_layers(one, notes_file(bench.folder, thing.id), results)
            except (NotMeasurable, Unusable) as error:
                click.echo(not_measured(thing.id, str(error)), err=True)
                continue
            chips.append(
                ChipToShow(bench, thing.id, one,
                           credited(one.notes, credit, licence, licence_address), laid)
            )  # fmt: skip
    if not chips:
        raise NotMeasurable("no chip of these benches has a die that can be measured")
    publish(chips, out, title, place, lambda line: click.echo(line, err=True))
    click.echo(f"{len(chips)} of the chips are published: {out / 'index.html'}")
    click.echo("The archives hold your captures as they came: look whether the cameras wrote places"
               " or serial numbers into them before you put the site on a host.")  # fmt: skip
    click.echo(f"Anyone can check it: glassay check {out}")
