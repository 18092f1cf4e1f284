"""`glassay run`: measure everything new or changed, and print the comparison."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path

import click
from rich.console import Console
from rich.measure import Measurement
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from glassay.bench.document.model import Bench
from glassay.bench.document.read import load_bench
from glassay.bench.judging.needs import answer_needs
from glassay.bench.keeping.results import BenchResults, Column
from glassay.bench.measuring.assemble import results_as_json, run_bench
from glassay.bench.measuring.matching import kept_matches
from glassay.bench.measuring.run import Progress as Step
from glassay.bench.saying.contradictions import said
from glassay.bench.saying.words import say, say_length
from glassay.bench.table.comparison import best_rows, cell_text
from glassay.cli.benches import name_missing
from glassay.cli.single import not_measured
from glassay.quantity import Quantity
from glassay.report.picks import claims_of_all, finest_of, misses

PLAIN_WIDTH = 1000
"""Width allowed when the output is no terminal: nothing is folded or left out."""

LEFT_OUT_FIRST = (
    "power", "price_list", "price_camera", "price_paid", "standalone", "clearance",
    "field_widest", "visual_magnification",
)  # fmt: skip
"""Columns that a terminal too narrow for the table does without, the first one first."""


@click.command("run")
@click.argument("bench", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="print everything as data")
@click.option("--full", is_flag=True, help="print the whole table and every sentence")
@click.option("--jobs", type=click.IntRange(1, 256), help="processes (default: one a processor)")
@click.option(
    "--cluster", metavar="ADDRESS",
    help="measure on the workers of this Dask scheduler (tcp://HOST:PORT), which have glassay "
    "installed and find the bench under the same path",
)  # fmt: skip
def command(bench: Path, as_json: bool, full: bool, jobs: int | None, cluster: str | None) -> None:
    """Measure what is new or changed in BENCH and print what it comes to.

    A few lines for each instrument; with --full the comparison table, every claim and need.

    Exit status: 0 when something was measured or nothing was there to measure; 3 when every capture
    was refused; 2 when a file cannot be used (the others are measured all the same).
    """
    loaded = load_bench(bench, without_missing=True)
    results = measure_with_progress(loaded, jobs, cluster)
    if as_json:
        click.echo(json.dumps(results_as_json(results), indent=1))
    elif full:
        _print_answer(results)
    else:
        for line in brief(results):
            click.echo(line)
    _report_trouble(results)


def measure_with_progress(
    bench: Bench, jobs: int | None, cluster: str | None = None
) -> BenchResults:
    """Run the bench with a progress bar on a terminal."""
    errors = Console(stderr=True)
    bar = Progress(
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(),
        console=errors, transient=True, disable=not errors.is_terminal,
    )  # fmt: skip
    with bar:
        task = bar.add_task("measuring", total=None)

        def show(step: Step) -> None:
            bar.update(task, completed=step.done, total=step.total)
            if step.capture:
                bar.update(task, description=f"{step.capture[-48:]} {step.status}")

        return run_bench(bench, jobs=jobs, cluster=cluster, progress=show)


BRIEF_LINES, BRIEF_COLUMNS = 24, 80
"""The short answer fits on the smallest terminal that is still common."""


def brief(results: BenchResults) -> list[str]:
    """The answer in at most 24 lines of 80 columns: a block for each instrument, finest line first.

    Three lines each where they fit, else one; what is left over is counted and found with --full.
    """
    if not results.bench.instruments:
        return ["There are no instruments in bench.toml yet."]
    order = sorted(
        (one.id for one in results.bench.instruments), key=lambda one: _by_line(results, one)
    )
    blocks = [_block(results, one) for one in order]
    doubts = _doubts(results)
    # Title, the furthest claim or what is left out, and where to look take three.
    room = BRIEF_LINES - 3 - len(doubts)
    if sum(len(block) for block in blocks) > room:
        blocks = [block[:1] for block in blocks]
    lines = [results.bench.title, *doubts]
    for number, block in enumerate(blocks):
        if number >= room:
            break
        lines += block
    if len(blocks) > room:
        lines.append(f"and {len(blocks) - room} more instruments")
    elif found := misses(results):
        name = results.bench.instrument(found[0].verdict.instrument).title
        lines.append(f"Furthest from the truth: {found[0].name} of {name}")
    lines.append("± is U at 95 %. All columns, claims and needs: --full, or glassay report.")
    return [_cut(line) for line in lines]


MOST_DOUBTS, LINES_OF_A_DOUBT = 3, 5


def _doubts(results: BenchResults) -> list[str]:
    """What contradicts itself, before all else: nothing below is worth more than that."""
    said_ones = [said(one, results.bench) for one in results.doubts]
    most = MOST_DOUBTS if len(said_ones) <= MOST_DOUBTS else MOST_DOUBTS - 1
    lines = [
        line
        for one in said_ones[:most]
        for line in textwrap.wrap(
            one, BRIEF_COLUMNS, subsequent_indent="  ", max_lines=LINES_OF_A_DOUBT,
            placeholder=" ...",
        )
    ]  # fmt: skip
    if len(said_ones) > most:
        lines.append(f"and {len(said_ones) - most} more contradictions: see --full")
    return lines


def _cut(line: str) -> str:
    if len(line) <= BRIEF_COLUMNS:
        return line
    return line[: BRIEF_COLUMNS - 3].rsplit(" ", 1)[0] + "..."


def _block(results: BenchResults, instrument: str) -> list[str]:
    row = next(row for row in results.comparison.rows if row.id == instrument)
    line = finest_of(results, instrument)
    told = f"line {say_length(line.width)}" if line is not None else "no line shown"
    seen = [row.cells[key].value for key in ("field_narrowest", "field_widest")]
    sides = list(dict.fromkeys(f"{one.value:.3g}" for one in seen if isinstance(one, Quantity)))
    field = f"field {' to '.join(sides)} mm" if sides else "no field measured"
    met = claims_of_all(results, instrument)
    claims = f", {met} claims met" if met else ""
    first = f"{row.title}: {told}{', by phone' if line and line.by_eyepiece else ''}"
    worst = [one for one in misses(results) if one.verdict.instrument == instrument]
    second = f"    {field}{claims}"
    if worst:
        where = worst[0].verdict.claim.where
        third = f"    worst claim: {worst[0].name} ({where}), {worst[0].times}"
        return [first, second, third]
    return [first, second]


def _by_line(results: BenchResults, instrument: str) -> tuple[bool, float]:
    line = finest_of(results, instrument)
    return line is None, 0.0 if line is None else line.sure


def _print_answer(results: BenchResults) -> None:
    out = Console(highlight=False, soft_wrap=False)
    if not out.is_terminal:
        out = Console(highlight=False, width=PLAIN_WIDTH)
    if not results.bench.instruments:
        out.print("There are no instruments in bench.toml yet.", markup=False)
        return
    for one in results.doubts:
        out.print(f"{said(one, results.bench)}.", style="bold", markup=False)
    left_out: tuple[str, ...] = ()
    table = comparison_table(results)
    while _too_wide(table, out):
        if len(left_out) == len(LEFT_OUT_FIRST):
            break
        left_out = LEFT_OUT_FIRST[: len(left_out) + 1]
        table = comparison_table(results, left_out)
    out.print(table)
    for note in results.comparison.notes:
        out.print(f"  {note}", markup=False)
    _print_verdicts(results, out)
    _print_bindings(results, out)
    _print_needs(results, out)
    _print_same_chip(results, out)
    for same in results.same_field:
        out.print(same.sentence, markup=False)
    if results.assumptions:
        out.print("Assumptions", style="bold")
        for sentence in results.assumptions:
            out.print(f"  {sentence}", markup=False)


def _too_wide(table: Table, out: Console) -> bool:
    unbounded = out.options.update(max_width=PLAIN_WIDTH)
    return Measurement.get(out, unbounded, table).maximum > out.width


def comparison_table(results: BenchResults, left_out: Sequence[str] = ()) -> Table:
    """The comparison as a table for a terminal, without columns `left_out` or holding nothing.

    The best of a column is marked with a star, several when they cannot be told apart.
    """
    comparison = results.comparison
    table = Table(title=results.bench.title, caption="* best in its column; ± is U at 95 %")
    table.add_column("instrument")
    shown: list[tuple[Column, tuple[str, ...]]] = []
    for column in comparison.columns:
        if column.id not in left_out and any(
            row.cells[column.id].value is not None for row in comparison.rows
        ):
            unit = f"\n{column.unit}" if column.unit not in ("1", "", "money") else ""
            table.add_column(column.title + unit, justify="right" if column.unit else "left")
            shown.append((column, best_rows(comparison, column)))
    for row in comparison.rows:
        cells = [
            cell_text(row.cells[column.id], column) + (" *" if row.id in best else "")
            for column, best in shown
        ]
        table.add_row(row.title, *cells)
    return table


def _print_verdicts(results: BenchResults, out: Console) -> None:
    for instrument in results.bench.instruments:
        verdicts = results.verdicts_of(instrument.id)
        if verdicts:
            out.print(instrument.title, style="bold", markup=False)
        for verdict in verdicts:
            out.print(f"  {verdict.sentence}", markup=False)
            for detail in verdict.details:
                out.print(f"    {detail}", markup=False)


def _print_bindings(results: BenchResults, out: Console) -> None:
    bound = [one for one in results.settings if one.binding is not None]
    if bound:
        out.print("What limits the detail", style="bold")
    for one in bound:
        if one.binding is not None:
            words = f"{one.instrument.title}, {one.setting.title}: {one.binding.sentence}."
            out.print(f"  {words}", markup=False)


def _print_needs(results: BenchResults, out: Console) -> None:
    needs = answer_needs(results)
    if needs.ranking:
        out.print("Needs", style="bold")
    for one in needs.ranking:
        title = results.bench.instrument(one.instrument).title
        words = f"{one.met} met, {one.failed} not, {one.open} not shown"
        out.print(f"  {one.place}. {title}: {words}", markup=False)


def _print_same_chip(results: BenchResults, out: Console) -> None:
    """Calibrations held against each other by photos of one chip, and what could not be matched."""
    for chip in kept_matches(results):
        thing = results.bench.object(chip.object)
        out.print(f"Same chip: {thing.name or thing.id}", style="bold", markup=False)
        for pair in chip.pairs:
            if pair.result is None:
                continue
            said = f"  {pair.second} over {pair.first}: scale ratio {say(pair.result.scale_ratio)}"
            if pair.error is not None:
                error = say(pair.error.scaled(100, "%"), " %")
                said += f"; the calibrations {pair.verdict} (off by {error})"
            out.print(said, markup=False)
        for capture_id, why in chip.unmatched.items():
            out.print(f"  {capture_id}: not matched: {why}", markup=False)


def _report_trouble(results: BenchResults) -> None:
    statuses = [capture.status for capture in results.captures]
    name_missing(results.bench)
    for capture in results.captures:
        if capture.status in ("refused", "unusable"):
            click.echo(not_measured(capture.capture.id, capture.reason), err=True)
    if "unusable" in statuses or results.bench.missing:
        sys.exit(2)
    if "refused" in statuses and "measured" not in statuses:
        sys.exit(3)
