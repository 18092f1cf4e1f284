"""Inputs that once broke a reader, and what fuzzing begins with: each is read or refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz.readers import READERS, read
from fuzz.seeds.make import seeds_of

CORPUS = Path(__file__).parent.parent / "data" / "corpus"
FINDS = sorted(path for path in CORPUS.glob("*/*") if path.is_file())


@pytest.mark.parametrize("path", FINDS, ids=lambda path: f"{path.parent.name}-{path.name}")
def test_what_once_broke_a_reader_is_refused_now(path: Path, tmp_path: Path) -> None:
    read(path.parent.name, path.read_bytes(), tmp_path)


@pytest.mark.parametrize("name", READERS)
def test_every_reader_takes_what_fuzzing_begins_with(name: str, tmp_path: Path) -> None:
    seeds = seeds_of(name)
    assert seeds
    for data in seeds:
        read(name, data, tmp_path)


def test_a_harness_lets_only_refusals_pass(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(path: object, tone: object = None) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("glassay.imaging.photo.read_photo", broken)
    with pytest.raises(ZeroDivisionError):
        read("photo", b"x", tmp_path)
