"""A phone hands photos over on the local network; strangers on it get nowhere."""

from __future__ import annotations

import re
import select
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import httpx2
import numpy as np
import pillow_heif
import pytest
from click.testing import CliRunner
from fastapi.testclient import TestClient
from PIL import Image

from glassay.bench.keeping.filing import start_bench
from glassay.cli.commands.open import command
from glassay.errors import Unusable
from glassay.web import limits
from glassay.web.incoming import Incoming
from glassay.web.phone.app import create_phone_app
from glassay.web.phone.door import Crowd
from glassay.web.phone.serve import PhonePage, checked_address, code_as_svg, code_for_terminal
from glassay.web.phone.share import Share

HOST = "192.168.7.20:4000"
PHONE, STRANGER = ("192.168.7.31", 50001), ("192.168.7.66", 50002)


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    start_bench(tmp_path / "bench", "Secret plans")
    return tmp_path / "bench"


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def share(bench: Path, clock: Clock) -> Share:
    return Share(bench, 1800, clock)


def device(share: Share, client: tuple[str, int]) -> TestClient:
    found = TestClient(
        create_phone_app(share, HOST), base_url=f"http://{HOST}", client=client,
        follow_redirects=False,
    )  # fmt: skip
    found.headers["origin"] = f"http://{HOST}"
    return found


@pytest.fixture
def phone(share: Share) -> TestClient:
    found = device(share, PHONE)
    assert found.get("/", params={"token": share.entry}).status_code == 303
    return found


def picture(path: Path, size: tuple[int, int] = (640, 480)) -> bytes:
    ramp = np.linspace(20, 230, size[0], dtype=np.uint8)
    image = Image.fromarray(np.tile(ramp, (size[1], 1))).convert("RGB")
    if path.suffix == ".heic":
        pillow_heif.from_pillow(image).save(path, quality=60)
    else:
        image.save(path)
    return path.read_bytes()


def hand_over(phone: TestClient, name: str, data: bytes, key: str = "k") -> list[int]:
    """Hand a file over as the page does, and return the statuses of its pieces."""
    begun = phone.post("/begin", params={"name": name, "size": len(data), "key": key}).json()
    told = []
    for at in range(begun["at"], len(data), limits.MAX_PHONE_PIECE_BYTES):
        body = data[at : at + limits.MAX_PHONE_PIECE_BYTES]
        told.append(phone.post("/piece", params={"id": begun["id"], "at": at}, content=body))
    return [one.status_code for one in told]


def waiting(bench: Path) -> list[tuple[str, str, bytes]]:
    incoming = Incoming(bench)
    return [
        (one.named, one.trouble, one.path.read_bytes())
        for batch, _ in incoming.batches() for one in incoming.waiting(batch)
    ]  # fmt: skip


@pytest.mark.parametrize("name", ["eyepiece.jpg", "IMG_0001.heic"])
def test_a_photo_waits_for_the_workbench_as_it_came(
    phone: TestClient, bench: Path, tmp_path: Path, name: str
) -> None:
    data = picture(tmp_path / name)
    assert hand_over(phone, name, data) == [200]
    assert waiting(bench) == [(name, "", data)]
    shown = sorted(one.name for one in bench.iterdir() if not one.name.startswith("."))
    assert shown == ["bench.toml", "captures", "results"]
    assert not any((bench / "captures").iterdir())


def test_a_photo_of_48_megapixels_is_taken(phone: TestClient, bench: Path, tmp_path: Path) -> None:
    data = picture(tmp_path / "large.jpg", (8000, 6000))
    assert set(hand_over(phone, "large.jpg", data)) == {200}
    ((_, trouble, kept),) = waiting(bench)
    assert (trouble, kept == data) == ("", True)


