"""`glassay compare`: two benches held against each other."""

from __future__ import annotations

import json
from pathlib import Path

import click

from glassay.bench.keeping.compare_benches import (
    RULE,
    Difference,
    compare_benches,
    difference_as_json,
    parse_pairs,
)
from glassay.bench.measuring.assemble import read_results
from glassay.cli.benches import what_is_there


@click.command("compare")
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option("--pair", "pairs", multiple=True, metavar="ID=ID",
              help="instruments of one type under different ids")  # fmt: skip
@click.option("--same", multiple=True, metavar="ID=ID",
              help="reference objects that are one and the same thing")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="print everything as data")
def command(
    first: Path, second: Path, pairs: tuple[str, ...], same: tuple[str, ...], as_json: bool
) -> None:
    """Compare the benches FIRST and SECOND: other samples, or another reviewer's results.

    From what `glassay run` measured in each. Exit status: 0; 3 when nothing measured pairs up; 2
    when a bench or an option is wrong.
    """
    found = compare_benches(
        read_results(what_is_there(first)), read_results(what_is_there(second)),
        instruments=parse_pairs(pairs, "--pair"), objects=parse_pairs(same, "--same"),
    )  # fmt: skip
    if as_json:
        click.echo(json.dumps(difference_as_json(found), indent=1))
    else:
        _say(found)


def _say(found: Difference) -> None:
    differ = [pair for pair in found.pairs if pair.word == "differ"]
    if found.pairs:
        click.echo(f"Of {len(found.pairs)} numbers measured in both, {len(differ)} differ by more"
                   " than their uncertainty.")  # fmt: skip
    else:
        click.echo("No setting was measured in both; only verdicts can be held against each other.")
    heading = ""
    for pair in sorted(found.pairs, key=lambda p: (p.instrument, p.setting)):
        name = pair.instrument if pair.instrument == pair.other else (
            f"{pair.instrument} and {pair.other}"
        )  # fmt: skip
        if heading != (heading := f"{name}, {pair.setting}"):
            click.echo(heading)
        click.echo(f"  {pair.sentence}")
    for verdict in found.verdicts:
        click.echo(f"{verdict.instrument}: {verdict.claim}: {verdict.sentence}")
    for note in found.notes:
        click.echo(f"note: {note}")
    click.echo(f"Rule: {RULE}.")
