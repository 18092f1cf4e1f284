"""What the list of faults names are tests that are there."""

from __future__ import annotations

import re
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]


def test_every_test_that_the_list_of_faults_names_is_there() -> None:
    listed = (REPOSITORY / "docs" / "workbench-faults.md").read_text(encoding="utf-8")
    named = re.findall(r"`([\w/.]+\.py)::(\w+)`", listed)
    assert len(named) > 50
    missing = []
    for file, name in named:
        path = REPOSITORY / (file if "/" in file else f"tests/web/{file}")
        if f"def {name}(" not in path.read_text(encoding="utf-8"):
            missing.append(f"{file}::{name}")
    assert missing == []