def test_an_interrupted_file_goes_on_where_it_was(
    phone: TestClient, bench: Path, tmp_path: Path
) -> None:
    rng = np.random.default_rng(1)
    noise = rng.integers(0, 255, (1000, 1000, 3), dtype=np.uint8)
    Image.fromarray(noise).save(tmp_path / "n.png")
    data = (tmp_path / "n.png").read_bytes()
    asked = {"name": "n.png", "size": len(data), "key": "n.png 17"}
    first = phone.post("/begin", params=asked).json()
    phone.post("/piece", params={"id": first["id"], "at": 0}, content=data[:1_500_000])
    again = phone.post("/begin", params=asked).json()
    assert again == {"id": first["id"], "at": 1_500_000}
    # A piece whose answer got lost is sent once more: it is not added twice.
    twice = phone.post("/piece", params={"id": first["id"], "at": 0}, content=data[:1_500_000])
    assert (twice.status_code, twice.json()["at"]) == (409, 1_500_000)
    last = phone.post(
        "/piece", params={"id": first["id"], "at": 1_500_000}, content=data[1_500_000:]
    )
    assert last.json() == {"whole": True}
    assert waiting(bench) == [("n.png", "", data)]


def test_a_code_lets_one_device_in_once(share: Share, phone: TestClient) -> None:
    stranger = device(share, STRANGER)
    code = re.findall(r"token=(\S+)", f"token={share.entry}")[0]
    assert stranger.get("/", params={"token": code}).status_code == 403
    # What was overheard on the network: the cookie of the phone, from another address.
    stranger.cookies.update(phone.cookies)
    assert stranger.get("/").status_code == 403
    assert phone.get("/").status_code == 200
    fresh = device(share, STRANGER)
    assert fresh.get("/", params={"token": share.another_entry()}).status_code == 303
    assert fresh.get("/").status_code == 200


def test_a_wrong_code_gets_nowhere(share: Share) -> None:
    stranger = device(share, STRANGER)
    for token in ("", "guess", share.entry[:-1], share.entry + "x", "\0"):
        assert stranger.get("/", params={"token": token}).status_code == 403
    assert stranger.get("/").status_code == 403
    assert stranger.post("/begin", params={"name": "a", "size": 1, "key": "k"}).status_code == 403
    assert stranger.post("/", params={"token": share.entry}).status_code == 403
    assert stranger.get("/state", params={"token": share.entry}).status_code == 403


def test_a_flood_is_turned_away_and_the_phone_is_not(
    share: Share, bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "STRANGERS_A_SECOND", 0.0)  # however long a request takes here
    app = create_phone_app(share, HOST)
    phone = TestClient(app, base_url=f"http://{HOST}", client=PHONE)
    phone.headers["origin"] = f"http://{HOST}"
    stranger = TestClient(app, base_url=f"http://{HOST}", client=STRANGER)
    phone.get("/", params={"token": share.entry})
    told = [stranger.get("/", params={"token": f"{n}"}).status_code for n in range(100)]
    let_in = limits.STRANGERS_AT_ONCE
    assert told == [403] * let_in + [429] * (100 - let_in)
    assert hand_over(phone, "a.png", picture(tmp_path / "a.png")) == [200]
    assert len(waiting(bench)) == 1


def test_who_waits_may_ask_again(clock: Clock) -> None:
    crowd = Crowd(clock)
    told = [crowd.is_too_much("10.0.0.1") for _ in range(limits.STRANGERS_AT_ONCE + 1)]
    assert told == [False] * limits.STRANGERS_AT_ONCE + [True]
    assert not crowd.is_too_much("10.0.0.2")
    clock.now += 1 / limits.STRANGERS_A_SECOND
    assert [crowd.is_too_much("10.0.0.1") for _ in range(2)] == [False, True]


@pytest.mark.parametrize("path", ["/captures", "/api/results", "/edit", "/static/page.css",
                                  "/../bench.toml", "/phone", "/upload", "/incoming", "/docs",
                                  "/openapi.json"])  # fmt: skip
def test_there_is_nothing_else(phone: TestClient, path: str) -> None:
    for answer in (phone.get(path), phone.post(path)):
        assert answer.status_code == 404
        assert answer.text == "There is nothing here."


def test_nothing_of_the_bench_is_shown(phone: TestClient, bench: Path) -> None:
    for path in ("/", "/state", "/phone.js", "/phone.css"):
        answer = phone.get(path)
        assert answer.status_code == 200
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        for word in ("Secret plans", str(bench), "slide", "usb", bench.name + "/"):
            assert word not in answer.text


