"""Only this computer's own pages, with the token, get in; and nothing gets out of the bench."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from tests.web.conftest import HOST, SCRIPT_KEY, TOKEN

from glassay.web import create_app, limits
from glassay.web.bodies import BODY_LIMITS


@pytest.fixture
def stranger(folder: Path) -> TestClient:
    return TestClient(create_app(folder, TOKEN, SCRIPT_KEY), base_url=f"http://{HOST}")


def test_without_the_token_there_is_no_page(stranger: TestClient) -> None:
    for path in ("/", "/captures", "/api/results", "/static/workbench.css", "/api/openapi.json"):
        assert stranger.get(path).status_code == 403


def test_a_wrong_token_is_no_token(stranger: TestClient) -> None:
    assert stranger.get("/?token=guessed").status_code == 403
    stranger.cookies.set("glassay-8451", "guessed")
    assert stranger.get("/").status_code == 403


def test_the_printed_address_lets_in_and_does_not_stay_in_the_bar(stranger: TestClient) -> None:
    answer = stranger.get(f"/edit?a=1&token={TOKEN}", follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/edit?a=1"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert stranger.get("/").status_code == 200


def test_the_printed_address_lets_in_once(stranger: TestClient, folder: Path) -> None:
    assert stranger.get(f"/?token={TOKEN}").status_code == 200
    assert stranger.get(f"/?token={TOKEN}").status_code == 200  # one's own bookmark of it
    second = TestClient(stranger.app, base_url=f"http://{HOST}")
    answer = second.get(f"/?token={TOKEN}")
    assert answer.status_code == 403
    assert "let a browser in already" in answer.text
    stranger.headers["origin"] = f"http://{HOST}"
    page = stranger.post("/another").text
    another = re.search(r"token=([\w-]+)", page)
    assert another is not None
    assert second.get(f"/?token={another[1]}").status_code == 200
    third = TestClient(stranger.app, base_url=f"http://{HOST}")
    assert third.get(f"/?token={another[1]}").status_code == 403


def test_no_secret_stands_for_another(stranger: TestClient) -> None:
    # What other ports of this computer may see is the cookie.
    answer = stranger.get(f"/?token={TOKEN}", follow_redirects=False)
    cookie = answer.headers["set-cookie"].partition("=")[2].partition(";")[0]
    other = TestClient(stranger.app, base_url=f"http://{HOST}")
    for secret in (cookie, TOKEN):
        headers = {"authorization": f"Bearer {secret}"}
        assert other.get("/api/results", headers=headers).status_code == 403
        assert other.get(f"/?token={secret}").status_code == 403
    other.cookies.set("glassay-8451", SCRIPT_KEY)
    assert other.get("/").status_code == 403
    other.cookies.clear()
    other.cookies.set("glassay-9999", cookie)
    assert other.get("/").status_code == 403


def test_a_page_of_another_port_is_a_stranger(client: TestClient) -> None:
    # To browsers another port is the same site: its requests carry the cookie.
    headers = {"sec-fetch-site": "same-site", "sec-fetch-mode": "cors",
               "origin": "http://127.0.0.1:9999"}  # fmt: skip
    assert client.get("/api/results", headers=headers).status_code == 403
    assert client.post("/run/start", headers=headers).status_code == 403
    assert client.get("/", headers={"host": "127.0.0.1:9999"}).status_code == 421


def test_without_being_asked_there_is_no_key_for_scripts(folder: Path) -> None:
    plain = TestClient(create_app(folder, TOKEN), base_url=f"http://{HOST}")
    for key in ("", "None", TOKEN):
        headers = {"authorization": f"Bearer {key}"}
        assert plain.get("/api/results", headers=headers).status_code == 403


def test_the_way_in_never_leads_elsewhere(stranger: TestClient) -> None:
    answer = stranger.get(f"//elsewhere.example/?token={TOKEN}", follow_redirects=False)
    assert answer.headers["location"].startswith("/")
    assert not answer.headers["location"].startswith("//")


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8451", "127.0.0.1.evil.example",
                                  "192.168.0.2:8451", ""])  # fmt: skip
def test_other_names_for_this_computer_are_refused(client: TestClient, host: str) -> None:
    # DNS rebinding: another site's name that resolves to the loopback address.
    assert client.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("origin", [None, "null", "http://evil.example", "http://127.0.0.1:1",
                                    f"https://{HOST}"])  # fmt: skip
def test_other_pages_write_nothing(client: TestClient, folder: Path, origin: str | None) -> None:
    before = (folder / "bench.toml").read_text()
    del client.headers["origin"]
    headers = {} if origin is None else {"origin": origin}
    data = {"place": "bench", "origin": "", "title": "taken over"}
    assert client.post("/edit/table", data=data, headers=headers).status_code == 403
    assert client.post("/run/start", headers=headers).status_code == 403
    assert (folder / "bench.toml").read_text() == before


def test_other_pages_read_nothing(client: TestClient) -> None:
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert client.get("/api/results", headers=headers).status_code == 403


def test_scripts_have_a_key_of_their_own(stranger: TestClient) -> None:
    headers = {"authorization": f"Bearer {SCRIPT_KEY}"}
    assert stranger.get("/api/results", headers=headers).json()["bench"]["title"]
    described = stranger.get("/api/openapi.json", headers=headers).json()
    assert {"/api/results", "/api/run", "/api/marks"} <= set(described["paths"])


def test_every_answer_is_strict(client: TestClient) -> None:
    for path in ("/", "/static/workbench.css", "/nowhere", "/tile?id=x&level=0&x=0&y=0"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"


def test_no_page_holds_an_address_elsewhere_or_a_script_within(client: TestClient) -> None:
    for path in ("/", "/captures", "/capture?id=captures/near.png", "/edit", "/live", "/run",
                 "/instrument?id=pad", "/side-by-side"):  # fmt: skip
        text = client.get(path).text
        assert "http://" not in text
        assert "https://" not in text
        assert "<style" not in text
        assert " style=" not in text
        assert "<script>" not in text.replace("&lt;script&gt;", "")
        assert "alert(1)</script>" not in text


@pytest.mark.parametrize("query", [
    "id=../../etc/passwd", "id=/etc/passwd", "id=bench.toml", "id=captures/../bench.toml",
])  # fmt: skip
def test_only_captures_are_served(client: TestClient, query: str) -> None:
    for address in ("/file", "/whole", "/thumb", "/tile"):
        answer = client.get(f"{address}?{query}&level=0&x=0&y=0")
        assert answer.status_code == 400
        assert "image" not in answer.headers["content-type"]


def test_a_link_out_of_the_bench_is_not_followed(client: TestClient, folder: Path) -> None:
    outside = folder.parent / "outside.png"
    (folder / "captures" / "near.png").rename(outside)
    (folder / "captures" / "near.png").symlink_to(outside)
    answer = client.get("/file?id=captures/near.png")
    assert answer.status_code == 400
    assert "leads out of the bench" in answer.text


def test_static_files_lead_nowhere_else(client: TestClient) -> None:
    assert client.get("/static/..%2f..%2fweb%2fguard.py").status_code in (400, 404)


def test_too_much_is_refused_before_it_is_read(client: TestClient) -> None:
    long = {"content-length": str(limits.MAX_FORM_BYTES + 1)}
    assert client.post("/edit/table", content=b"x", headers=long).status_code == 413


def test_an_untrue_length_does_not_help(client: TestClient) -> None:
    def body() -> object:
        for _ in range(limits.MAX_FORM_BYTES // 1_000_000 + 2):
            yield b"x" * 1_000_000

    form = {"content-type": "application/x-www-form-urlencoded"}
    answer = client.post("/capture/mark", content=body(), headers=form)  # type: ignore[arg-type]
    assert answer.status_code == 413


def test_every_path_has_its_limit_by_name() -> None:
    named = {value for key, value in vars(limits).items() if key.startswith("MAX_")}
    assert set(BODY_LIMITS.values()) <= named


def test_a_damaged_bench_is_told_with_its_lines(client: TestClient, folder: Path) -> None:
    text = (folder / "bench.toml").read_text()
    (folder / "bench.toml").write_text(text.replace('kind = "screen"', 'kind = "scren"'))
    answer = client.get("/")
    assert answer.status_code == 400
    assert "line" in answer.text
    assert "scren" in answer.text
