"""The teardown log: cautions stand above it, parts with their photos and what was measured."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import pytest
from tests.report.benches import TEXT

from glassay.bench.document.mistakes import BenchMistakes
from glassay.bench.document.read import parse_bench
from glassay.bench.document.teardown import CAUTIONS
from glassay.bench.keeping.results import BenchResults
from glassay.report.page import render_page
from glassay.report.parts import Report
from glassay.report.printed import write_pdf
from glassay.report.sections import teardown

LOG = """
[[instrument.teardown]]
part = "image sensor"
package = "leadless, glass lid"
marking = "TG-0<?>7"
photo = "captures/chip.png"
capture = "captures/near.png"
date = 2026-05-02
note = "second line scratched"
"""


def with_log(text: str) -> str:
    return TEXT.replace('[[instrument]]\nid = "stereo"', LOG + '\n[[instrument]]\nid = "stereo"')


def opened(results: BenchResults) -> BenchResults:
    bench = parse_bench(with_log(TEXT), results.bench.folder)
    return replace(results, bench=bench)


def test_cautions_come_before_the_parts(results: BenchResults) -> None:
    report = Report(opened(results), {}, datetime.date(2026, 5, 2))
    page = render_page(report, [teardown.SECTION])
    places = [page.index(caution.split(":")[0]) for caution in CAUTIONS]
    assert places == sorted(places)
    assert max(places) < page.index("Image sensor")
    for said in ("leadless, glass lid", "TG-0&lt;?&gt;7", "second line scratched", "2026-05-02"):
        assert said in page
    assert "data:image/jpeg;base64," in page
    assert "pixel size" in page  # of the linked capture
    assert ".cautions" in page
    assert "acids: only in an equipped laboratory" in page


def test_a_part_links_to_its_captures_with_their_evidence(results: BenchResults) -> None:
    report = Report.of(opened(results), datetime.date(2026, 5, 2))
    page = render_page(report)
    anchor = report.anchor("captures/near.png")
    assert f'<a href="#{anchor}">captures/near.png</a>' in page
    assert page.count(f'id="{anchor}"') == 1


def test_there_is_no_log_when_nothing_was_opened(results: BenchResults) -> None:
    assert teardown.fill(Report(results, {}, datetime.date(2026, 5, 2))) is None


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('photo = "captures/chip.png"', 'photo = "captures/none.png"', "no file 'captures/none"),
        ('photo = "captures/chip.png"', 'photo = "../chip.png"', "not a path inside"),
        ('capture = "captures/near.png"', 'capture = "captures/nearr.png"', "did you mean"),
        ('part = "image sensor"', "", "part is missing"),
    ],
)
def test_mistakes_in_the_log_are_reported(
    results: BenchResults, old: str, new: str, said: str
) -> None:
    with pytest.raises(BenchMistakes, match=said):
        parse_bench(with_log(TEXT).replace(old, new), Path(results.bench.folder))


def test_cautions_come_first_in_print_too(results: BenchResults, tmp_path: Path) -> None:
    from tests.report.test_printed_report import tool

    write_pdf(Report(opened(results), {}, datetime.date(2026, 5, 2)), tmp_path / "report.pdf")
    said = " ".join(tool("pdftotext", str(tmp_path / "report.pdf"), "-").split())
    places = [said.index(caution.split(":")[0]) for caution in CAUTIONS]
    assert places == sorted(places)
    assert said.index("Before you open anything") < places[0]
    assert places[-1] < said.index("TG-0")