def test_it_ends_by_itself(phone: TestClient, share: Share, clock: Clock) -> None:
    assert phone.get("/state").json()["seconds_left"] == 1800
    clock.now = 1800
    assert phone.get("/").status_code == 410
    assert phone.post("/begin", params={"name": "a", "size": 9, "key": "k"}).status_code == 410
    assert (
        device(share, STRANGER).get("/", params={"token": share.another_entry()}).status_code == 410
    )


@pytest.mark.parametrize(
    "data", [b"#!/bin/sh\nrm -rf ~\n", b"<html><script>", b"PK\x03\x04", b"\0"]
)
def test_only_photos_and_clips_are_taken(phone: TestClient, bench: Path, data: bytes) -> None:
    assert hand_over(phone, "a.jpg", data) == [400]
    assert waiting(bench) == []
    assert not list((bench / "results" / "incoming").rglob("*.part"))


def test_limits_hold(phone: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def begin(size: object, key: str = "k") -> int:
        return phone.post("/begin", params={"name": "a", "size": size, "key": key}).status_code

    for size in (0, -1, limits.MAX_PHONE_FILE_BYTES + 1, "x", "9" * 400, ""):
        assert begin(size) == 400
    too_much = b"x" * (limits.MAX_PHONE_PIECE_BYTES + 1)
    assert phone.post("/piece", params={"id": "x", "at": 0}, content=too_much).status_code == 413
    data = picture(tmp_path / "a.png")
    begun = phone.post("/begin", params={"name": "a", "size": 100, "key": "s"}).json()
    answer = phone.post("/piece", params={"id": begun["id"], "at": 0}, content=data)
    assert "more than was announced" in answer.json()["error"]
    monkeypatch.setattr(limits, "MAX_PHONE_FILES", 2)
    assert [begin(1000, f"{n}") for n in range(3)] == [200, 400, 400]
    monkeypatch.setattr(limits, "MAX_PHONE_FILES", 300)
    monkeypatch.setattr(limits, "MAX_PHONE_BYTES", 5000)
    assert [begin(1500, f"b{n}") for n in range(3)] == [200, 200, 400]


def test_names_lead_nowhere(phone: TestClient, bench: Path, tmp_path: Path) -> None:
    data = picture(tmp_path / "a.png")
    for number, name in enumerate(
        ("../../../bench.toml", "/etc/x.png", "a\0b.png", "..", "é" * 300)
    ):
        assert hand_over(phone, name, data, f"{number}") == [200]
    assert (bench / "bench.toml").read_text().startswith("#")
    assert len(waiting(bench)) == 5
    inside = bench / "results" / "incoming"
    assert all(path.is_relative_to(inside) for path in tmp_path.rglob("x.png"))


def test_other_pages_hand_nothing_over(phone: TestClient) -> None:
    for origin in ("http://evil.example", "null", f"https://{HOST}"):
        answer = phone.post("/begin", params={"size": 5}, headers={"origin": origin})
        assert answer.status_code == 403
    assert phone.get("/", headers={"host": "evil.example"}).status_code == 421


def test_what_comes_while_others_are_filed_is_not_forgotten(
    phone: TestClient, bench: Path, tmp_path: Path
) -> None:
    data = picture(tmp_path / "a.png")
    hand_over(phone, "a.png", data, "1")
    ((batch, _),) = Incoming(bench).batches()
    hand_over(phone, "b.png", data, "2")
    Incoming(bench).forget(batch, [0])
    assert [name for name, _, _ in waiting(bench)] == ["b.png"]


def test_a_file_goes_on_when_its_batch_was_forgotten(
    phone: TestClient, bench: Path, tmp_path: Path
) -> None:
    data = picture(tmp_path / "a.png")
    asked = {"name": "a.png", "size": len(data), "key": "k"}
    first = phone.post("/begin", params=asked).json()
    phone.post("/piece", params={"id": first["id"], "at": 0}, content=data[:100])
    for folder in (bench / "results" / "incoming").iterdir():
        Incoming(bench).forget(folder.name)
    late = phone.post("/piece", params={"id": first["id"], "at": 100}, content=data[100:])
    assert (late.status_code, late.json()["at"]) == (409, 0)
    assert hand_over(phone, "a.png", data) == [200]
    assert waiting(bench) == [("a.png", "", data)]


@pytest.fixture
def page(bench: Path) -> Iterator[PhonePage]:
    opened = PhonePage(bench, "127.0.0.1", 60)
    yield opened
    opened.close()
    assert opened.wait(60)


def test_it_is_served_on_one_address_and_closes(page: PhonePage, tmp_path: Path) -> None:
    with httpx2.Client(headers={"origin": f"http://{page.host}"}) as phone:
        assert phone.get(page.url).status_code == 303
        data = picture(tmp_path / "a.png")
        begun = phone.post(f"http://{page.host}/begin",
                           params={"name": "a.png", "size": len(data), "key": "k"}).json()  # fmt: skip
        answer = phone.post(f"http://{page.host}/piece", params={"id": begun["id"], "at": 0},
                            content=data)  # fmt: skip
        assert answer.json() == {"whole": True}
    host, port = page.host.split(":")
    with socket.socket() as other:
        # Another address of this computer: nobody listens there.
        other.settimeout(60)
        assert other.connect_ex(("127.0.0.2", int(port))) != 0
    page.close()
    assert page.wait(60)
    with socket.socket() as late:
        late.settimeout(60)
        assert late.connect_ex((host, int(port))) != 0


def test_connections_of_one_address_are_few(page: PhonePage) -> None:
    host, port = page.host.split(":")
    held = [socket.create_connection((host, int(port)), 60) for _ in range(30)]
    closed: list[socket.socket] = []
    begun = time.monotonic()
    while len(closed) < 30 - limits.MOST_CONNECTIONS_OF_ONE and time.monotonic() - begun < 120:
        closed = select.select(held, [], [], 0)[0]  # nothing is said on them but their end
        time.sleep(0.05)
    assert [one.recv(1) for one in closed] == [b""] * len(closed)
    for one in held:
        one.close()
    assert len(closed) == 30 - limits.MOST_CONNECTIONS_OF_ONE


def test_the_code_holds_the_address(page: PhonePage) -> None:
    cv2 = pytest.importorskip("cv2")
    segno = pytest.importorskip("segno")
    matrix = np.array(list(segno.make(page.url, error="m").matrix_iter(scale=6, border=4)))
    picture = np.where(matrix > 0, 0, 255).astype(np.uint8)
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == page.url
    assert "<svg" in code_as_svg(page.url)
    assert "style=" not in code_as_svg(page.url)
    assert len(code_for_terminal(page.url).splitlines()) > 15


@pytest.mark.parametrize("address", ["8.8.8.8", "0.0.0.0", "nowhere", "::1", "224.0.0.1", ""])
def test_it_is_opened_on_addresses_of_a_local_network_only(address: str) -> None:
    with pytest.raises(Unusable, match="address"):
        checked_address(address)


def test_a_wrong_address_is_told_on_the_command_line(bench: Path) -> None:
    with pytest.raises(Unusable, match="no address of a local network"):
        CliRunner().invoke(
            command, [str(bench), "--phone", "--phone-address", "8.8.8.8", "--no-browser"],
            catch_exceptions=False,
        )  # fmt: skip


def test_it_is_off_unless_asked_for(bench: Path) -> None:
    from tests.web.conftest import client_of

    with client_of(bench) as client:
        assert client.get("/phone").status_code == 400
        assert "from the phone" not in client.get("/captures").text
        opened = PhonePage(bench, "127.0.0.1", 60)
        client.app.state.phone = opened  # type: ignore[attr-defined]
        shown = client.get("/phone").text
        assert opened.url in shown
        assert "without encryption" in shown
        assert "show the code" in client.get("/captures").text
        old = opened.url
        client.post("/phone/another")
        assert opened.url != old
        client.post("/phone/end")
        assert not opened.is_open
        assert client.get("/phone").status_code == 400
        assert opened.wait(60)
