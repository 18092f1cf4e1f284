"""Pieces of a recording arrive, arrive twice, fail, and are found again."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from tests.web.conftest import client_of

from glassay.bench.document.read import load_bench
from glassay.errors import Unusable
from glassay.web import recordings
from glassay.web.incoming import Incoming
from glassay.web.recordings import Recordings

HEAD = b"\x1aE\xdf\xa3"
"""How a WebM file begins (RFC 8794, 11.2.1: the EBML header's id)."""
END = "/live/recording/end?place=pad|near&object=bare&seconds=7.25&session=abcdef12"


def send(client: TestClient, number: int, data: bytes, session: str = "abcdef12") -> int:
    address = f"/live/recording?session={session}&piece={number}"
    return client.post(address, content=data).status_code


def test_a_recording_arrives_in_pieces_and_is_filed_with_why_it_ended(
    client: TestClient, folder: Path
) -> None:
    pieces = [HEAD + b"a" * 100, b"b" * 50]
    # The answer to a piece may get lost: it is sent again, and taken once.
    assert [send(client, n, pieces[n]) for n in (0, 0, 1, 1)] == [200] * 4
    told = client.post(END + "&why=stopped by hand").json()
    filed = next(one for one in load_bench(folder).captures if one.id == told["id"])
    assert (folder / filed.files[0]).read_bytes() == b"".join(pieces)
    assert filed.note == "recorded live for 7.2 s; stopped by hand"
    assert not list((folder / "results" / "incoming").iterdir())


def test_what_is_no_recording_is_not_kept(client: TestClient) -> None:
    assert send(client, 0, b"#!/bin/sh") == 400
    assert send(client, 0, HEAD, session="../../evil") == 400


def test_a_missing_piece_is_noticed(client: TestClient) -> None:
    send(client, 0, HEAD)
    assert send(client, 2, b"x") == 400


def test_a_piece_that_was_written_in_part_is_written_anew(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = Recordings(folder)
    kept.append("abcdef12", 0, HEAD + b"a")

    def full(recording: object, path: Path, data: bytes) -> None:
        with path.open("ab") as stream:
            stream.write(data[:2])
        raise Unusable("the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(recordings.Recording, "_write", full)
        with pytest.raises(Unusable, match="full"):
            kept.append("abcdef12", 1, b"second")
    kept.append("abcdef12", 1, b"second")
    (clip,) = (folder / "results" / "incoming").glob("*/clip-*")
    assert clip.read_bytes() == HEAD + b"asecond"


def test_a_recording_that_could_not_be_filed_can_be_filed_again(
    client: TestClient, folder: Path
) -> None:
    send(client, 0, HEAD + b"a")
    document = (folder / "bench.toml").read_bytes()
    (folder / "bench.toml").write_bytes(b"[bench")  # somebody is writing it with an editor
    assert client.post(END).status_code == 400
    (folder / "bench.toml").write_bytes(document)
    assert client.post(END).status_code == 200
    assert client.post(END).status_code == 400  # asked for again, it is not filed twice
    assert load_bench(folder).captures[-1].files[0].endswith(".webm")


def test_what_was_left_waits_among_the_uploads(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with client_of(folder) as client:
        send(client, 0, HEAD + b"a" * 30)
        client.get("/live")
        assert Incoming(folder).batches() == []  # it may still go on
    monkeypatch.setattr(recordings, "LEFT_AFTER_S", 0.0)
    with client_of(folder) as client:  # the workbench was ended and started anew
        page = client.get("/captures").text
        assert "1 file: say what they show" in page
        ((batch, _),) = Incoming(folder).batches()
        (one,) = Incoming(folder).waiting(batch)
        assert re.fullmatch(r"clip-\d+-\d+\.webm", one.named)
        assert one.path.read_bytes() == HEAD + b"a" * 30
        assert send(client, 1, b"b") == 400
        assert "waits under Captures" in client.post(END).text


def test_a_recording_that_leads_elsewhere_is_not_followed(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "private.webm").write_bytes(HEAD)
    room = folder / "results" / "incoming" / "recording-abcdef12"
    room.parent.mkdir(parents=True, exist_ok=True)
    room.symlink_to(tmp_path / "other")
    with pytest.raises(Unusable, match="link"):
        Recordings(folder).append("abcdef12", 0, HEAD)
    monkeypatch.setattr(recordings, "LEFT_AFTER_S", 0.0)
    Recordings(folder).hand_over_left()
    assert (tmp_path / "other" / "private.webm").exists()
    assert Incoming(folder).batches() == []
