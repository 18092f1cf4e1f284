"""The comparison leaves the workbench as the commands write it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import read_results


def test_the_table_is_that_of_the_results(client: TestClient, folder: Path) -> None:
    results = read_results(load_bench(folder))
    truth = results.comparison.cell("pad", "pixel_size").value
    rows = list(csv.DictReader(client.get("/table.csv").text.splitlines()))
    printed = float(rows[0]["pixel_size (um/px)"])  # nine digits
    assert printed == pytest.approx(truth.value, rel=1e-8)  # type: ignore[union-attr]
    data = json.loads(client.get("/table.json").text)
    assert [row["id"] for row in data["rows"]] == ["pad", "stereo"]
    assert client.get("/table.md").text.startswith("# ")


def test_the_report_is_saved_and_not_opened_here(client: TestClient) -> None:
    answer = client.get("/report.html")
    assert answer.headers["content-disposition"].startswith("attachment")
    assert "<style>" in answer.text
    assert "data:image/jpeg" in answer.text
