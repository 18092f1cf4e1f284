"""A bench from elsewhere, a full disk, odd requests, half-open connections: one clear line each."""

from __future__ import annotations

import errno
import os
import socket
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from tests.web.conftest import HOST, TOKEN, Served

from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import read_results, run_bench
from glassay.errors import Unusable
from glassay.report.write import write_report
from glassay.web import limits
from glassay.web.incoming import Incoming

NEAR = "captures/near.png"
PATIENCE_S = 120.0
LONG_AGO = 10 * 24 * 3600


def hand_over(client: TestClient, folder: Path) -> int:
    data = (folder / NEAR).read_bytes()
    files = [("files", ("a.png", data, "image/png"))]
    return client.post("/upload", files=files, follow_redirects=False).status_code


@pytest.mark.parametrize("linked", ["results", "results/incoming"])
def test_an_upload_removes_nothing_where_a_link_leads(
    client: TestClient, folder: Path, linked: str
) -> None:
    elsewhere = folder.parent / "letters"
    old = elsewhere / "incoming" / "from-1998" if linked == "results" else elsewhere / "from-1998"
    old.mkdir(parents=True)
    (old / "letter.txt").write_text("dear")
    long_ago = time.time() - LONG_AGO
    os.utime(old, (long_ago, long_ago))
    place = folder / linked
    if place.exists():
        place.rename(folder.parent / "moved")
    place.parent.mkdir(exist_ok=True)
    place.symlink_to(elsewhere)
    assert hand_over(client, folder) == 400
    assert (old / "letter.txt").read_text() == "dear"


def test_a_link_among_the_uploads_is_not_followed(folder: Path) -> None:
    elsewhere = folder.parent / "letters"
    elsewhere.mkdir()
    (elsewhere / "letter.txt").write_text("dear")
    incoming = folder / "results" / "incoming"
    incoming.mkdir(parents=True)
    (incoming / ("0" * 16)).symlink_to(elsewhere)
    with pytest.raises(Unusable, match="is a link"):
        Incoming(folder).waiting("0" * 16)
    with pytest.raises(Unusable, match="is a link"):
        Incoming(folder).forget("0" * 16)
    assert (elsewhere / "letter.txt").exists()


def test_tiles_do_not_come_from_where_a_link_leads(client: TestClient, folder: Path) -> None:
    secret = folder.parent / "secret"
    secret.mkdir()
    client.get(f"/whole?id={NEAR}")
    (made,) = (folder / "results" / "tiles").iterdir()
    for one in made.iterdir():
        one.unlink()
        (secret / one.name).write_bytes(b"what nobody should see")
    made.rmdir()
    made.symlink_to(secret)
    answer = client.get(f"/whole?id={NEAR}")
    assert answer.status_code == 400
    assert b"nobody should see" not in answer.content


def test_a_report_holds_no_photo_from_elsewhere(client: TestClient, folder: Path) -> None:
    outside = folder.parent / "private.png"
    (folder / NEAR).rename(outside)
    (folder / NEAR).symlink_to(outside)
    for page in (client.get("/report.html").text, _written(folder)):
        assert "is a link that leads out of the bench folder" in page
        inside = page.count("data:image/jpeg")
        assert inside < _photos_of_an_honest_bench(folder, outside)


def _written(folder: Path) -> str:
    run_bench(load_bench(folder), jobs=1)
    write_report(read_results(load_bench(folder)), folder.parent / "report")
    return (folder.parent / "report" / "report.html").read_text()


def _photos_of_an_honest_bench(folder: Path, outside: Path) -> int:
    (folder / NEAR).unlink()
    (folder / NEAR).write_bytes(outside.read_bytes())
    count = _written(folder).count("data:image/jpeg")
    (folder / NEAR).unlink()
    (folder / NEAR).symlink_to(outside)
    return count


def test_measuring_writes_nothing_where_a_link_leads(folder: Path) -> None:
    (folder / "results").rename(folder.parent / "moved")
    (folder / "results").symlink_to(folder.parent / "moved")
    with pytest.raises(Unusable, match="is a link"):
        run_bench(load_bench(folder), jobs=1)


