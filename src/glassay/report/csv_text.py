"""Comma-separated text as every table is written (RFC 4180); no spreadsheet makes a formula of it."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
"""What makes spreadsheets take a cell for a formula, which may then send data elsewhere or start a
program (MITRE, CWE-1236: neutralisation of formula elements in a CSV file)."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def csv_text(rows: Iterable[Sequence[object]]) -> str:
    """Rows as CSV. A text that could be taken for a formula gets an apostrophe before it; plain
    numbers stay as they are."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerows([[plain_cell(str(cell)) for cell in row] for row in rows])
    return stream.getvalue()


def plain_cell(text: str) -> str:
    """The text as a cell that holds text."""
    begins = text.lstrip(" ").startswith(FORMULA_STARTS)  # some programs take the spaces away first
    return f"'{text}" if begins and not _NUMBER.fullmatch(text.strip(" ")) else text
