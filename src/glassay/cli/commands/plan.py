"""`glassay plan`: how to photograph a die with the instruments of a bench."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from glassay import units
from glassay.bench.document.values import duration, field_of_view
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import read_results
from glassay.bench.planning.plan import (
    PER_SHOT_S,
    PER_TILE_S,
    Job,
    Plan,
    left_out,
    plan,
    plan_as_json,
)
from glassay.cli.benches import what_is_there
from glassay.cli.outputs import output_option
from glassay.disk import write_atomically
from glassay.errors import Unusable


@click.command("plan")
@click.argument("bench", type=click.Path(path_type=Path))
@click.option("--die", required=True, metavar="WxH", help='size, like "3.2 mm x 2.1 mm"')
@click.option(
    "--line", required=True, metavar="LENGTH", help="width of the finest line to be resolved"
)
@click.option("--relief", metavar="LENGTH", help="height difference that must be sharp")
@click.option("--contrast", metavar="PERCENT", help="contrast at which the line must be resolved")
@click.option("--overlap", default="20 %", show_default=True, metavar="PERCENT",
              help="least overlap of neighbouring tiles")  # fmt: skip
@click.option("--exposures", type=click.IntRange(1, 100), default=1, show_default=True,
              help="exposures at each focus step")  # fmt: skip
@click.option("--per-shot", metavar="TIME", help=f"time for a shot (default: {PER_SHOT_S:g} s)")
@click.option("--per-tile", metavar="TIME", help=f"time to move on (default: {PER_TILE_S:g} s)")
@click.option("--with", "chosen", metavar="INSTRUMENT[/SETTING]",
              help="plan for this one instead of the best")  # fmt: skip
@output_option("--map", "map_file", type=click.Path(dir_okay=False, path_type=Path),
              metavar="FILE.html", help="write the tiles as a map to print")  # fmt: skip
@output_option("--positions", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.csv",
              help="write the position of every tile")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="print all plans as data")
def command(
    bench: Path, die: str, line: str, relief: str | None, contrast: str | None, overlap: str,
    exposures: int, per_shot: str | None, per_tile: str | None, chosen: str | None,
    map_file: Path | None, positions: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Plan how to photograph a die: instrument and setting, tiles, focus steps, time, storage.

    From what `glassay run` measured in BENCH. Exit status: 0; 3 when no setting is shown to resolve
    the line; 2 when a length is wrong.
    """
    job = Job(
        _die(die), units.parse_length_um(line),
        units.parse_length_um(relief) if relief else 0.0,
        units.parse_fraction(contrast) if contrast else None, units.parse_fraction(overlap),
        exposures, duration(per_shot) if per_shot else PER_SHOT_S,
        duration(per_tile) if per_tile else PER_TILE_S,
    )  # fmt: skip
    results = read_results(what_is_there(bench))
    plans = _chosen(plan(results, job), chosen)
    best = plans[0]
    _write(results, job, best, map_file, positions)
    for sentence in left_out(results):
        click.echo(f"glassay: {sentence}", err=True)
    if as_json:
        click.echo(json.dumps([plan_as_json(one) for one in plans], indent=1))
    else:
        _say(results, job, plans)
    if best.word != "yes" and chosen is None:
        click.echo("glassay: no setting was shown to resolve that line; `glassay shots` tells what"
                   " would show it", err=True)  # fmt: skip
        sys.exit(3)


def _die(text: str) -> tuple[float, float]:
    long, short = field_of_view(text)
    if not short:
        raise Unusable(f'--die {text!r} is not a size, like "3.2 mm x 2.1 mm"')
    return long, short


def _chosen(plans: tuple[Plan, ...], chosen: str | None) -> tuple[Plan, ...]:
    if chosen is None:
        return plans
    instrument, _, setting = chosen.partition("/")
    mine = [p for p in plans if p.instrument == instrument and setting in ("", p.setting)]
    if not mine:
        known = ", ".join(f"{p.instrument}/{p.setting}" for p in plans)
        raise Unusable(f"--with {chosen!r}: there is no such measured setting; there are {known}")
    return tuple(mine)


def _write(
    results: BenchResults, job: Job, best: Plan, map_file: Path | None, positions: Path | None
) -> None:
    from glassay.report import tile_map

    for path, suffix in ((map_file, ".html"), (positions, ".csv")):
        if path is not None and path.suffix.lower() != suffix:
            raise Unusable(f"{path.name}: it is written as {suffix}")
    if map_file is not None:
        write_atomically(map_file, tile_map.as_page(results, job, best).encode())
    if positions is not None:
        write_atomically(positions, tile_map.as_csv(best).encode())


def _say(results: BenchResults, job: Job, plans: tuple[Plan, ...]) -> None:
    from glassay.report.tile_map import say_bytes, say_time

    for number, one in enumerate(plans, 1):
        instrument = results.bench.instrument(one.instrument)
        t = one.tiling
        click.echo(f"{number}. {instrument.title}, {instrument.setting(one.setting).title}:"
                   f" resolves the line: {one.word} ({one.why})")  # fmt: skip
        turned = ", die turned by 90 degrees" if t.turned else ""
        focus = f", {one.steps} focus steps" if one.steps > 1 else ""
        if one.step_um:
            focus += f" {one.step_um:.3g} um apart (depth of field {one.depth:.3g} um,"
            focus += f" {one.depth_from})"
        tiles, shots = _of(t.count, "tile"), _of(one.shots, "shot")
        click.echo(
            f"   {t.columns} x {t.rows} = {tiles}{turned}{focus}: {shots}, {say_time(one.time_s)},"
            f" {say_bytes(one.bytes)}; mosaic of {one.mosaic_px[0]} x {one.mosaic_px[1]} px"
        )
        for note in one.notes:
            click.echo(f"   note: {note}")
    click.echo(f"Time counts {job.per_shot_s:g} s a shot and {job.per_tile_s:g} s to move on.")


def _of(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
