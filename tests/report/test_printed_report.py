"""The report in print: one summary page, fonts embedded, methods and data for every number."""

from __future__ import annotations

import datetime
import math
import os
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pytest
from fontTools.ttLib import TTFont
from tests.bench.made_up import bench_of, camera, captured, claim_of

from glassay.bench.document.model import Need
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import assemble
from glassay.bench.measuring.methods import METHODS
from glassay.disk import content_hash
from glassay.finding import Finding
from glassay.quantity import Quantity
from glassay.report import characters
from glassay.report.parts import Report
from glassay.report.printed import write_pdf, write_summary
from glassay.report.printed.content import HASH_LETTERS

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
    # Two strips (chip and slide; slide) and three drawings over photos; nothing drawn became pixels.
    assert len(photos) == 6
    assert (640, 480) in {(int(line[3]), int(line[4])) for line in photos}


def test_the_report_says_what_the_page_says(printed: Path, results: BenchResults) -> None:
    said = " ".join(tool("pdftotext", "-layout", str(printed), "-").split())
    assert "Evenings <b>&amp;</b> slides" in said
    for verdict in results.verdicts:
        assert verdict.word in said
    assert "the arm sags" in said
    assert "JCGM 106:2012" in said
    assert "✗ not met" in said
    assert "Refused: only 4 evenly spaced lines" in said or "Refused:" in said


def test_every_file_is_named_with_its_hash_and_the_version_of_its_method(
    printed: Path, results: BenchResults
) -> None:
    said = tool("pdftotext", "-layout", str(printed), "-")
    for one in results.captures:
        for path in results.bench.paths(one.capture):
            assert content_hash(path)[:HASH_LETTERS] in said
    assert f"ruled scale {METHODS['ruled scale'].version}" in said


def test_readers_find_names_capitals_and_micrometres(printed: Path, results: BenchResults) -> None:
    said = tool("pdftotext", "-layout", str(printed), "-")
    assert "µm/px" in said
    assert " um/px" not in said
    assert not any(
        line.strip() == "um" or line.rstrip().endswith(" um") for line in said.split("\n")
    )
    assert " 0%" not in said


def test_a_drawing_of_each_setting_and_method_is_in_print_too(
    printed: Path, results: BenchResults
) -> None:
    said = " ".join(tool("pdftotext", "-layout", str(printed), "-").split())
    assert "The evidence" in said
    assert said.count("ruled scale") >= 3  # near, far, and through the eyepiece


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
    assert all(name in said.replace("\n", " ") for name in ("need-8", "finest", "Still open"))


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


class Word(NamedTuple):
    """A word on the first page by the reader's tool: where it stands in pt, from the top left."""

    left: float
    top: float
    right: float
    text: str


def words_of(path: Path) -> list[Word]:
    page = tool("pdftotext", "-bbox", "-l", "1", str(path), "-")
    found = re.findall(r'<word xMin="(.+?)" yMin="(.+?)" xMax="(.+?)" yMax=".+?">(.+?)<', page)
    return [Word(float(left), float(top), float(right), text) for left, top, right, text in found]


def test_no_column_of_the_summary_runs_over_the_next(tmp_path: Path) -> None:
    """Real pixels told to seven digits, best of their column and so in bold; a name in one word."""
    pad = replace(camera(claim_of(1600)), name="Incomprehensibilities-and-more", id="pad")
    whole = {"native_width": Finding(Quantity.of(800.0, 0.4, "px"), "n"),
             "native_height": Finding(Quantity.of(600.0, 0.4, "px"), "n")}  # fmt: skip
    one = captured("pad", "only", 1.0, extra=whole)
    other = captured("stick", "only", 0.5, name="b.jpg")
    bench = bench_of(pad, replace(pad, id="stick", name="Stick", claims=()))
    path = tmp_path / "s.pdf"
    write_summary(Report(assemble(bench, [one, other]), {}, DAY), path)
    assert "0.48000" in tool("pdftotext", str(path), "-")
    words = words_of(path)
    (first,) = (one for one in words if one.text == "instrument")
    heads = sorted(one for one in words if abs(one.top - first.top) < 1)
    starts = [one.left for one in heads if one.text not in ("line", "pixels", "frames", "words")]
    assert len(starts) == 8
    (foot,) = (one for one in words if one.text == "Every")
    for one in words:
        if first.top + 1 < one.top < foot.top:
            ends = min((start for start in starts if start > one.left + 0.1), default=math.inf)
            assert one.right <= ends - 1, one


def font_of(letter: str, path: Path) -> Path:
    """A font that draws one character, as an A."""
    font = TTFont(characters.carried_fonts() / "DejaVuSans.ttf")
    for table in font["cmap"].tables:
        table.cmap = {ord(letter): "A"} if table.isUnicode() else {}
    for record in font["name"].names:
        record.string = record.toUnicode().replace("DejaVu", "Handmade")
    font.save(path)
    return path


def named_in_print(name: str, path: Path) -> str:
    bench = bench_of(replace(camera(claim_of(1600)), name=name))
    write_summary(Report(assemble(bench, [captured("pad", "only", 1.0)]), {}, DAY), path)
    return " ".join(tool("pdftotext", str(path), "-").split())


def test_characters_that_no_font_draws_stand_by_number_and_are_told_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(characters, "fonts_of_the_machine", list)
    said = named_in_print("Ä 顕微 scope", tmp_path / "s.pdf")
    assert "Ä [U+9855 U+5FAE] scope" in said
    assert "2 characters that no font at hand can draw stand here by number" in said
    plain = named_in_print("Ä scope, Ω ≈ ½", tmp_path / "p.pdf")
    assert "U+" not in plain
    assert "no font" not in plain
    fonts = tool("pdffonts", str(tmp_path / "s.pdf"))
    assert "LastResort" not in fonts


def test_a_font_of_the_machine_draws_what_the_carried_ones_lack(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    font = font_of("顕", tmp_path / "handmade.ttf")
    monkeypatch.setattr(characters, "fonts_of_the_machine", lambda: [font])
    said = named_in_print("顕 scope", tmp_path / "s.pdf")
    assert "顕 scope" in said
    assert "U+" not in said
    assert "Handmade" in tool("pdffonts", str(tmp_path / "s.pdf"))
