"""`glassay report`: the comparison as one page, and its table as data."""

from __future__ import annotations

from pathlib import Path

import click

from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import read_results
from glassay.cli.benches import what_is_there
from glassay.cli.commands.run import measure_with_progress
from glassay.cli.outputs import output_option
from glassay.cli.single import not_measured
from glassay.errors import Unusable


@click.command("report")
@click.argument("bench", type=click.Path(path_type=Path))
@output_option("--out", type=click.Path(path_type=Path), metavar="FOLDER",
              help="write there (default: the bench's results folder)")  # fmt: skip
@click.option("--columns", metavar="ID,ID,...", default="",
              help="columns of the table (default: all that hold something)")  # fmt: skip
@click.option("--without", metavar="ID,ID,...", default="", help="columns to leave out")
@click.option("--pdf", is_flag=True, help="also as report.pdf, and its first page as summary.pdf")
@click.option("--jobs", type=click.IntRange(1, 256), help="processes (default: one a processor)")
def command(
    bench: Path, out: Path | None, columns: str, without: str, pdf: bool, jobs: int | None
) -> None:
    """Write the comparison of BENCH as one page, and its table as data.

    The table is written as CSV, JSON, Markdown, LaTeX and HTML.

    Captures that are new or changed are measured first. Exit status: 0 when the page is written,
    also with refusals in it; 2 when something cannot be read or written.
    """
    from glassay.report.answer import headline
    from glassay.report.picks import furthest_off, picks
    from glassay.report.write import write_report

    loaded = what_is_there(bench)
    results = _measured(loaded, jobs, elsewhere=out is not None)
    chosen, hidden = _ids(columns), _ids(without)
    if columns and not chosen:
        raise Unusable("--columns names no column")
    written = write_report(
        results, out or loaded.results_folder, columns=chosen, without=hidden, pdf=pdf
    )
    for pick in (found := picks(results)):
        click.echo(f"{pick.title}: {pick.sentence}")
    if found and (worst := furthest_off(results)):
        click.echo(f"Furthest from the truth: {worst}")
    for sentence in () if found else headline(results):
        click.echo(sentence)
    click.echo(f"The page is {written.page}; the table as data:")
    for path in written.tables:
        click.echo(f"  {path}")
    for path in written.prints:
        click.echo(f"In print: {path}")
    troubled = [one for one in results.captures if one.status in ("refused", "unusable")]
    for one in troubled:
        click.echo(not_measured(one.capture.id, one.reason), err=True)


def _measured(bench: Bench, jobs: int | None, *, elsewhere: bool) -> BenchResults:
    """The bench measured; one that cannot be written to as it was measured, if that was all of it
    and the page is written `elsewhere`."""
    from glassay.report.evidence import kept_drawings

    try:
        return measure_with_progress(bench, jobs)
    except Unusable:
        results = read_results(bench)
        if not elsewhere or any(one.status == "not run" for one in results.captures):
            raise
        kept_drawings(results, only_read=True)
        return results


def _ids(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]
