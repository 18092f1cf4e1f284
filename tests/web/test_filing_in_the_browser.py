"""Files handed over are looked at by content, suggested a place, and filed unchanged."""

from __future__ import annotations

import re
from pathlib import Path

from fastapi.testclient import TestClient
from tests.bench.slides import draw_slide

from glassay.bench.document.read import load_bench


def hand_over(client: TestClient, *named: tuple[str, bytes]) -> str:
    files = [("files", (name, data, "image/png")) for name, data in named]
    answer = client.post("/upload", files=files, follow_redirects=False)
    assert answer.status_code == 303
    return re.search(r"batch=(\w+)", answer.headers["location"])[1]  # type: ignore[index]


def test_a_photo_is_suggested_confirmed_and_filed_as_it_came(
    client: TestClient, folder: Path, tmp_path: Path
) -> None:
    data = draw_slide(tmp_path / "s.png", pixel_size_um=1.0, seed=9).read_bytes()
    batch = hand_over(client, ("pad/far/slide-9.png", data))
    page = client.get(f"/incoming?batch={batch}").text
    assert '<option value="pad|far" selected>' in page
    assert '<option value="slide" selected>' in page
    assert client.get(f"/incoming/thumb?batch={batch}&number=0").headers["content-type"] == (
        "image/jpeg"
    )
    form = {
        "batch": batch,
        "shown": "0 1 2",
        "take-0": "on",
        "place-0": "pad|far",
        "object-0": "slide",
    }
    answer = client.post("/incoming", data=form)
    assert "1 file is filed" in answer.text
    filed = [c for c in load_bench(folder).captures if "slide-9" in c.id]
    assert (filed[0].instrument, filed[0].setting, filed[0].object) == ("pad", "far", "slide")
    assert (folder / filed[0].files[0]).read_bytes() == data
    assert not list((folder / "results" / "incoming").iterdir())


def test_what_is_no_photo_by_its_content_is_not_filed(client: TestClient, folder: Path) -> None:
    before = load_bench(folder).captures
    batch = hand_over(client, ("slide.png", b"<script>alert(1)</script>"))
    assert "no photo and no clip" in client.get(f"/incoming?batch={batch}").text
    form = {
        "batch": batch,
        "shown": "0 1 2",
        "take-0": "on",
        "place-0": "pad|far",
        "object-0": "slide",
    }
    assert client.post("/incoming", data=form).status_code == 400
    assert load_bench(folder).captures == before


def test_names_that_lead_out_are_made_plain(client: TestClient, folder: Path) -> None:
    data = (folder / "captures" / "near.png").read_bytes()
    batch = hand_over(client, ("../../../../tmp/evil.png", data))
    inside = folder / "results" / "incoming" / batch
    assert sorted(p.name for p in inside.rglob("*.png")) == ["evil.png"]
    assert not (folder.parent / "evil.png").exists()


def test_a_place_that_is_not_said_is_asked_for(client: TestClient, folder: Path) -> None:
    data = (folder / "captures" / "near.png").read_bytes()
    batch = hand_over(client, ("IMG_1.png", data))
    form = {"batch": batch, "shown": "0 1 2", "take-0": "on", "place-0": "", "object-0": "slide"}
    answer = client.post("/incoming", data=form)
    assert answer.status_code == 400
    assert "IMG_1.png: say with which instrument" in answer.text


def test_other_batches_cannot_be_reached(client: TestClient) -> None:
    for batch in ("../measured", "0" * 16, "", "A" * 16):
        assert client.get("/incoming", params={"batch": batch}).status_code == 400
