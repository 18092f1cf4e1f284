"""`glassay open`: the workbench in the browser."""

from __future__ import annotations

import secrets
import sys
from pathlib import Path

import click

from glassay.errors import Unusable


@click.command("open")
@click.argument("bench", type=click.Path(path_type=Path))
@click.option("--port", type=click.IntRange(1, 65535), help="port on the loopback address")
@click.option("--no-browser", is_flag=True, help="print the address, open nothing")
@click.option("--for-scripts", is_flag=True, help="print a key with which scripts may ask as well")
@click.option("--phone", is_flag=True,
              help="take photos from a phone on the local network as well, by a QR code")  # fmt: skip
@click.option("--phone-minutes", type=click.FloatRange(1, 240), default=30.0, show_default=True,
              help="how long the phone's page stays open")  # fmt: skip
@click.option("--phone-address", metavar="ADDRESS",
              help="this computer's address on the local network, where it has several")  # fmt: skip
def command(
    bench: Path, port: int | None, no_browser: bool, for_scripts: bool, phone: bool,
    phone_minutes: float, phone_address: str | None,
) -> None:  # fmt: skip
    """Open BENCH in the browser: look, file, edit, measure and photograph there.

    The pages are served to this computer only, at an address that lets one browser in, once. A
    folder without a bench can be made one there. Ctrl-C ends it.

    With --phone a second page is opened on the local network for a while. It only takes photos and
    clips, from a phone that reads the code shown, and shows nothing of the bench. What it takes
    crosses the network without encryption: use it on networks that you trust only.
    """
    from glassay.web.phone.serve import PhonePage, code_for_terminal
    from glassay.web.serve import serve

    if bench.is_file():
        raise Unusable(f"{bench} is a file, no bench folder; a bench is a folder with a bench.toml")
    if not bench.is_dir():
        raise Unusable(f"{bench} is no folder; `glassay new {bench}` starts a bench")

    key = secrets.token_urlsafe(24) if for_scripts else None
    door = PhonePage(bench, phone_address, phone_minutes) if phone else None

    def tell(address: str) -> None:
        click.echo(f"The workbench is at {address}")
        if key is not None:
            click.echo(f"Scripts send the header: Authorization: Bearer {key}")
        if door is not None:
            click.echo(f"\nThe phone's page, for {phone_minutes:g} min and one device: {door.url}")
            _show(code_for_terminal(door.url))
            click.echo("Pictures cross the network without encryption: only where you trust it.\n")
        click.echo("Ctrl-C ends it.")

    try:
        serve(bench, port=port, script_key=key, started=tell, browser=not no_browser, phone=door)
    finally:
        if door is not None:
            door.close()


def _show(code: str) -> None:
    """Print the code, where the terminal has its characters; the workbench shows it as well."""
    try:
        code.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        click.echo("(This terminal cannot show the code; the workbench does, under Captures.)")
        return
    click.echo(code)