def test_a_full_disk_is_told_in_one_line(
    client: TestClient, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("glassay.web.incoming.shutil.copyfileobj", full)
    data = (folder / NEAR).read_bytes()
    answer = client.post("/upload", files=[("files", ("a.png", data, "image/png"))])
    assert answer.status_code == 507
    assert "The disk is full" in answer.text
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert not list((folder / "results" / "incoming").glob("*/*"))


def test_a_fault_of_the_program_is_one_line_without_its_insides(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("something inside")

    monkeypatch.setattr("glassay.web.pages.overview.headline", fail)
    answer = client.get("/")
    assert answer.status_code == 500
    assert "Traceback" not in answer.text
    assert "something inside" not in answer.text
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert "RuntimeError: something inside" in caplog.text


ODD = [
    "/edit/table?place=instrument.²", "/edit/table?place=instrument.99999999999999999999999",
    "/edit/table?place=", "/edit/table?place=.", "/edit/table?place=new",
    "/edit/table?place=instrument", "/edit/table?place=instrument.new.claim.new",
    "/edit/table?place=claim.0", "/edit/table", "/edit/table?place=instrument.0.chain.0",
    "/capture", "/capture?id=%00", "/capture?id=%ff%fe", "/thumb?id=captures/near.png&n=x",
    "/thumb?id=captures/near.png&n=99999999999999999999999", "/thumb?id=captures/near.png&n=-1",
    "/tile?id=captures/near.png&level=1e3&x=0&y=0", "/tile?id=captures/near.png&level=1&x=-1&y=0",
    "/side-by-side?id=a&id=b", "/side-by-side/plate.png?id=captures/near.png&width_um=nan",
    "/side-by-side/plate.png?id=captures/near.png&width_um=100&at=nan,inf",
    "/side-by-side/plate.png?id=captures/near.png&width_um=100&turn=x",
    "/side-by-side/plate.png?id=captures/near.png&width_um=100&at=1e300,1e300",
    "/instrument", "/instrument?id=", "/instrument?id=%00", "/file?id=captures/near.png&n=",
    "/incoming?batch=%00", "/incoming/thumb?batch=" + "0" * 16 + "&number=0", "/nowhere",
]  # fmt: skip


def test_odd_addresses_get_one_clear_line(client: TestClient) -> None:
    for address in ODD:
        answer = client.get(address)
        assert 400 <= answer.status_code < 500, address
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert "Traceback" not in answer.text
        data = client.get(address, headers={"accept": "application/json"})
        assert isinstance(data.json()["error"], str), address


ODD_FORMS = [
    ("/capture/mark", {"id": NEAR, "kind": "distance", "points": "1,1 9,9", "count": "1e9"}),
    ("/capture/mark", {"id": NEAR, "kind": "distance", "points": "1,1 9,9", "pointing": "\0"}),
    ("/capture/mark", {"id": NEAR, "kind": "distance", "points": "1,1 9e99,9", "pointing": "1"}),
    ("/capture/mark", {"id": NEAR, "kind": "distance", "points": "1,1 1,1", "pointing": "1"}),
    ("/capture/look", {"id": NEAR, "box": "1,2,1e400,4"}),
    ("/capture/look", {"id": NEAR, "box": "0,0,0,0"}),
    ("/capture/look", {"id": NEAR, "pattern": "\0"}),
    ("/edit/table", {}), ("/edit/table", {"place": "bench", "origin": "[[[[[["}),
    ("/edit/table", {"place": "bench", "origin": '[[],[],{"a":{}},1]', "title": "\0"}),
    ("/edit/table", {"place": "instrument.0", "origin": '[[[0,["a"]]],[],{},1]', "note": "x"}),
    ("/edit/remove", {"place": "bench", "origin": "null"}), ("/edit/undo", {}),
    ("/incoming", {"batch": "x"}), ("/incoming/drop", {}),
    *((f"/live/recording/end?session=abcdef12&object=bare&place=pad|near&seconds={s}", {})
      for s in ("nan", "inf", "-1", "1e308")),
]  # fmt: skip


def test_odd_forms_get_one_clear_line(client: TestClient, folder: Path) -> None:
    client.post("/live/recording?session=abcdef12&piece=0", content=b"\x1aE\xdf\xa3")
    before = (folder / "bench.toml").read_bytes()
    for address, form in ODD_FORMS:
        answer = client.post(address, data=form)
        assert 400 <= answer.status_code < 500, (address, form)
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert "Traceback" not in answer.text
    assert (folder / "bench.toml").read_bytes() == before


Serve = Callable[[Path], Served]


def test_half_open_requests_are_ended(
    serve: Serve, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = serve(folder)
    port = int(served.address.rpartition(":")[2])
    own = f"Host: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"

    def is_ended(half: socket.socket) -> bool:
        try:
            return half.recv(100) == b""
        except ConnectionResetError:  # it was ended before the beginning was sent
            return True

    for begun in (b"", b"GET / HTTP/1.1\r\nHos"):
        monkeypatch.setattr(limits, "HEAD_S", 0.3)
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as half:
            half.sendall(begun)
            assert is_ended(half)
    # A whole request, and the beginning of a second one on the same connection. Only what stalls is
    # given little time: on a busy machine a whole request may follow its connection late.
    monkeypatch.setattr(limits, "HEAD_S", PATIENCE_S)
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as half:
        half.sendall(f"GET /?token={TOKEN} HTTP/1.1\r\n{own}\r\n".encode())
        told = half.recv(4000).decode()
        monkeypatch.setattr(limits, "HEAD_S", 0.3)
        half.sendall(b"GET / HT")
        assert is_ended(half)
    cookie = told.partition("set-cookie: ")[2].partition(";")[0]
    monkeypatch.setattr(limits, "HEAD_S", PATIENCE_S)
    monkeypatch.setattr(limits, "STALLED_S", 0.3)
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as half:
        head = f"POST /upload HTTP/1.1\r\n{own}Cookie: {cookie}\r\nContent-Length: 9000\r\n"
        kind = "Content-Type: multipart/form-data; boundary=x\r\n\r\n--x\r\n"
        half.sendall((head + kind).encode())
        answer = half.recv(4000).decode()
        assert answer.startswith("HTTP/1.1 408")
        assert "default-src 'none'" in answer


def test_an_upload_that_is_broken_off_leaves_nothing_and_says_nothing(
    serve: Serve, folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    served = serve(folder)
    port = int(served.address.rpartition(":")[2])
    own = f"Host: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as asking:
        asking.sendall(f"GET /?token={TOKEN} HTTP/1.1\r\n{own}\r\n".encode())
        cookie = asking.recv(4000).decode().partition("set-cookie: ")[2].partition(";")[0]
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as half:
        head = f"POST /upload HTTP/1.1\r\n{own}Cookie: {cookie}\r\nContent-Length: 90000\r\n"
        kind = "Content-Type: multipart/form-data; boundary=x\r\n\r\n--x\r\n"
        half.sendall((head + kind).encode())
        time.sleep(0.2)
    time.sleep(0.3)
    assert not list((folder / "results" / "incoming").glob("*/*"))
    assert "Traceback" not in caplog.text
    assert HOST
