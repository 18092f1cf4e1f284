"""Drawings kept beside the results: the same again, never an old one, never one from elsewhere."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from glassay.report.curves import Chart, Curve
from glassay.report.drawing import CaptureFigures, Figure, Overlay, OverTime, Strip
from glassay.report.kept_drawings import KeptDrawings

PICTURE = "data:image/jpeg;base64,AA=="
STRIP = Strip("a strip", "top", "foot", dots=np.array([[0.1, 0.2], [0.3, 0.1 + 0.2]]))
OVERLAY = Overlay(
    "c0", "a photo", PICTURE, (-0.5, -0.5, 4.0, 3.0), (("thin", "M0 0h1"),), ((1.0, 2.0, "A"),),
    bar=(3.0, "3 um"), close_up=(Overlay("d", "a piece", "", (0.0, 0.0, 1.0, 1.0)), STRIP),
)  # fmt: skip
CHART = Chart(
    "a curve", "x", "y", (0.0, 1.0), (0.0, 2.0),
    (Curve(np.array([0.0, 1.0]), [0.5, float("nan")], "thin"),), ((0.5, "half"),), (),
)  # fmt: skip
DRAWN = CaptureFigures((Figure((OVERLAY, CHART, OverTime((STRIP,))), "what there is to see"),))


def never() -> CaptureFigures:
    raise AssertionError("drawn again")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "results"
    made.mkdir()
    return made


def only(folder: Path) -> Path:
    (path,) = (folder / "drawn").iterdir()
    return path


def test_a_kept_drawing_comes_out_the_same_to_the_last_letter(folder: Path) -> None:
    made = KeptDrawings(folder).once(["a"], lambda: DRAWN)
    kept = KeptDrawings(folder).once(["a"], never)
    assert kept.figures[0].html == made.figures[0].html
    assert "M0 0h1" in kept.figures[0].html


def test_what_it_was_made_of_tells_drawings_apart(folder: Path) -> None:
    KeptDrawings(folder).once(["a", 1.0], lambda: "one")
    assert KeptDrawings(folder).once(["a", 1.0 + 1e-12], lambda: "other") == "other"
    assert KeptDrawings(folder).once(["a", 1.0], lambda: "new") == "one"


def test_what_is_not_lasting_is_drawn_each_time(folder: Path) -> None:
    drawings = KeptDrawings(folder)
    for word in ("first", "second"):
        made = drawings.once(
            ["a"], lambda word=word: CaptureFigures(missing=word), lambda made: not made.missing
        )
        assert made.missing == word


@pytest.mark.parametrize("data", [b"", b"{}", b'{"checksum": "0", "drawn": 1}', b"[" * 9000])
def test_a_damaged_file_counts_as_absent(folder: Path, data: bytes) -> None:
    KeptDrawings(folder).once(["a"], lambda: "old")
    only(folder).write_bytes(data)
    assert KeptDrawings(folder).once(["a"], lambda: "new") == "new"
    assert KeptDrawings(folder).once(["a"], lambda: "newer") == "new"


def with_right_checksum(drawn: object) -> bytes:
    text = json.dumps({"checksum": "", "drawn": drawn})
    whole = hashlib.sha256(text.partition(', "drawn": ')[2].encode()).hexdigest()
    return text.replace('"checksum": ""', f'"checksum": "{whole}"', 1).encode()


def test_no_page_asks_for_a_picture_from_outside(folder: Path) -> None:
    KeptDrawings(folder).once(["a"], lambda: DRAWN)
    text = only(folder).read_text()
    drawn = json.loads(text.replace(PICTURE, "https://elsewhere.example/p.jpg"))["drawn"]
    assert with_right_checksum(json.loads(text)["drawn"]) == text.encode()
    only(folder).write_bytes(with_right_checksum(drawn))
    assert KeptDrawings(folder).once(["a"], lambda: "drawn anew") == "drawn anew"
    only(folder).write_bytes(with_right_checksum({"kind": "Path"}))
    assert KeptDrawings(folder).once(["a"], lambda: "and again") == "and again"


def test_what_was_not_asked_for_is_forgotten(folder: Path) -> None:
    first = KeptDrawings(folder)
    first.once(["old"], lambda: 1)
    first.once(["both"], lambda: 2)
    second = KeptDrawings(folder)
    second.once(["both"], lambda: 3)
    second.forget_others()
    assert len(list((folder / "drawn").iterdir())) == 1
    assert KeptDrawings(folder).once(["both"], lambda: 4) == 2


def test_where_nothing_can_be_kept_everything_is_drawn(folder: Path, tmp_path: Path) -> None:
    (folder / "drawn").symlink_to(tmp_path)
    kept = KeptDrawings(folder)
    assert [kept.once(["a"], lambda n=n: n) for n in (1, 2)] == [1, 2]
    kept.forget_others()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["results"]
