"""The report in print: one summary page, fonts embedded, methods and data for every number."""

from __future__ import annotations

import datetime
import os
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from tests.bench.made_up import bench_of, camera, captured, claim_of

from glassay.bench.document.model import Need
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import assemble
from glassay.disk import content_hash
from glassay.report.parts import Report
from glassay.report.pdf import write_pdf, write_summary

DAY = datetime.date(2026, 5, 1)


def tool(name: str, *arguments: str) -> str:
    """Output of a program of the PDF reader's tools, which know nothing of how we wrote the file."""
    if shutil.which(name) is None:
        if os.environ.get("GLASSAY_NOTHING_SKIPPED"):
            pytest.fail(f"{name} is not installed")
        pytest.skip(f"{name} is not installed")
    return subprocess.run([name, *arguments], check=True, capture_output=True, text=True).stdout


@pytest.fixture(scope="module")
def printed(results: BenchResults, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("print") / "report.pdf"
    write_pdf(Report(results, {}, DAY), path)
    return path


def test_every_font_is_embedded(printed: Path) -> None:
    lines = tool("pdffonts", str(printed)).splitlines()[2:]
    assert lines
    assert all(line.split()[-5] == "yes" for line in lines), lines


def test_photos_are_sharp_in_print_and_drawings_are_vectors(printed: Path) -> None:
    lines = [line.split() for line in tool("pdfimages", "-list", str(printed)).splitlines()[2:]]
    photos = [line for line in lines if line[2] == "image"]
    assert len(photos) == 5  # one for each capture; nothing drawn became pixels
    assert {(int(line[3]), int(line[4])) for line in photos} == {(640, 480), (300, 200)}


def test_the_report_says_what_the_page_says(printed: Path, results: BenchResults) -> None:
    said = " ".join(tool("pdftotext", "-layout", str(printed), "-").split())
    assert "Evenings <b>&amp;</b> slides" in said
    for verdict in results.verdicts:
        assert verdict.word in said
    assert "the arm sags" in said
    assert "JCGM 106:2012" in said
    assert "✗ not met" in said
    assert "Refused: only 4 evenly spaced lines" in said or "Refused:" in said


def test_the_appendix_names_every_file_version_and_finding(
    printed: Path, results: BenchResults
) -> None:
    said = tool("pdftotext", "-layout", str(printed), "-")
    for one in results.captures:
        for path in results.bench.paths(one.capture):
            assert content_hash(path) in said
        for key in one.findings:
            assert key in said
    near = results.capture("captures/near.png").findings["pixel_size"].quantity
    assert f"{near.value:.9g}" in said
    assert "method ruled scale, version" in said
    assert "division_um" in said


def test_readers_find_names_capitals_and_micrometres(printed: Path, results: BenchResults) -> None:
    said = tool("pdftotext", "-layout", str(printed), "-")
    assert "µm/px" in said
    assert " um/px" not in said
    assert not any(
        line.strip() == "um" or line.rstrip().endswith(" um") for line in said.split("\n")
    )
    assert " 0%" not in said
    for one in results.bench.instruments:
        for verdict in results.verdicts_of(one.id):
            start = verdict.sentence[:12]
            assert start[:1].upper() + start[1:] in said


def test_whose_view_equals_which_is_in_print_too(printed: Path) -> None:
    said = " ".join(tool("pdftotext", "-layout", str(printed), "-").split())
    assert "Whose view equals which" in said
    assert "closest setting" in said


def test_every_tick_with_room_is_labelled() -> None:
    from glassay.report.pdf.lanes import LABEL_ROOM, Lanes

    wide = Lanes([], [(0, "100x", True), (30, "200x", False), (70, "500x", False),
                      (100, "1000x", True)])  # fmt: skip
    assert {label for _, label in wide._labels()} == {"100x", "200x", "500x", "1000x"}
    close = Lanes([], [(0, "100x", True), (2, "200x", False), (100, "1000x", True)])
    assert [label for _, label in close._labels()] == ["100x", "1000x"]
    assert LABEL_ROOM > 22


def test_the_summary_is_one_page_however_much_there_is(tmp_path: Path) -> None:
    claims = tuple(claim_of(100 * n, id=f"m{n}") for n in range(1, 9))
    names = [f"instrument-{n}" for n in range(14)]
    instruments = [
        replace(camera(*claims), id=name, name=f"A long name of {name}") for name in names
    ]
    shots = [
        captured(name, "only", 1 + 0.1 * n, name=f"{name}.jpg") for n, name in enumerate(names)
    ]
    needs = tuple(Need(f"need-{n}", "fine", detail_um=0.5 * n + 0.1) for n in range(9))
    results = assemble(replace(bench_of(*instruments), needs=needs), shots)
    path = tmp_path / "summary.pdf"
    write_summary(Report(results, {}, DAY), path)
    assert "Pages:           1" in tool("pdfinfo", str(path))
    said = tool("pdftotext", "-layout", str(path), "-")
    assert all(name in said.replace("\n", " ") for name in ("need-8", "claimed", "Still open"))


def test_the_same_results_print_the_same_bytes(results: BenchResults, tmp_path: Path) -> None:
    report = Report(results, {}, DAY)
    first, second = tmp_path / "a.pdf", tmp_path / "b.pdf"
    write_pdf(report, first)
    write_pdf(report, second)
    assert first.read_bytes() == second.read_bytes()


def test_an_empty_bench_prints(tmp_path: Path) -> None:
    from glassay.bench.document.model import Bench

    path = tmp_path / "empty.pdf"
    write_pdf(Report(assemble(Bench(tmp_path, "nothing yet"), ()), {}, DAY), path)
    assert path.read_bytes().startswith(b"%PDF")
