"""`glassay open`: says where the workbench is, serves it there, and ends on Ctrl-C."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest
from click.testing import CliRunner

from glassay.cli.commands.open import command
from glassay.errors import Unusable

HEARS_CTRL_C = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
"""A shell starts what runs in its background deaf to it."""


def test_the_address_lets_in_until_it_is_stopped(folder: Path) -> None:
    code = f"{HEARS_CTRL_C}\nfrom glassay.cli import main; main()"
    words = [sys.executable, "-u", "-c", code, "open", str(folder), "--no-browser",
             "--for-scripts"]  # fmt: skip
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/\?token=(\S{20,})", line)
        key = re.search(r"Bearer (\S{20,})", process.stdout.readline())
        assert found is not None
        assert key is not None
        assert key[1] != found[2]
        try:
            asked = urllib.request.Request(
                f"http://127.0.0.1:{found[1]}/", headers={"authorization": f"Bearer {key[1]}"}
            )
            with urllib.request.urlopen(asked, timeout=300) as answer:
                assert b"What they show" in answer.read()
            process.send_signal(signal.SIGINT)
            assert process.wait(300) == 130
        finally:
            process.kill()


def test_a_page_that_is_still_being_made_is_cut_off_without_a_word(tmp_path: Path) -> None:
    # A page that never comes stands for one that takes long on a machine under load.
    code = """
import asyncio, sys
from pathlib import Path
import glassay.web.serve
serve = sys.modules["glassay.web.serve"]
async def app(scope, receive, send):
    if scope["type"] == "http":
        print("asked", flush=True)
        await asyncio.sleep(600)
sys.modules["glassay.web.listening"].CLOSING_S = 0
class State: workbench = None
app.state = State
serve._read_ahead = lambda workbench: None
serve.create_app = lambda folder, secret, key: app
try:
    serve.serve(Path(sys.argv[1]), browser=False, started=lambda it: print(it, flush=True))
except KeyboardInterrupt:
    sys.exit(130)
"""
    words = [sys.executable, "-c", HEARS_CTRL_C + code, str(tmp_path)]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        try:
            port = int(re.findall(r":(\d+)/", process.stdout.readline())[0])
            with socket.create_connection(("127.0.0.1", port)) as asking:
                asking.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
                assert process.stdout.readline() == "asked\n"
                process.send_signal(signal.SIGINT)
                _, errors = process.communicate(timeout=300)
        finally:
            process.kill()
    assert process.returncode == 130
    assert errors == ""


def test_it_listens_on_the_loopback_address_only(folder: Path) -> None:
    from glassay.web.listening import listen
    from glassay.web.serve import ADDRESS

    with listen(ADDRESS, (0,)) as listener:
        assert listener.getsockname()[0] == "127.0.0.1"


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(Unusable, match="is no folder"):
        CliRunner().invoke(command, [str(tmp_path / "nowhere")], catch_exceptions=False)


def test_a_port_that_is_taken_is_told(folder: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        with pytest.raises(Unusable, match=f"port {port} is taken"):
            CliRunner().invoke(
                command, [str(folder), "--port", port, "--no-browser"], catch_exceptions=False
            )
