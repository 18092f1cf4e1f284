"""Every path of the workbench with odd values in every parameter: never a fault of the program."""

from __future__ import annotations

from collections.abc import Iterator

from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

from glassay.web.app import ROUTERS

ODD = (
    "", "\0", "\ud7ff\u202e", "-1", "1e400", "nan", "99999999999999999999999", "../../etc/passwd",
    "[[[[[", "a|b", "captures/near.png", "x" * 3000,
)  # fmt: skip
HARMLESS = {"id": "captures/near.png", "place": "bench", "session": "0123456789abcdef"}
"""What other parameters are meanwhile, so that one odd value is not hidden by another."""


NOT_ASKED = ("/run/events", "/run/start", "/api/run", "/capture/again", "/capture/look")
"""The first tells until the browser goes; the others start programs."""


def cases() -> Iterator[tuple[str, str, dict[str, str]]]:
    for route in (one for router in ROUTERS for one in router.routes):
        if not isinstance(route, APIRoute) or route.path in NOT_ASKED:
            continue
        asked = [one.name for one in route.dependant.query_params]
        sent = [one.name for one in route.dependant.body_params]
        for method in route.methods:
            for name in (*asked, *sent, "nobody-asked-for-this"):
                for value in ODD:
                    known = {one: HARMLESS.get(one, "1") for one in (*asked, *sent)}
                    yield method, route.path, {**known, name: value}


def test_no_path_fails_over_an_odd_value(client: TestClient) -> None:
    faults, paths = [], set()
    for method, path, values in cases():
        paths.add(path)
        answers = [client.request(method, path, params=values)]
        if method == "POST":
            answers.append(client.post(path, data=values))
        for answer in answers:
            clear = answer.status_code < 500 and "Traceback" not in answer.text
            if not clear or "default-src 'none'" not in answer.headers["content-security-policy"]:
                faults.append((method, path, values, answer.status_code))
    assert len(paths) > 40
    assert faults == []
