"""`glassay check`: verify an archive and derive its numbers again."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from glassay.bench.keeping.check_pack import Checked, check
from glassay.bench.shelf.published import check_site, is_site

MOST_SAID = 30
"""Differences that are printed; when a method changed, everything that follows from it differs."""


@click.command("check")
@click.argument("archive", metavar="ARCHIVE|SITE", type=click.Path(path_type=Path))
@click.option("--checksums-only", is_flag=True, help="do not measure the captures again")
@click.option("--json", "as_json", is_flag=True, help="print the answer as data")
@click.option("--jobs", type=click.IntRange(1, 256), help="processes (default: one a processor)")
def command(archive: Path, checksums_only: bool, as_json: bool, jobs: int | None) -> None:
    """Verify every file of ARCHIVE and derive its numbers again from the captures.

    Of a SITE that `glassay publish` wrote (a folder), all files, the archives in it and the dies.
    Exit status: 0 when all of it holds; 1 when a file is damaged or was added, or a number comes out
    otherwise; 2 when ARCHIVE is none.
    """
    how = check_site if is_site(archive) else check
    found = how(archive, measure=not checksums_only, jobs=jobs)
    if as_json:
        click.echo(json.dumps(_as_json(found), indent=1, ensure_ascii=False))
    else:
        _say(found)
    if not found.holds:
        sys.exit(1)


def _as_json(found: Checked) -> dict[str, object]:
    return {
        "holds": found.holds, "files": found.files, "damaged": list(found.damaged),
        "unlisted": list(found.unlisted),
        "measured": found.measured, "numbers": found.numbers,
        "differences": [
            {"where": d.where, "packed": d.packed, "derived": d.derived, "within": d.within}
            for d in found.differences
        ],
        "versions": dict(found.versions), "other_versions": list(found.other_versions),
    }  # fmt: skip


def _say(found: Checked) -> None:
    for line in found.damaged:
        click.echo(f"damaged: {line}", err=True)
    whole = found.files - len(found.damaged)
    click.echo(f"{max(0, whole)} of {found.files} files are what was packed.")
    if found.unlisted:
        names = ", ".join(found.unlisted[:MOST_SAID])
        more = (
            f" and {len(found.unlisted) - MOST_SAID} more"
            if len(found.unlisted) > MOST_SAID
            else ""
        )
        click.echo(f"{len(found.unlisted)} more, on which nothing rests: {names}{more}")
    if found.measured:
        same = found.numbers - sum(1 for d in found.differences if d.packed[:1] != '"')
        click.echo(f"{found.numbers} numbers were derived again; {max(0, same)} are the same.")
    elif found.damaged:
        click.echo("The numbers were not derived again, because files are damaged.")
    worst_first = sorted(found.differences, key=lambda d: d.within)
    for d in worst_first[:MOST_SAID]:
        how = "within its uncertainty" if d.within else "more than its uncertainty"
        click.echo(f"differs ({how}): {d.where}: packed {d.packed}, derived {d.derived}")
    if len(worst_first) > MOST_SAID:
        click.echo(f"and {len(worst_first) - MOST_SAID} more differences; --json lists them all")
    for line in found.other_versions:
        click.echo(f"other version: {line}")
