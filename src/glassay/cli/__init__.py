"""The command line: `glassay COMMAND ...`. Each command lives in `cli/commands/`, loaded on use."""

from __future__ import annotations

import errno
import json
import sys
from typing import TYPE_CHECKING

import click

from glassay import __version__
from glassay.errors import NotMeasurable, Unusable
from glassay.extensions import is_extended, named
from glassay.heap import keep_freed_memory

if TYPE_CHECKING:
    from glassay.bench.measuring.methods.contract import CommandEntry

COMMANDS = {
    "new": "start a bench folder",
    "add": "file captures into a bench",
    "run": "measure everything new or changed and print the comparison",
    "needs": "what each instrument can do of what you need, and what would change that",
    "shots": "what is still to be photographed, the most valuable first",
    "plan": "how to photograph a die: tiles, focus steps, shots, time, storage",
    "report": "write the comparison as one page, and its table as data",
    "open": "open a bench in the browser: look, file, edit, measure, photograph",
    "compare": "hold two benches against each other",
    "pack": "make one archive of a bench: captures, results, versions, checksums",
    "check": "verify an archive and derive its numbers again",
    "scale": "pixel size and field from a photo of a ruled scale or grid",
    "edge": "how fine a detail a photo shows, from the straight edges in it",
    "bars": "finest resolved element, contrast and pixel size from a three-bar target",
    "repeat": "where the detail of repeated exposures ends, and their noise",
    "native": "how many of a file's pixels are real, from one photo or repeated exposures",
    "clip": "true frame rate, repeated frames, drift and shake of a clip",
    "preview": "a drawing or better capture as an instrument would show it",
    "plate": "one piece of a chip through every instrument, at one scale",
    "match": "two photos of one chip laid over each other: scale ratio, rotation, residual",
    "mosaic": "many photos of one chip as one true picture, with the places of all tiles",
    "die": "a die's size, bond pads, finest line and pitch, from a photo or a bench's chip",
    "shelf": "the chips of many benches, searched in one place; a wall of dies at one scale",
    "publish": "a static site of chips: sheets to look at closely, data, archives, checksums",
    "array": "pixel pitch and count of an image sensor from photos of its die; any lattice",
    "field": "evenness of light, distortion and colour fringes across the field",
    "noise": "noise against light, from pairs of exposures",
    "focus": "depth of field, best focus and image walk, from a focus run",
    "stack": "one picture sharp at all heights and a map of depth, from a focus run",
    "chain": "what an optical chain can show, without a photo",
    "completion": "what makes bash, zsh or fish complete this command",
}
"""Every command and its one-line help, in the order in which `--help` lists them."""


def _added() -> dict[str, CommandEntry]:
    """Commands of other packages' methods, by name. Without such packages nothing is loaded."""
    if not is_extended("glassay.methods"):
        return {}
    from glassay.bench.measuring.methods import METHODS

    found = [one.command for one in METHODS.values() if one.command is not None]
    return {one.name: one for one in found if one.name not in COMMANDS}


class _LazyGroup(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return [*COMMANDS, *_added()]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        where = f"glassay.cli.commands.{cmd_name}:command"
        if cmd_name not in COMMANDS:
            added = _added().get(cmd_name)
            if added is None:
                return None
            where = added.where
        command: click.Command = named(where)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            added = {name: one.help for name, one in _added().items()}
            formatter.write_dl(list((COMMANDS | added).items()))


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="glassay")
def program() -> None:
    """Measure microscopes used to look at bare silicon, from the photos you already take."""


def main() -> None:
    """Entry point: errors meant for a person end as one line and a fixed exit status.

    Where the answer was wanted as data (`--json`), so is the reason: `measured` false and `reason`.
    """
    keep_freed_memory()
    try:
        program(standalone_mode=False)
    except click.exceptions.Exit as done:
        sys.exit(done.exit_code)
    except click.Abort:
        click.echo("stopped; what was finished is kept", err=True)
        sys.exit(130)
    except click.ClickException as error:
        if _as_data():
            _print_reason(error.format_message())
        else:
            error.show()
        sys.exit(2)
    except (Unusable, NotMeasurable) as error:
        if _as_data():
            _print_reason(str(error))
        else:
            click.echo(f"glassay: {error}", err=True)
        sys.exit(3 if isinstance(error, NotMeasurable) else 2)
    except BrokenPipeError:
        sys.exit(141)
    except OSError as error:
        if error.errno != errno.ENAMETOOLONG:  # what no file system takes cannot be asked after
            raise
        name = str(error.filename)
        said = f"{name[:40]}... is too long a name ({len(name)} characters)"
        if _as_data():
            _print_reason(said)
        else:
            click.echo(f"glassay: {said}", err=True)
        sys.exit(2)


def _as_data() -> bool:
    return "--json" in sys.argv[1:]


def _print_reason(reason: str) -> None:
    click.echo(json.dumps({"measured": False, "reason": reason}))
