"""The table as CSV, JSON and Markdown, read back by other programs' rules."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace

import pytest

from glassay.bench.keeping.results import BenchResults, Column
from glassay.bench.table.comparison import best_rows
from glassay.quantity import Quantity
from glassay.report.csv_text import csv_text
from glassay.report.sections.comparison import shown_columns
from glassay.report.table import as_csv, as_json, as_markdown


@pytest.fixture(scope="module")
def columns(results: BenchResults) -> list[Column]:
    return shown_columns(results.comparison)


def test_csv_gives_back_every_value_and_uncertainty(
    results: BenchResults, columns: list[Column]
) -> None:
    rows = list(csv.DictReader(io.StringIO(as_csv(results, columns))))
    assert [row["id"] for row in rows] == ["pad", "stereo"]
    assert rows[0]["instrument"] == "Pad | <script>alert(1)</script>"
    for row in rows:
        for column in columns:
            value = results.comparison.cell(row["id"], column.id).value
            unit = "" if column.unit == "1" else f" ({column.unit})"
            if isinstance(value, Quantity):
                assert float(row[f"{column.id}{unit}"]) == pytest.approx(value.value, rel=1e-6)
                assert float(row[f"{column.id} U{unit}"]) == pytest.approx(
                    value.expanded, rel=1e-3, abs=1e-12
                )
    assert rows[0]["pixel_size setting"] == "near"
    assert rows[0]["price_list"] == "99.00"
    assert rows[0]["price_list currency"] == "EUR"
    assert rows[1]["pixel_size (um/px)"] == ""


def test_json_holds_the_table_with_the_best_of_each_column(
    results: BenchResults, columns: list[Column]
) -> None:
    data = json.loads(as_json(results, columns))
    assert [row["id"] for row in data["rows"]] == ["pad", "stereo"]
    for described, column in zip(data["columns"], columns, strict=True):
        assert described["id"] == column.id
        assert described["best"] == list(best_rows(results.comparison, column))
        for row in data["rows"]:
            assert column.id in row["cells"]
    assert data["assumptions"] == list(results.assumptions)


def test_markdown_is_one_table_whatever_the_names(
    results: BenchResults, columns: list[Column]
) -> None:
    text = as_markdown(results, columns)
    lines = [line for line in text.splitlines() if line.startswith("|")]
    assert len(lines) == 2 + len(results.comparison.rows)
    cells = [len(re.split(r"(?<!\\)\|", line)) for line in lines]
    assert set(cells) == {len(columns) + 3}
    assert r"Pad \| \<script\>" in text
    assert "**" in text
    assert "Bold: best in its column." in text


def test_chosen_columns_come_in_their_order(results: BenchResults) -> None:
    chosen = shown_columns(results.comparison, ("pixel_size", "claims"))
    assert as_csv(results, chosen).splitlines()[0] == (
        "id,instrument,pixel_size (um/px),pixel_size U (um/px),pixel_size setting,claims"
    )


@pytest.mark.parametrize("text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1",
                                  " =1", "=HYPERLINK(\"x\")", "--1", "+-1", "-"])  # fmt: skip
def test_no_cell_is_a_formula(text: str) -> None:
    # CWE-1236: spreadsheets run what begins with = + - @, a tab or a carriage return.
    (row,) = csv.reader(io.StringIO(csv_text([[text, "1"]]), newline=""))
    assert row[0] == f"'{text}"


@pytest.mark.parametrize("text", ["-1.5", "+3", "-2e-3", "1", ".5", "a=b", "3 mm", "", "Pad | x"])
def test_plain_numbers_and_words_stay_as_they_are(text: str) -> None:
    (row,) = csv.reader(io.StringIO(csv_text([[text, "1"]])))
    assert row[0] == text


def test_a_name_of_an_instrument_is_no_formula(
    results: BenchResults, columns: list[Column]
) -> None:
    rows = [replace(row, title="=1+1") for row in results.comparison.rows]
    changed = replace(results, comparison=replace(results.comparison, rows=tuple(rows)))
    assert {row["instrument"] for row in csv.DictReader(io.StringIO(as_csv(changed, columns)))} == {
        "'=1+1"
    }
