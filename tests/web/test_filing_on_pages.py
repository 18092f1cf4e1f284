"""Files handed over are looked at by content, suggested a place, and filed unchanged."""

from __future__ import annotations

import errno
import io
import re
import threading
from pathlib import Path

import numpy as np
import pytest
from fastapi.testclient import TestClient
from PIL import Image
from tests.bench.slides import draw_slide

from glassay.bench.document.read import load_bench
from glassay.bench.keeping import filing
from glassay.bench.measuring.run import Progress
from glassay.web import incoming
from glassay.web.runs import OneCount


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


def hand_over_singly(client: TestClient, *named: tuple[str, bytes]) -> str:
    """As the page with script does."""
    batch = client.post("/upload/begin").json()["batch"]
    for name, data in named:
        answer = client.post("/upload/file", params={"batch": batch, "name": name}, content=data)
        assert answer.status_code == 200
    return str(batch)


SETS = """
[[object]]
id = "pair"
kind = "repeat pair"

[[object]]
id = "run"
kind = "focus run"
"""


def shades(folder: Path, *names: str) -> list[tuple[str, bytes]]:
    found = []
    for number, name in enumerate(names):
        path = folder.parent / f"shade-{number}.png"
        Image.fromarray(np.full((30, 40), 40 + number, np.uint8)).save(path)
        found.append((name, path.read_bytes()))
    return found


@pytest.mark.parametrize(("together", "files"), [(True, [2, 3]), (False, [1, 1, 1, 1, 1])])
def test_dropped_sets_become_one_capture_each(
    client: TestClient, folder: Path, together: bool, files: list[int]
) -> None:
    path = folder / "bench.toml"
    path.write_text(path.read_text() + SETS)
    before = len(load_bench(folder).captures)
    # Two folders were dropped: one holds the pair, the other the run.
    names = ["pair/IMG_12.png", "pair/IMG_13.png", "run/z10.png", "run/z2.png", "run/z1.png"]
    batch = hand_over_singly(client, *shades(folder, *names))
    page = client.get(f"/incoming?batch={batch}").text
    assert 'name="together" checked' in page
    form = {"batch": batch, "shown": "0 1 2 3 4"} | ({"together": "on"} if together else {})
    for number, name in enumerate(names):
        form |= {f"take-{number}": "on", f"place-{number}": "pad|near",
                 f"object-{number}": name.partition("/")[0]}  # fmt: skip
    assert client.post("/incoming", data=form).status_code == 200
    filed = load_bench(folder).captures[before:]
    assert [len(one.files) for one in filed] == files
    if together:
        assert [Path(name).name for name in filed[1].files] == ["z1.png", "z2.png", "z10.png"]


def test_files_that_arrive_in_any_order_are_listed_by_name(
    client: TestClient, folder: Path
) -> None:
    batch = hand_over_singly(client, *shades(folder, "z10.png", "z2.png", "z1.png"))
    page = client.get(f"/incoming?batch={batch}").text
    assert re.findall(r"<b>(z\d+\.png)</b>", page) == ["z1.png", "z2.png", "z10.png"]
    # the numbers by which they are filed stay those of the files
    assert re.findall(r'name="take-(\d)"', page) == ["2", "1", "0"]


def test_why_a_file_cannot_be_filed_names_it_as_it_is(client: TestClient, folder: Path) -> None:
    ((_, data),) = shades(folder, "one.png")
    batch = hand_over_singly(client, ("half.png", data[:60]))
    page = client.get(f"/incoming?batch={batch}").text
    assert "It cannot be filed: half.png" in page


def test_a_photo_shows_another_object_too_if_that_is_said(client: TestClient, folder: Path) -> None:
    data = (folder / "captures" / "near.png").read_bytes()
    form = {"shown": "0", "take-0": "on", "place-0": "pad|near", "object-0": "bare"}
    batch = hand_over(client, ("near.png", data))
    answer = client.post("/incoming", data={**form, "batch": batch})
    assert answer.status_code == 400
    assert "filed already" in answer.text
    before = len(load_bench(folder).captures)
    client.post("/incoming", data={**form, "batch": batch, "also": "on"})
    captures = load_bench(folder).captures
    assert [one.object for one in captures if "near" in one.files[0]] == ["slide", "bare"]
    assert len(captures) == before + 1


def test_each_file_is_looked_at_once(
    client: TestClient, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Path] = []
    read = incoming.read_photo

    def counted(path: Path) -> object:
        asked.append(path)
        return read(path)

    monkeypatch.setattr(incoming, "read_photo", counted)
    batch = hand_over(client, *shades(folder, "a.png", "b.png", "c.png"))
    for _ in range(2):
        client.get(f"/incoming?batch={batch}")
        for number in range(3):
            picture = client.get(f"/incoming/thumb?batch={batch}&number={number}")
            assert picture.headers["content-type"] == "image/jpeg"
    assert len(asked) == 3


def large_photo(folder: Path) -> bytes:
    rng = np.random.default_rng(0)
    path = folder.parent / "large.jpg"
    image = Image.fromarray(rng.integers(0, 255, (1500, 2000, 3), dtype=np.uint8))
    image.save(path, quality=95, exif=b"")
    assert path.stat().st_size > incoming.LARGE_BYTES
    return path.read_bytes()


