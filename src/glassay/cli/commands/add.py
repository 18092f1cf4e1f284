"""`glassay add`: file captures into a bench."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from glassay.bench.document import load_bench
from glassay.bench.filing import Filing, file_captures, find_sources, suggest
from glassay.bench.model import Bench
from glassay.bench.reader import suggestion
from glassay.errors import Unusable


@click.command("add")
@click.argument("bench", type=click.Path(path_type=Path))
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILES..."
)
@click.option("--instrument", help="id of the instrument that took them")
@click.option("--setting", help="id of its setting")
@click.option("--object", "thing", help="id of the reference object they show")
@click.option("--yes", is_flag=True, help="take what file and folder names suggest, do not ask")
def command(
    bench: Path, files: Sequence[Path], instrument: str | None, setting: str | None,
    thing: str | None, yes: bool,
) -> None:  # fmt: skip
    """File photos and clips into BENCH: copied unchanged, listed in its bench.toml.

    What is not given as an option is asked, with a suggestion from the names of the file and its
    folders. FILES may be folders. A file that is filed already is recognised by its content.
    """
    loaded = load_bench(bench)
    if not loaded.instruments or not loaded.objects:
        raise Unusable(f"{bench / 'bench.toml'} has no instruments or no reference objects yet")
    sources = find_sources(files)
    before: Filing | None = None
    filings = []
    for source in sources:
        before = _decide(loaded, source, before, (instrument, setting, thing), ask=not yes)
        filings.append(before)
    for filed in file_captures(loaded, filings):
        word = "is filed already as" if filed.already else "filed as"
        click.echo(f"{filed.source.name} {word} {filed.name}")


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
    if instrument_id not in known:
        raise Unusable(
            f"there is no instrument {instrument_id!r}; {suggestion(instrument_id, known)}"
        )
    instrument = bench.instrument(instrument_id)
    settings = [one.id for one in instrument.settings]
    setting_id = given[1] or (settings[0] if len(settings) == 1 else None)
    if setting_id is None:
        hint = hints.setting if hints.instrument == instrument_id else None
        if hint is None and before is not None and before.instrument == instrument_id:
            hint = before.setting
        setting_id = _settle(source, "setting", settings, hint, ask)
    if setting_id not in settings:
        hint = suggestion(setting_id, settings)
        raise Unusable(f"instrument {instrument_id!r} has no setting {setting_id!r}; {hint}")
    objects = [one.id for one in bench.objects]
    object_id = given[2] or _settle(
        source, "object", objects, hints.object or (before.object if before else None), ask
    )
    if object_id not in objects:
        raise Unusable(f"there is no object {object_id!r}; {suggestion(object_id, objects)}")
    return Filing(source, instrument_id, setting_id, object_id)


def _settle(source: Path, what: str, options: Sequence[str], hint: str | None, ask: bool) -> str:
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
        raise Unusable(f"no answer came; give --{what}, or --yes to take suggestions") from None
    return answer
