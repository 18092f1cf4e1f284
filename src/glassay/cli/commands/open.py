"""`glassay open`: the workbench in the browser."""

from __future__ import annotations

import secrets
from pathlib import Path

import click

from glassay.errors import Unusable


@click.command("open")
@click.argument("bench", type=click.Path(path_type=Path))
@click.option("--port", type=click.IntRange(1, 65535), help="port on the loopback address")
@click.option("--no-browser", is_flag=True, help="print the address, open nothing")
@click.option("--for-scripts", is_flag=True, help="print a key with which scripts may ask as well")
def command(bench: Path, port: int | None, no_browser: bool, for_scripts: bool) -> None:
    """Open BENCH in the browser: look, file, edit, measure and photograph there.

    The pages are served to this computer only, at an address that lets one browser in, once. A
    folder without a bench can be made one there. Ctrl-C ends it.
    """
    from glassay.web import serve

    if bench.is_file():
        raise Unusable(f"{bench} is a file, no bench folder; a bench is a folder with a bench.toml")
    if not bench.is_dir():
        raise Unusable(f"{bench} is no folder; `glassay new {bench}` starts a bench")

    key = secrets.token_urlsafe(24) if for_scripts else None

    def tell(address: str) -> None:
        click.echo(f"The workbench is at {address}")
        if key is not None:
            click.echo(f"Scripts send the header: Authorization: Bearer {key}")
        click.echo("Ctrl-C ends it.")

    serve(bench, port=port, script_key=key, started=tell, browser=not no_browser)
