"""Where everything is installed, nothing may be skipped: a skip then counts as a failure."""

from __future__ import annotations

import os
from collections.abc import Generator
from typing import Any

import pytest

from glassay.heap import keep_freed_memory
from tests.made_once import SHARED

NOTHING_SKIPPED = bool(os.environ.get("GLASSAY_NOTHING_SKIPPED"))


keep_freed_memory()  # as the command does


@pytest.fixture(scope="session", autouse=True)
def _shared_folder(tmp_path_factory: pytest.TempPathFactory) -> None:
    """One for all test processes, which have folders of their own in it."""
    own = tmp_path_factory.getbasetemp()
    SHARED[:] = [(own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "made-once"]


def _failed(report: Any) -> Any:
    if NOTHING_SKIPPED and report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"skipped although GLASSAY_NOTHING_SKIPPED is set: {reason}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, Any, Any]:
    """A test that skips itself has failed."""
    return _failed((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, Any, Any]:
    """So has a module that skips itself."""
    return _failed((yield))
