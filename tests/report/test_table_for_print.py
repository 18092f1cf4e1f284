"""The table as LaTeX and HTML, and the columns of detail and its cost."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from tests.bench.made_up import SLIDE_ONLY, camera, captured

from glassay.bench.document.model import Bench, Money, Price
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import assemble
from glassay.bench.table.comparison import best_rows
from glassay.errors import Unusable
from glassay.finding import Finding
from glassay.quantity import Quantity
from glassay.report.sections.comparison import shown_columns
from glassay.report.table import as_html, as_latex
from glassay.report.write import write_report


class Ids(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.ids += [value or "" for name, value in attrs if name == "id"]


def test_html_has_an_id_for_every_row_column_and_cell(results: BenchResults) -> None:
    columns = shown_columns(results.comparison)
    page = as_html(results, columns)
    found = Ids()
    found.feed(page)
    wanted = {f"row-{i}" for i in ("pad", "stereo")} | {f"column-{c.id}" for c in columns}
    wanted |= {f"{i}.{c.id}" for i in ("pad", "stereo") for c in columns}
    assert wanted <= set(found.ids)
    assert len(found.ids) == len(set(found.ids))
    assert "script" not in found.tags
    assert "(best)" in page
    for column in columns:
        assert column.definition.split(",")[0] in page.replace("&#39;", "'")


def test_latex_is_balanced_and_escapes_what_latex_would_read(results: BenchResults) -> None:
    columns = shown_columns(results.comparison)
    text = as_latex(results, columns)
    bare = re.sub(r"\\[\\&%$#_{}]", "", text)
    assert bare.count("{") == bare.count("}")
    body = [line for line in text.splitlines() if line.endswith(("% pad", "% stereo"))]
    assert len(body) == 2
    for line in body:
        cells = re.sub(r"\\[&%]", "", line).split("&")
        assert len(cells) == len(columns) + 1
    assert r"Pad \textbar{} \textless{}script\textgreater{}" in text
    assert r"\textbf{" in text
    assert "±" not in text
    assert r"$\pm$" in text
    assert text.count(r"\begin{") == text.count(r"\end{")


def points(instruments: dict[str, tuple[float, Price]]) -> BenchResults:
    made = [replace(camera(), id=name, price=price) for name, (_, price) in instruments.items()]
    shots = [
        captured(
            name, "only", 1.0, name=f"{name}.jpg",
            extra={"frequency_10": Finding(Quantity.of(f, 0.01 * f, "cycles/px"), "edge")},
        )
        for name, (f, _) in instruments.items()
    ]  # fmt: skip
    return assemble(Bench(Path("."), "t", objects=SLIDE_ONLY, instruments=tuple(made)), shots)


def test_cost_per_detail_is_price_over_resolved_points() -> None:
    def eur(amount: float) -> Price:
        return Price(paid=Money(amount, "EUR"))

    found = points({"full": (0.5, eur(100)), "half": (0.25, eur(50))})
    row = found.comparison.rows[0].cells
    million, cost = row["detail_points"].value, row["cost_per_detail"].value
    assert isinstance(million, Quantity)
    assert isinstance(cost, Quantity)
    # Everything that pixels carry: as many points as pixels, 1920 x 1080.
    assert million.value == pytest.approx(1920 * 1080 / 1e6)
    # A frequency counts twice; the pixel size cancels between frequency and field.
    assert million.relative == pytest.approx(0.02, rel=0.01)
    assert cost.value == pytest.approx(100 / 2.0736)
    assert cost.unit == "EUR/MP"
    column = next(c for c in found.comparison.columns if c.id == "cost_per_detail")
    assert column.unit == "EUR/MP"
    assert "total price / detail points" in column.definition
    # Half the frequency is a quarter of the points at half the price: twice as dear.
    assert best_rows(found.comparison, column) == ("full",)


def test_cost_in_several_currencies_is_not_compared() -> None:
    found = points({
        "a": (0.5, Price(paid=Money(1, "EUR"))), "b": (0.5, Price(paid=Money(1, "USD"))),
    })  # fmt: skip
    cell = found.comparison.cell("a", "cost_per_detail")
    assert (cell.value, cell.why) == (None, "prices are in several currencies")


def test_columns_can_be_left_out(results: BenchResults, tmp_path: Path) -> None:
    day = datetime.date(2026, 5, 1)
    wrote = write_report(results, tmp_path, without=["pixel_size", "claims"], written=day)
    assert {path.suffix for path in wrote.tables} == {".csv", ".json", ".md", ".tex", ".html"}
    for path in wrote.tables:
        assert "pixel_size" not in path.read_text().replace("pixel_size_", "")
    with pytest.raises(Unusable, match="no column 'nonsense'"):
        write_report(results, tmp_path, without=["nonsense"])
    with pytest.raises(Unusable, match="no column is left"):
        write_report(results, tmp_path, columns=["claims"], without=["claims"])
