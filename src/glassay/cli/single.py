"""What every single-photo command shares: its options, and how its answer or refusal is printed."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from glassay.cli.outputs import output_option
from glassay.errors import NotMeasurable, Unusable
from glassay.finding import Finding, Measurement
from glassay.quantity import Quantity, rounded
from glassay.report.figure_file import check_figure_path

M = TypeVar("M", bound=Measurement)
Box = tuple[int, int, int, int]


def parse_box(text: str | None) -> Box | None:
    """Read `--box x,y,width,height`. Raises `Unusable`."""
    if text is None:
        return None
    try:
        x, y, w, h = (int(part) for part in text.split(","))
    except ValueError:
        raise Unusable(f"--box {text!r} is not x,y,width,height in whole px") from None
    return x, y, w, h


def _figure_path(_: click.Context, __: click.Parameter, path: Path | None) -> Path | None:
    if path is not None:
        check_figure_path(path)
    return path


def figure_option(words: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """`--figure FILE`, whose name and folder are checked before anything is measured."""
    return output_option(
        "--figure", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
        callback=_figure_path, help=f"{words} (.png, .svg or .pdf)",
    )  # fmt: skip


def single_photo_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add `--json`, `--figure` and `--box` to a command."""
    for option in (
        click.option("--box", metavar="X,Y,W,H", help="look only here, in px of the upright photo"),
        figure_option("draw the evidence over the photo"),
        click.option("--json", "as_json", is_flag=True, help="print the answer as data"),
    ):  # fmt: skip
        function = option(function)
    return function


def answer(
    name: str | Sequence[Path],
    measure: Callable[[], M],
    say: Callable[[M], str],
    *,
    as_json: bool,
    draw: Callable[[M], None] | None = None,
    beside: Callable[[], dict[str, Any]] | None = None,
) -> None:
    """Run `measure`, print its answer (or `say` it), and draw; exit 3 with the reason on refusal.

    `name` is the file as the user gave it, or several. A refusal is printed as data too when
    `as_json` is set, and so is an unusable file, with exit status 2; and 2 when the drawing cannot be
    written.
    `beside` gives what stands beside the findings in the data, such as files written by `measure`.
    """
    given = [name] if isinstance(name, str) else [str(path) for path in name]
    named = ", ".join(given)
    try:
        result = measure()
    except (NotMeasurable, Unusable) as error:
        if as_json:
            click.echo(json.dumps({"file": named, "measured": False, "reason": str(error)}))
        else:
            click.echo(not_measured(given, error), err=True)
        sys.exit(3 if isinstance(error, NotMeasurable) else 2)
    if as_json:
        findings = {key: finding.as_json() for key, finding in result.findings().items()}
        out = {"file": named, "measured": True, "findings": findings, "notes": list(result.notes)}
        out |= {} if beside is None else beside()
        click.echo(json.dumps(out, indent=1, default=str))
    else:
        click.echo(say(result))
        for note in result.notes:
            click.echo(f"  note: {note}")
    if draw is not None:
        try:
            draw(result)
        except Unusable as error:  # the answer is out already: no second one as data
            click.echo(f"glassay: {error}", err=True)
            sys.exit(2)


def not_measured(name: str | Sequence[str], reason: object) -> str:
    """The line that a refusal prints, with the file named once.

    `name` is one file or several, of which the first is named and the others are counted; a reason
    that begins with one of them is about that one.
    """
    words, names = str(reason), [name] if isinstance(name, str) else list(name)
    for given in names:
        for start in (given, Path(given).name):
            if words.startswith(f"{start}: "):
                return f"{given}: not measured: {words.removeprefix(f'{start}: ')}"
    others = len(names) - 1
    named = ", ".join(names) if others < 2 else f"{names[0]} and {others} others"
    return f"{named}: not measured: {words}"


def say_quantity(quantity: Quantity) -> str:
    """A quantity with its expanded uncertainty, digits cut to what the uncertainty supports."""
    unit = "" if quantity.unit == "1" else f" {quantity.unit}"
    if not quantity.u:
        return f"{quantity.value:z.6g}{unit}"
    value, expanded = rounded(quantity.value, quantity.expanded)
    return f"{value} ± {expanded}{unit}"


def say_finding(finding: Finding) -> str:
    """A finding as text."""
    if isinstance(finding.value, Quantity):
        return say_quantity(finding.value)
    return str(finding.value)
