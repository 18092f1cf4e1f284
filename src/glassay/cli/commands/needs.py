"""`glassay needs`: needs answered for each instrument, and what would change the answer."""

from __future__ import annotations

import json
from pathlib import Path

import click

from glassay.bench.judging.need_answers import Needs, needs_as_json
from glassay.bench.judging.needs import answer_needs
from glassay.bench.measuring.assemble import read_results
from glassay.cli.benches import what_is_there
from glassay.errors import NotMeasurable


@click.command("needs")
@click.argument("bench", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="print everything as data")
def command(bench: Path, as_json: bool) -> None:
    """Say what each instrument of BENCH can do of the needs in bench.toml.

    From what `glassay run` measured; nothing is measured here. Exit status: 0; 3 when bench.toml
    states no need that can be judged; 2 when it is wrong.
    """
    results = read_results(what_is_there(bench))
    needs = answer_needs(results)
    if not needs.answers:
        raise NotMeasurable(
            "bench.toml states no need that can be judged; add detail, field, clearance, rate,"
            " budget, power or standalone to a [[need]]"
        )
    if as_json:
        click.echo(json.dumps(needs_as_json(needs), indent=1))
        return
    _say(needs, {one.id: one.title for one in results.bench.instruments})


def _say(needs: Needs, names: dict[str, str]) -> None:
    for one in needs.ranking:
        mine = [answer for answer in needs.answers if answer.instrument == one.instrument]
        musts = [answer.word for answer in mine if answer.need.must]
        of_musts = f"{musts.count('yes')} of {len(musts)} musts, " if musts else ""
        click.echo(
            f"{one.place}. {names[one.instrument]}: {of_musts}{one.met} met, {one.failed} not,"
            f" {one.open} not shown"
        )
        for answer in sorted(mine, key=lambda answer: not answer.need.must):
            kind = " (must)" if answer.need.must else ""
            click.echo(f"   {answer.word:9}  {answer.need.id}{kind}: {answer.sentence}")
    if len(needs.without) > 1:
        click.echo("Who stands first:")
        now = [one.instrument for one in needs.ranking if one.place == 1]
        width = max(len(need) for need, _ in needs.without) + len("without ")
        click.echo(f"   {'as stated':{width}}  {', '.join(names[i] for i in now)}")
        for need, first in needs.without:
            click.echo(f"   {'without ' + need:{width}}  {', '.join(names[i] for i in first)}")
    for sentence in needs.sensitivity:
        if not sentence.startswith("Without the need"):
            click.echo(sentence)
    for one_in_words in needs.in_words:
        click.echo(f"not judged, in words only: {one_in_words.id}: {one_in_words.statement}")
