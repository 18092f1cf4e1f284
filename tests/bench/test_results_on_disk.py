"""Results are found again exactly when nothing they depend on has changed."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import MethodResult
from glassay.bench.keeping.store import Dependencies, Store
from glassay.errors import Unusable
from glassay.finding import Finding
from glassay.quantity import Contribution, Quantity

NEEDS = Dependencies(("aa",), "ruled scale", "1", {"division_um": 10.0, "box": None})
RESULT = MethodResult(
    "ruled scale", "measured",
    {
        "pixel_size": Finding(
            Quantity(0.73, "um/px", (Contribution("fit", 1e-4, 12.0),
                                     Contribution("slide", -7e-4, identity="slide"))), "ruled scale"),
        "lines": Finding(42, "ruled scale"),
    },
    ("a note",), "", {"segments": [[1.0, 2.0], [3.0, 4.5]]}, {"width": 640},
)  # fmt: skip


def the_file(folder: Path) -> Path:
    (path,) = (folder / "measured").glob("*.json")
    return path


def test_a_result_comes_back_as_it_was(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.save(NEEDS, RESULT)
    assert Store(tmp_path).load(NEEDS) == RESULT


@pytest.mark.parametrize(
    "changed",
    [
        replace(NEEDS, contents=("ab",)),
        replace(NEEDS, contents=("aa", "aa")),
        replace(NEEDS, method="edge"),
        replace(NEEDS, version="2"),
        replace(NEEDS, settings={"division_um": 10.001, "box": None}),
        replace(NEEDS, settings={"division_um": 10.0, "box": [0, 0, 5, 5]}),
    ],
)
def test_any_change_of_what_it_depends_on_counts_as_new(
    tmp_path: Path, changed: Dependencies
) -> None:
    store = Store(tmp_path)
    store.save(NEEDS, RESULT)
    assert store.load(changed) is None
    same = replace(NEEDS, settings=dict(reversed(NEEDS.settings.items())))
    assert store.load(same) == RESULT


def test_every_damage_counts_as_absent(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.save(NEEDS, RESULT)
    path = the_file(tmp_path)
    whole = path.read_text()
    for damaged in ("", whole[:200], "[]", "{}", "null", "7", whole.replace("0.73", "0.37"),
                    whole.replace(NEEDS.key, "0" * 40)):  # fmt: skip
        path.write_text(damaged)
        assert store.load(NEEDS) is None
    path.write_bytes(b"\xff\xfe\0")
    assert store.load(NEEDS) is None
    path.write_text(whole)
    assert store.load(NEEDS) == RESULT


def test_refusals_are_results_too(tmp_path: Path) -> None:
    refused = MethodResult("ruled scale", "refused", reason="there is no scale in it")
    Store(tmp_path).save(NEEDS, refused)
    assert Store(tmp_path).load(NEEDS) == refused


def test_a_changed_file_has_changed_content_even_with_its_old_date(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"one")
    store = Store(tmp_path / "results")
    first = store.contents([path])
    store.prepare()
    store.remember_contents()
    stat = path.stat()
    path.write_bytes(b"two")
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert Store(tmp_path / "results").contents([path]) != first


def test_a_results_folder_that_cannot_be_written_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("a file in the way")
    with pytest.raises(Unusable, match="results") as caught:
        Store(tmp_path / "results").prepare()
    assert "\n" not in str(caught.value)
    with pytest.raises(Unusable):
        Store(tmp_path / "results").save(NEEDS, RESULT)
    assert (tmp_path / "results").read_text() == "a file in the way"


def test_any_evidence_becomes_plain_data() -> None:
    evidence = {
        "array": np.array([[1.5, np.nan]], dtype=np.float32), "flag": np.bool_(True),
        "quantity": Quantity.of(1, 0.1, "um"), 3: (1, {2}), "finding": Finding("h264", "clip"),
        "path": Path("x"), "needs": NEEDS,
    }  # fmt: skip
    plain = json.loads(json.dumps(to_plain(evidence), allow_nan=False))
    assert plain["array"] == [[1.5, None]]
    assert plain["flag"] is True
    assert plain["3"] == [1, [2]]
    assert plain["finding"] == {"value": "h264", "u": 0, "unit": "1", "method": "clip"}
    assert plain["needs"]["settings"]["division_um"] == 10.0
