"""The shell completes commands, options and choices, in bash, zsh and fish."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

import pytest
from click.testing import CliRunner

from glassay.cli import COMMANDS, program

ASK = "import sys; sys.argv = ['glassay']; from glassay.cli import main; main()"


def asked(shell: str, words: str, number: int) -> list[str]:
    """What is offered for word `number`, in the way that click's scripts ask."""
    last = words.split(" ")[number]
    environment = {**os.environ, "_GLASSAY_COMPLETE": f"{shell}_complete", "COMP_WORDS": words,
                   "COMP_CWORD": last if shell == "fish" else str(number)}  # fmt: skip
    told = subprocess.run([sys.executable, "-c", ASK], env=environment, capture_output=True,
                          text=True, check=True)  # fmt: skip
    return told.stdout.split()


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_is_told_how_to_ask(shell: str) -> None:
    told = CliRunner().invoke(program, ["completion", shell])
    assert told.exit_code == 0
    assert f"_GLASSAY_COMPLETE={shell}_complete" in told.output
    if interpreter := shutil.which(shell):
        checked = subprocess.run([interpreter, "-n"], input=told.output, text=True, check=False)
        assert checked.returncode == 0


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_commands_are_offered(shell: str) -> None:
    offered = " ".join(asked(shell, "glassay mos", 1))
    assert "mosaic" in offered
    assert "scale" not in offered
    assert set(COMMANDS) >= {"mosaic", "scale"}


def test_options_and_choices_are_offered() -> None:
    assert "plain,--division" in asked("bash", "glassay scale --div", 2)
    assert asked("bash", "glassay completion ", 2) == ["plain,bash", "plain,zsh", "plain,fish"]


def test_an_unknown_shell_is_refused() -> None:
    told = CliRunner().invoke(program, ["completion", "csh"])
    assert told.exit_code == 2
    assert "bash" in told.output
