"""`glassay completion`: the lines with which a shell completes commands, options and paths."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

SHELLS = ("bash", "zsh", "fish")
VARIABLE = "_GLASSAY_COMPLETE"
"""What the command looks for in its environment when a shell asks it for completions."""


@click.command("completion")
@click.argument("shell", type=click.Choice(SHELLS))
def command(shell: str) -> None:
    """Print what makes SHELL (bash, zsh or fish) complete this command.

    \b
    bash: glassay completion bash > ~/.local/share/bash-completion/completions/glassay
    zsh:  glassay completion zsh > a folder of $fpath, under the name _glassay
    fish: glassay completion fish > ~/.config/fish/completions/glassay.fish
    """
    from glassay.cli import program

    known = get_completion_class(shell)
    if known is None:  # click knows these three
        raise click.ClickException(f"{shell} is not known")
    click.echo(known(program, {}, "glassay", VARIABLE).source())
