"""`glassay report`: what it writes, and every way to fail."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from glassay.bench.keeping.results import BenchResults
from glassay.cli import main


class Shell:
    """Runs `glassay report`, and remembers what it printed."""

    def __init__(self, capsys: pytest.CaptureFixture[str], patch: pytest.MonkeyPatch) -> None:
        self._capsys = capsys
        self._patch = patch

    def __call__(self, *arguments: object) -> tuple[int, str, str]:
        self._patch.setattr(sys, "argv", ["glassay", "report", *map(str, arguments)])
        try:
            main()
            status = 0
        except SystemExit as done:
            status = int(done.code or 0)
        out = self._capsys.readouterr()
        return status, out.out, out.err


@pytest.fixture
def shell(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shell:
    return Shell(capsys, monkeypatch)


@pytest.fixture
def bench(results: BenchResults, tmp_path: Path) -> Path:
    """A copy of the measured bench, results included."""
    return Path(shutil.copytree(results.bench.folder, tmp_path / "bench"))


def test_the_page_and_the_tables_go_into_results(shell: Shell, bench: Path) -> None:
    before = {p: p.read_bytes() for p in (bench / "captures").iterdir()}
    status, out, errors = shell(bench)
    assert status == 0
    assert out.startswith("Of 4 claims by sellers")
    assert str(bench / "results" / "report.html") in out
    names = {path.name for path in (bench / "results").iterdir()}
    assert {"report.html", "comparison.csv", "comparison.json", "comparison.md"} <= names
    # The refusal is told, and is no failure of the report.
    assert errors.startswith("captures/dark.png: not measured:")
    assert {p: p.read_bytes() for p in (bench / "captures").iterdir()} == before


def test_another_folder_and_chosen_columns(shell: Shell, bench: Path, tmp_path: Path) -> None:
    out = tmp_path / "for" / "the site"
    status, _, _ = shell(bench, "--out", out, "--columns", "claims, pixel_size")
    assert status == 0
    page = (out / "report.html").read_text(encoding="utf-8")
    page = page[page.index('<section id="comparison"') :]
    head = page[page.index("<thead") : page.index("</thead>")]
    assert head.index("claims") < head.index("pixel size")
    assert "widest field" not in head
    assert (out / "comparison.csv").read_text().startswith("id,instrument,claims,pixel_size")


def test_mistakes_end_in_one_line(shell: Shell, bench: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for arguments, expected in (
        ((bench, "--columns", "pixelsize"), "there is no column 'pixelsize'"),
        ((bench, "--columns", ","), "names no column"),
        ((bench, "--out", tmp_path / "file"), "file"),
        ((tmp_path / "none",), "no bench folder"),
    ):
        status, _, errors = shell(*arguments)
        last = errors.splitlines()[-1]
        assert status == 2
        assert last.startswith("glassay: ")
        assert expected in last
        assert "Traceback" not in errors
