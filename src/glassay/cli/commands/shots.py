"""`glassay shots`: what is still to be photographed to settle each open claim and need."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import click

from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import read_results
from glassay.bench.planning.shots import (
    kinds_used,
    nothing_open,
    open_shots,
    said,
    settles_words,
    shots_as_json,
)
from glassay.cli.benches import what_is_there
from glassay.cli.outputs import output_option
from glassay.disk import write_atomically
from glassay.errors import Unusable


@click.command("shots")
@click.argument("bench", type=click.Path(path_type=Path))
@output_option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="write the list as a page to print")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="print the list as data")
def command(bench: Path, out: Path | None, as_json: bool) -> None:
    """List what is still to be photographed or noted for BENCH, the most valuable first.

    From what `glassay run` measured; nothing is measured here. Exit status: 0, also when nothing is
    open; 2 when bench.toml is wrong or the page cannot be written.
    """
    results = read_results(what_is_there(bench))
    if out is not None:
        _write(results, out)
    if as_json:
        click.echo(json.dumps(shots_as_json(results), indent=1))
    else:
        _say(results)


def _write(results: BenchResults, out: Path) -> None:
    from glassay.report.page import render_page
    from glassay.report.parts import Report
    from glassay.report.sections import shots

    if out.suffix.lower() != ".html":
        raise Unusable(f"{out.name}: the list is written as .html")
    page = render_page(Report(results, {}, datetime.date.today()), [shots.SECTION])
    write_atomically(out, page.encode())


def _say(results: BenchResults) -> None:
    shots, waiting = open_shots(results), results.not_run
    names = {one.id: one.title for one in results.bench.instruments}
    if waiting:
        click.echo(f"{len(waiting)} captures are not measured yet; `glassay run` may settle some.")
    if not shots:
        click.echo(nothing_open(results))
    for number, shot in enumerate(shots, 1):
        click.echo(f"[ ] {number}. {said(shot, names)}")
        click.echo(f"       settles {settles_words(shot)}")
        for line in shot.before:
            click.echo(f"       earlier: {line}")
    for kind in kinds_used(shots):
        click.echo(f"\n{kind.title[:1].upper()}{kind.title[1:]}:")
        for line in kind.how:
            click.echo(f"  - {line}")
