"""`glassay add`: file captures into a bench."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from glassay.bench.document.mistakes import suggestion
from glassay.bench.document.model import Bench, Capture
from glassay.bench.document.read import load_bench
from glassay.bench.keeping.filing import (
    Filing,
    file_captures,
    filed_before,
    find_sources,
    suggest,
)
from glassay.bench.keeping.sets_of_photos import put_together
from glassay.errors import Unusable


@click.command("add")
@click.argument("bench", type=click.Path(path_type=Path))
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILES..."
)
@click.option("--instrument", help="id of the instrument that took them")
@click.option("--setting", help="id of its setting")
@click.option("--object", "thing", help="id of the reference object they show")
@click.option("--also", is_flag=True,
              help="a photo filed already shows the object given here too")  # fmt: skip
@click.option("--apart", is_flag=True,
              help="each photo of a set (of a repeat pair, focus run, ...) by itself")  # fmt: skip
@click.option("--yes", is_flag=True, help="take what file and folder names suggest, do not ask")
def command(
    bench: Path, files: Sequence[Path], instrument: str | None, setting: str | None,
    thing: str | None, also: bool, apart: bool, yes: bool,
) -> None:  # fmt: skip
    """File photos and clips into BENCH: copied unchanged, listed in its bench.toml.

    What is not given as an option is asked, with a suggestion from the names of the file and its
    folders. FILES may be folders. A file that is filed already is recognised by its content. Photos
    of a repeat pair, a focus run, a relief or a chip in tiles, from one folder, become one capture;
    names that differ in their last number tell several such sets in a folder apart.
    """
    loaded = load_bench(bench)
    if not loaded.instruments or not loaded.objects:
        raise Unusable(f"{bench / 'bench.toml'} has no instruments or no reference objects yet")
    _check_given(loaded, instrument, thing)
    sources = find_sources(files)
    known = {} if also else filed_before(loaded, sources)
    before: Filing | None = None
    filings = []
    for source in sources:
        given = (instrument, setting, thing)
        as_filed = _as_before(source, known.get(source, ()), given)
        before = as_filed or _decide(loaded, source, before, given, ask=not yes)
        filings.append(before)
    if not apart:
        filings = list(put_together(loaded, filings))
    for filed in file_captures(loaded, filings, also=also):
        word = "is filed already as" if filed.already else "filed as"
        click.echo(f"{filed.source.name} {word} {filed.name}")
    for mark in dict.fromkeys(one.together for one in filings if one.together):
        mine = [one for one in filings if one.together == mark]
        kind = loaded.object(mine[0].object).kind
        click.echo(f"one {kind}: {', '.join(one.source.name for one in mine)}")


def _check_given(bench: Bench, instrument: str | None, thing: str | None) -> None:
    """Refuse unknown ids before anything is asked. A setting depends on the instrument."""
    for what, value, known in (
        ("instrument", instrument, [one.id for one in bench.instruments]),
        ("object", thing, [one.id for one in bench.objects]),
    ):
        if value is not None and value not in known:
            raise Unusable(f"there is no {what} {value!r}; {suggestion(value, known)}")


def _as_before(source: Path, captures: Sequence[Capture], given: Given) -> Filing | None:
    """What a file is filed as already, unless something else was given."""
    for one in captures:
        place = (one.instrument, one.setting, one.object)
        if all(want in (None, has) for want, has in zip(given, place, strict=True)):
            return Filing(source, *place)
    return None


Given = tuple[str | None, str | None, str | None]


def _decide(
    bench: Bench, source: Path, before: Filing | None, given: Given, *, ask: bool
) -> Filing:
    hints = suggest(bench, source)
    known = [one.id for one in bench.instruments]
    instrument_id = given[0] or _settle(
        source,
        "instrument",
        known,
        hints.instrument or (before.instrument if before else None),
        ask,
    )
    settings = [one.id for one in bench.instrument(instrument_id).settings]
    if given[1] is not None and given[1] not in settings:
        hint = suggestion(given[1], settings)
        raise Unusable(f"instrument {instrument_id!r} has no setting {given[1]!r}; {hint}")
    hint_setting = hints.setting if hints.instrument == instrument_id else None
    if hint_setting is None and before is not None and before.instrument == instrument_id:
        hint_setting = before.setting
    setting_id = given[1] or _settle(source, "setting", settings, hint_setting, ask)
    objects = [one.id for one in bench.objects]
    object_id = given[2] or _settle(
        source, "object", objects, hints.object or (before.object if before else None), ask
    )
    return Filing(source, instrument_id, setting_id, object_id)


def _settle(source: Path, what: str, options: Sequence[str], hint: str | None, ask: bool) -> str:
    """The answer where there is only one, else the hint or what the person says."""
    if len(options) == 1:
        return options[0]
    if not ask:
        if hint is None:
            raise Unusable(
                f"{source.name}: its name does not tell which {what} it belongs to; give --{what}"
                f" ({', '.join(options)})"
            )
        return hint
    question = f"{source.name}: {what} ({', '.join(options)})"
    choice: click.Choice[str] = click.Choice(list(options))
    try:
        answer: str = click.prompt(
            question, default=hint, type=choice, show_choices=False, err=True
        )
    except click.Abort:
        if sys.stdin.isatty():
            raise
        click.echo(err=True)  # ends the line of the question
        raise Unusable(f"no answer came; give --{what}, or --yes to take suggestions") from None
    return answer
