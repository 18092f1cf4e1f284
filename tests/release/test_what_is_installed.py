"""The lock file and the list of licences name what requirements.txt pins, and nothing else."""

from __future__ import annotations

import re

from release.licences import ROOT, pinned, plain, running, stated


def test_every_licence_is_listed_and_stated() -> None:
    lines = (ROOT / "docs" / "licences.md").read_text().splitlines()
    cells = [line.strip("| ").split(" | ") for line in lines if line.startswith("| ")][1:]
    assert {one[0]: one[1] for one in cells} == pinned()
    assert all(one[2] not in ("", "not stated", "UNKNOWN") for one in cells)
    # The package's own metadata, as the standard library reads them.
    assert {one[0]: one[2] for one in cells}["numpy"] == stated("numpy").replace("|", "/")
    assert {"numpy", "kiwisolver"} <= running()
    assert "pytest" not in running()


def test_the_lock_file_holds_every_pin_with_hashes() -> None:
    text = (ROOT / "requirements.lock").read_text()
    locked = dict(re.findall(r"^([\w.-]+)==(\S+) \\\n    --hash=sha256:[0-9a-f]{64}", text, re.M))
    assert {plain(name): version for name, version in locked.items()} == {
        plain(name): version for name, version in pinned().items()
    }
