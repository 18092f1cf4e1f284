"""A capture whose file is gone: named, and nothing is held against what it may have shown."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.report.benches import measured
from tests.web.conftest import client_of

from glassay.bench.document.mistakes import BenchMistakes
from glassay.bench.document.model import Need
from glassay.bench.document.read import load_bench
from glassay.bench.judging.missing import may_be_met_by_missing
from glassay.bench.judging.needs import answer_needs
from glassay.bench.keeping.checksums import add_checksums
from glassay.bench.measuring.assemble import read_results, results_as_json
from glassay.cli import program
from glassay.disk import content_hash
from glassay.report.picks import misses


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The small bench, whose photo of the near setting was renamed after it was measured."""
    folder = tmp_path / "bench"
    measured(folder)
    near = folder / "captures" / "near.png"
    add_checksums(folder, {"captures/near.png": content_hash(near)})
    near.rename(near.with_name("nearer.png"))
    return folder


def test_all_else_is_read_and_the_missing_one_is_named(folder: Path) -> None:
    with pytest.raises(
        BenchMistakes, match=r"line \d+: file: there is no file 'captures/near.png'"
    ):
        load_bench(folder)
    results = read_results(load_bench(folder, without_missing=True))
    assert [one.capture.id for one in results.bench.missing] == ["captures/near.png"]
    assert "captures/near.png" not in {one.capture.id for one in results.captures}
    assert any(one.setting.id == "far" for one in results.settings)
    (told,) = results_as_json(results)["missing"]
    assert told["id"] == "captures/near.png"
    assert "'captures/nearer.png' has its checksum" in told["reason"]


def test_a_claim_that_the_missing_photo_may_show_to_be_met_is_not_called_missed(
    folder: Path,
) -> None:
    results = read_results(load_bench(folder, without_missing=True))
    pad = results.verdicts_of("pad")
    assert not any(one.word == "not met" for one in pad)
    assert not any(one.verdict.instrument == "pad" for one in misses(results))
    (doubt,) = (one for one in results.doubts if one.kind == "missing file")
    assert doubt.places == (("pad", "near"),)
    assert not any(may_be_met_by_missing(one, results.contradictions) for one in pad)


def test_what_the_missing_photo_may_show_is_no_answer_no(folder: Path) -> None:
    need = Need("fine", "fine", detail_um=0.01, field_um=(10.0, 10.0))
    bench = load_bench(folder, without_missing=True)
    results = read_results(replace(bench, needs=(need,)))
    answer = answer_needs(results).answer("fine", "pad")
    assert answer.word == "not shown"
    assert "captures of setting near are missing" in answer.sentence
    back = read_results(replace(bench, needs=(need,), missing=()))
    assert answer_needs(back).answer("fine", "pad").word == "no"


@pytest.mark.parametrize(("command", "status"), [("run", 2), ("shots", 0), ("report", 0)])
def test_commands_that_look_go_on_and_name_it(folder: Path, command: str, status: int) -> None:
    done = CliRunner().invoke(program, [command, str(folder)])
    assert done.exit_code == status, done.output
    assert (
        "captures/near.png: not measured: there is no file 'captures/near.png' in the bench folder;"
        " 'captures/nearer.png' has its checksum: it was renamed (bench.toml line "
    ) in done.stderr
    if command == "report":
        page = (folder / "results" / "report.html").read_text(encoding="utf-8")
        assert page.index("captures/near.png is listed, but") < page.index("What decides")


def test_a_file_that_was_never_filed_is_a_mistake_as_before(folder: Path) -> None:
    (folder / "captures.sha256").unlink()
    with pytest.raises(BenchMistakes, match="there is no file"):
        load_bench(folder, without_missing=True)


def test_what_would_keep_it_refuses(folder: Path) -> None:
    done = CliRunner().invoke(program, ["pack", str(folder)])
    assert done.exit_code != 0
    assert not list(folder.parent.glob("*.zip"))


def test_the_workbench_opens_and_sees_the_file_when_it_is_back(folder: Path) -> None:
    client = client_of(folder)
    assert "captures/near.png is listed, but" in client.get("/").text
    (folder / "captures" / "nearer.png").rename(folder / "captures" / "near.png")
    assert "is listed, but" not in client.get("/").text
