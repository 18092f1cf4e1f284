"""Commands needs and shots on a bench that has not been measured."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from glassay.cli import program
from glassay.errors import NotMeasurable

TEXT = """
[[instrument]]
id = "pad"
name = "Pad"
kind = "screen"
standalone = true
[[instrument.claim]]
kind = "magnification"
value = "1600x"
where = "box"
"""
NEED = """
[[need]]
id = "alone"
statement = "works without a computer"
standalone = true
"""


def run(*arguments: str) -> str:
    found = CliRunner().invoke(program, list(arguments), catch_exceptions=False)
    assert found.exit_code == 0, found.output
    return found.output


def test_needs_are_answered(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(TEXT + NEED)
    said = run("needs", str(tmp_path))
    assert "1. Pad: 1 met, 0 not, 0 not shown" in said
    assert "yes        alone: works without a computer or a phone" in said
    data = json.loads(run("needs", "--json", str(tmp_path)))
    assert data["answers"][0]["answer"] == "yes"


def test_a_bench_without_needs_says_how_to_state_one(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(TEXT)
    result = CliRunner().invoke(program, ["needs", str(tmp_path)])
    assert isinstance(result.exception, NotMeasurable)
    assert "detail, field, clearance" in str(result.exception)


def test_shots_are_listed_and_written_as_a_page(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(TEXT)
    page = tmp_path / "shots.html"
    said = run("shots", str(tmp_path), "--out", str(page))
    assert "[ ] 1. Pad: a photo of a ruled scale" in said
    assert "settles claim: magnification 1600x" in said
    assert "Lay the slide flat and level" in said
    html = page.read_text()
    assert "Still to be photographed" in html
    assert "Lay the slide flat and level" in html
    assert json.loads(run("shots", "--json", str(tmp_path)))["shots"][0]["shot"] == "scale"


@pytest.mark.parametrize("name", ["list.pdf", "list"])
def test_a_page_of_another_kind_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "bench.toml").write_text(TEXT)
    result = CliRunner().invoke(program, ["shots", str(tmp_path), "--out", str(tmp_path / name)])
    assert result.exit_code != 0
    assert "written as .html" in str(result.exception)