def test_large_photos_are_all_shown_small_before_one_is_looked_at_whole(
    client: TestClient, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[str] = []
    read = incoming.read_photo

    def noted(place: Path) -> object:
        looked.append(place.name)
        return read(place)

    monkeypatch.setattr(incoming, "read_photo", noted)
    monkeypatch.setattr("glassay.web.looks.QUIET_S", 600.0)
    monkeypatch.setattr("glassay.web.pages.captures.LOOKS_SOON_S", 120.0)
    data = large_photo(folder)
    batch = hand_over_singly(client, ("a.jpg", data), ("b.jpg", data))
    for number in range(2):
        picture = client.get(f"/incoming/thumb?batch={batch}&number={number}")
        assert max(Image.open(io.BytesIO(picture.content)).size) == incoming.THUMBNAIL_PX
    assert looked == []
    client.get(f"/incoming?batch={batch}")  # who waits for them is not kept waiting
    assert sorted(looked) == ["a.jpg", "b.jpg"]


def test_a_large_photo_is_shown_before_it_is_looked_at_whole(
    client: TestClient, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = large_photo(folder)
    go_on = threading.Event()
    read = incoming.read_photo

    def slow(place: Path) -> object:
        if place.name == "good.jpg":
            go_on.wait(120)
        return read(place)

    monkeypatch.setattr(incoming, "read_photo", slow)
    monkeypatch.setattr("glassay.web.pages.captures.LOOKS_SOON_S", 0.01)
    broken = data[: len(data) // 2]
    batch = hand_over(client, ("good.jpg", data), ("broken.jpg", broken))
    picture = client.get(f"/incoming/thumb?batch={batch}&number=0")
    assert max(Image.open(io.BytesIO(picture.content)).size) == incoming.THUMBNAIL_PX
    go_on.set()
    monkeypatch.setattr("glassay.web.pages.captures.LOOKS_SOON_S", 120)
    page = client.get(f"/incoming?batch={batch}").text
    assert page.count("It cannot be filed") == 1


def test_what_waits_is_found_again(client: TestClient, folder: Path) -> None:
    batch = hand_over_singly(client, *shades(folder, "a.png", "b.png"))
    page = client.get("/captures").text
    assert f"/incoming?batch={batch}" in page
    assert "2 files: say what they show" in page


def test_only_what_was_shown_is_forgotten(client: TestClient, folder: Path) -> None:
    batch = hand_over_singly(client, *shades(folder, "a.png", "b.png"))
    client.post("/incoming/drop", data={"batch": batch, "shown": "0"})
    assert "1 file: say what they show" in client.get("/captures").text
    client.post("/incoming/drop", data={"batch": batch})
    assert "say what they show" not in client.get("/captures").text


def test_a_filing_tells_how_far_it_is_and_can_be_stopped(
    client: TestClient, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = (folder / "bench.toml").read_bytes()
    held = sorted(path.name for path in (folder / "captures").rglob("*"))
    reached, go_on = threading.Event(), threading.Event()
    copy = filing._copy

    def slow(*given: object) -> str:
        name = copy(*given)  # type: ignore[arg-type]
        reached.set()
        go_on.wait(120)
        return name

    monkeypatch.setattr(filing, "_copy", slow)
    monkeypatch.setattr("glassay.web.pages.captures.SOON_S", 0.05)
    batch = hand_over(client, *shades(folder, "a.png", "b.png", "c.png"))
    form = {"batch": batch, "shown": "0 1 2"}
    for number in range(3):
        form |= {f"take-{number}": "on", f"place-{number}": "pad|near", f"object-{number}": "bare"}
    page = client.post("/incoming", data=form)
    assert page.url.path == "/filing"
    assert reached.wait(120)
    job = page.url.params["job"]
    shown = client.get(f"/filing?job={job}").text
    assert 'max="6" value="3"' in shown
    assert client.post("/incoming", data=form).status_code == 400  # it is being filed already
    client.post("/filing/stop", data={"job": job}, follow_redirects=False)
    go_on.set()
    client.app.state.filings.job(job).wait(120)  # type: ignore[attr-defined]
    assert "nothing was filed" in client.get(f"/filing?job={job}").text
    assert (folder / "bench.toml").read_bytes() == before
    assert sorted(path.name for path in (folder / "captures").rglob("*") if path.is_file()) == [
        name for name in held if "." in name
    ]
    assert "3 files: say what they show" in client.get("/captures").text
    monkeypatch.setattr(filing, "_copy", copy)
    monkeypatch.setattr("glassay.web.pages.captures.SOON_S", 120)
    assert "3 files are filed" in client.post("/incoming", data=form).text


def test_a_filing_ends_although_what_waited_cannot_be_removed(
    client: TestClient, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A network drive that lost its other end left it running for ever."""

    def lost(*_: object) -> None:
        raise OSError(errno.ESTALE, "Stale file handle")

    monkeypatch.setattr("glassay.web.incoming.Incoming.forget", lost)
    batch = hand_over(client, *shades(folder, "a.png"))
    form = {"batch": batch, "shown": "0", "take-0": "on", "place-0": "pad|near", "object-0": "bare"}
    told = client.post("/incoming", data=form).text
    assert "1 file is filed. They are still shown as waiting" in told
    assert "Stale file handle" in told


def test_a_run_has_one_count_that_never_goes_back() -> None:
    # Captures first, then the matches between them, of which each counts for itself.
    count, seen = OneCount(), []
    news = [(0, 3), (1, 3), (2, 3), (3, 3), (0, 2), (1, 2), (2, 2), (0, 1), (1, 1)]
    for done, total in news:
        count.add(Progress(done, total))
        seen.append((count.done, count.total))
    assert [done for done, _ in seen] == [0, 1, 2, 3, 3, 4, 5, 5, 6]
    assert [total for _, total in seen] == [3, 3, 3, 3, 5, 5, 5, 6, 6]
