"""One measured bench and its page, shared by the tests of reports."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest
from tests.report.benches import measured

from glassay.bench.keeping.results import BenchResults
from glassay.report.page import render_page
from glassay.report.parts import Report


@pytest.fixture(scope="package")
def results(tmp_path_factory: pytest.TempPathFactory) -> BenchResults:
    return measured(tmp_path_factory.mktemp("bench"))


@pytest.fixture(scope="package")
def report(results: BenchResults) -> Report:
    return Report.of(results, datetime.date(2026, 5, 1))


@pytest.fixture(scope="package")
def page(report: Report) -> str:
    return render_page(report)


@pytest.fixture
def photos(results: BenchResults) -> Path:
    return results.bench.folder / "captures"
