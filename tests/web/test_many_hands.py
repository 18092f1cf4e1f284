"""Several people, tabs and programs work on one bench at once: nothing is lost, nothing gets mixed."""

from __future__ import annotations

import errno
import html
import io
import re
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from PIL import Image
from tests.web.conftest import HOST, TOKEN, client_of

from glassay.bench.document.edit import set_values, write_text
from glassay.bench.document.read import load_bench, read_document
from glassay.bench.keeping.marks import add_mark, make_mark, read_marks
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.one_writer import one_writer
from glassay.web.history import History
from glassay.web.keys import Keys

NEAR = "captures/near.png"


def all_at_once(works: list[Callable[[], object]], hands: int = 8) -> list[object]:
    with ThreadPoolExecutor(hands) as pool:
        return [one.result() for one in [pool.submit(work) for work in works]]


def origin(page: str) -> str:
    return html.unescape(re.search(r'name="origin" value="([^"]+)"', page)[1])  # type: ignore[index]


@pytest.fixture
def another(client: TestClient) -> Iterator[TestClient]:
    """A second browser at the same workbench."""
    keys: Keys = client.app.state.keys  # type: ignore[attr-defined]
    with TestClient(client.app, base_url=f"http://{HOST}") as second:
        second.headers["origin"] = f"http://{HOST}"
        second.get("/static/mark.svg", params={"token": keys.another_entry()})
        yield second


def test_sixty_marks_by_eight_at_once_are_all_kept(client: TestClient, folder: Path) -> None:
    def keep(number: int) -> int:
        form = {"id": NEAR, "kind": "distance", "points": f"10,{number} 200,{number}",
                "pointing": "0.4"}  # fmt: skip
        answer = client.post("/capture/mark", data=form, headers={"accept": "application/json"})
        return answer.status_code

    told = all_at_once([lambda n=n: keep(n) for n in range(60)])  # type: ignore[misc]
    assert told == [200] * 60
    assert sorted(mark.points[0][1] for mark in read_marks(folder)) == list(range(60))


def test_edits_of_one_table_at_once_are_kept_or_told(client: TestClient, folder: Path) -> None:
    for turn in range(25):
        page = client.get("/edit/table?place=bench").text
        forms = [{"place": "bench", "origin": origin(page), "title": f"{turn}-{hand}"}
                 for hand in range(2)]  # fmt: skip
        answers = all_at_once([
            lambda form=form: client.post("/edit/table", data=form, follow_redirects=False)  # type: ignore[misc]
            for form in forms
        ], 2)  # fmt: skip
        saved = [
            form["title"]
            for form, one in zip(forms, answers, strict=True)
            if one.status_code == 303
        ]  # type: ignore[attr-defined]
        assert saved == [load_bench(folder).title]
        assert sorted(one.status_code for one in answers) == [303, 409]  # type: ignore[attr-defined]


def test_edits_of_different_tables_at_once_are_all_kept(client: TestClient, folder: Path) -> None:
    places = [f"instrument.{n}" for n in range(2)] + ["bench"]
    keys = {"bench": "note"}
    pages = {place: client.get(f"/edit/table?place={place}").text for place in places}

    def save(place: str) -> int:
        form = {"place": place, "origin": origin(pages[place]), keys.get(place, "note"): "seen"}
        return client.post("/edit/table", data=form, follow_redirects=False).status_code

    assert all_at_once([lambda p=p: save(p) for p in places]) == [303] * 3  # type: ignore[misc]
    data = tomllib.loads((folder / "bench.toml").read_text())
    assert [one["note"] for one in (*data["instrument"][:2], data["bench"])] == ["seen"] * 3


def test_two_programs_take_turns(folder: Path) -> None:
    code = """
import sys
from pathlib import Path
from glassay.bench.keeping.marks import add_mark, make_mark
for n in range(15):
    mark = make_mark("captures/near.png", "distance", [(1, n), (90, n)], pointing_px=0.5)
    add_mark(Path(sys.argv[1]), mark)
"""
    programs = [subprocess.Popen([sys.executable, "-c", code, str(folder)]) for _ in range(2)]
    for n in range(15):
        add_mark(folder, make_mark(NEAR, "distance", [(1, n), (90, n)], pointing_px=0.5))
    assert [one.wait(300) for one in programs] == [0, 0]
    assert len(read_marks(folder)) == 45


def test_who_holds_the_bench_may_write_and_write_again(tmp_path: Path) -> None:
    with one_writer(tmp_path), one_writer(tmp_path):
        write_atomically(tmp_path / "a", b"1")
    with one_writer(tmp_path):
        write_atomically(tmp_path / "a", b"2")
    assert (tmp_path / "a").read_bytes() == b"2"


def test_a_bench_that_another_program_holds_is_told_of(tmp_path: Path) -> None:
    code = """
import sys, time
from pathlib import Path
from glassay.one_writer import one_writer
with one_writer(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""
    words = [sys.executable, "-c", code, str(tmp_path)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(Unusable, match="another program"), one_writer(tmp_path, wait_s=0.2):
            pass
        with one_writer(tmp_path, "something else", wait_s=0.2):
            pass
        other.kill()  # a program that ends without a word lets go as well
    with one_writer(tmp_path, wait_s=60):
        pass


def test_a_link_in_the_lock_s_place_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench" / ".writing.lock").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(Unusable, match="cannot be written"), one_writer(tmp_path / "bench"):
        pass
    assert not (tmp_path / "elsewhere").exists()


def test_without_locks_of_the_system_threads_still_take_turns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_locks(handle: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr("glassay.one_writer._lock", no_locks)
    inside: list[int] = []

    def work() -> int:
        with one_writer(tmp_path):
            inside.append(1)
            most = len(inside)
            time.sleep(0.01)
            inside.pop()
            return most

    assert all_at_once([work] * 8) == [1] * 8


def test_one_file_written_by_many_at_once_is_whole(tmp_path: Path) -> None:
    texts = [bytes([65 + n]) * 200_000 for n in range(16)]
    all_at_once([lambda t=t: write_atomically(tmp_path / "x", t) for t in texts])  # type: ignore[misc]
    assert (tmp_path / "x").read_bytes() in texts
    assert [path.name for path in tmp_path.iterdir()] == ["x"]


def test_tiles_and_thumbnails_of_a_fresh_bench_are_all_made(client: TestClient) -> None:
    asked = [f"/tile?id={NEAR}&level=9&x={x}&y=0" for x in (0, 0, 0, 0)]
    asked += [f"/tile?id={NEAR}&level=10&x={n % 2}&y=0" for n in range(8)]
    asked += [f"/thumb?id=captures/{name}" for name in ("near.png", "far.png", "dark.png")] * 8

    def fetch(address: str) -> tuple[int, bool]:
        answer = client.get(address)
        try:
            Image.open(io.BytesIO(answer.content)).load()
        except OSError:
            return answer.status_code, False
        return answer.status_code, True

    told = all_at_once([lambda a=a: fetch(a) for a in asked])  # type: ignore[misc]
    assert told == [(200, True)] * len(asked)


def claims(folder: Path) -> list[str]:
    data = tomllib.loads((folder / "bench.toml").read_text())
    return [one["value"] for one in data["instrument"][0]["claim"]]


def add_claims(folder: Path) -> None:
    before = read_document(folder)
    block = "".join(
        f'\n  [[instrument.claim]]\n  kind = "field width"\n  value = "{n} mm"\n  where = "box"\n'
        for n in (3, 4, 5)
    )
    first = before.index("[[instrument.observation]]")
    (folder / "bench.toml").write_text(before[:first] + block + "\n" + before[first:])


def form_of(client: TestClient, place: str) -> dict[str, str]:
    return {"place": place, "origin": origin(client.get(f"/edit/table?place={place}").text)}


def test_a_claim_that_moved_up_is_the_one_that_is_saved(client: TestClient, folder: Path) -> None:
    add_claims(folder)
    before = claims(folder)
    last = len(before) - 1
    opened = form_of(client, f"instrument.0.claim.{last}")
    client.post("/edit/remove", data=form_of(client, f"instrument.0.claim.{last - 2}"))
    assert len(claims(folder)) == last
    answer = client.post("/edit/table", data={**opened, "value": "7 mm"}, follow_redirects=False)
    assert answer.status_code == 303
    assert claims(folder) == [*before[: last - 2], before[last - 1], "7 mm"]


def test_the_third_claim_is_not_overwritten_when_two_were_changed(
    client: TestClient, folder: Path
) -> None:
    add_claims(folder)
    first = len(claims(folder)) - 3
    opened = form_of(client, f"instrument.0.claim.{first + 1}")
    # Meanwhile: the claim that is open gets another value, and the one before it is removed.
    form = form_of(client, f"instrument.0.claim.{first + 1}") | {"value": "8 mm"}
    client.post("/edit/table", data=form)
    client.post("/edit/remove", data=form_of(client, f"instrument.0.claim.{first}"))
    before = claims(folder)
    assert before[first:] == ["8 mm", "5 mm"]
    answer = client.post("/edit/table", data={**opened, "value": "9 mm"})
    assert answer.status_code == 409
    assert "not clear any more which one it is" in answer.text
    assert claims(folder) == before
    again = {"place": "instrument.0.claim.new", "origin": origin(answer.text), "kind": "field width",
             "value": "9 mm", "where": "box"}  # fmt: skip
    client.post("/edit/table", data=again)
    assert claims(folder) == [*before, "9 mm"]


def edited_by_hand(folder: Path, before: str, after: str) -> None:
    """As with a text editor, beside the workbench."""
    text = read_document(folder)
    assert text.count(before) == 1
    (folder / "bench.toml").write_text(text.replace(before, after))


def a_claim(value: str, kind: str = "field width", where: str = "box") -> str:
    return f'  kind = "{kind}"\n  value = "{value}"\n  where = "{where}"\n'


def test_a_claim_changed_by_hand_in_the_file_is_found_where_it_moved_to(
    client: TestClient, folder: Path
) -> None:
    add_claims(folder)
    edited_by_hand(folder, a_claim("5 mm"), a_claim("5 mm", where="manual"))
    last = len(claims(folder)) - 1
    opened = form_of(client, f"instrument.0.claim.{last}")
    # Meanwhile: one before it is gone, the one before that is another, and it has another value.
    head = "\n  [[instrument.claim]]\n"
    edited_by_hand(folder, head + a_claim("3 mm"), "")
    edited_by_hand(folder, a_claim("4 mm"), a_claim("4.4 mm"))
    edited_by_hand(folder, a_claim("5 mm", where="manual"), a_claim("6 mm", where="manual"))
    before = claims(folder)
    answer = client.post("/edit/table", data={**opened, "value": "7 mm"})
    assert answer.status_code == 409
    assert "Value: 5 mm → 6 mm" in answer.text
    assert claims(folder) == before
    client.post("/edit/table", data={**opened, "value": "7 mm", "origin": origin(answer.text),
                                     "place": f"instrument.0.claim.{last - 1}"})  # fmt: skip
    assert claims(folder) == [*before[:-1], "7 mm"]


def test_text_kept_for_a_claim_moves_with_it_and_goes_to_no_other(
    client: TestClient, folder: Path
) -> None:
    def kept_for(index: int) -> str:
        page = client.get(f"/edit/table?place=instrument.0.claim.{index}").text
        return re.search('data-keep="([^"]+)"', page)[1]  # type: ignore[index]

    add_claims(folder)
    last = len(claims(folder)) - 1
    before = kept_for(last)
    client.post("/edit/remove", data=form_of(client, f"instrument.0.claim.{last - 1}"))
    assert kept_for(last - 1) == before
    assert kept_for(last - 2) != before


def test_another_claim_in_the_same_place_is_not_taken_for_the_one_that_was_open(
    client: TestClient, folder: Path
) -> None:
    add_claims(folder)
    last = len(claims(folder)) - 1
    opened = form_of(client, f"instrument.0.claim.{last}")
    edited_by_hand(folder, a_claim("5 mm"), a_claim("300x", "magnification", "listing"))
    before = claims(folder)
    answer = client.post("/edit/table", data={**opened, "value": "7 mm"})
    assert answer.status_code == 409
    assert "not clear any more which one it is" in answer.text
    client.post("/edit/table", data={**opened, "kind": "field width", "where": "box",
        "value": "7 mm", "place": "instrument.0.claim.new", "origin": origin(answer.text)})  # fmt: skip
    assert claims(folder) == [*before, "7 mm"]


def test_of_two_claims_alike_the_one_left_is_not_taken_for_the_one_removed(
    client: TestClient, folder: Path
) -> None:
    add_claims(folder)
    last = len(claims(folder)) - 1
    opened = form_of(client, f"instrument.0.claim.{last - 1}")
    edited_by_hand(folder, "\n  [[instrument.claim]]\n" + a_claim("3 mm"), "")
    edited_by_hand(folder, "\n  [[instrument.claim]]\n" + a_claim("4 mm"), "")
    answer = client.post("/edit/table", data={**opened, "value": "7 mm"})
    assert answer.status_code == 409
    assert "not clear any more which one it is" in answer.text
    assert claims(folder)[-1] == "5 mm"


def test_what_others_wrote_in_other_fields_stays(client: TestClient, folder: Path) -> None:
    opened = form_of(client, "instrument.0") | {"price.list": "99 EUR", "power": "mains"}
    client.post("/edit/table", data=form_of(client, "instrument.0") | {"price.list": "111 EUR"})
    answer = client.post("/edit/table", data=opened)
    assert answer.status_code == 409
    shown = re.search(r'name="price.list" value="([^"]*)"', answer.text)
    assert shown is not None
    assert shown[1] == "111 EUR"
    assert 'value="mains"' in answer.text


def test_what_grew_meanwhile_is_not_removed(client: TestClient, folder: Path) -> None:
    opened = form_of(client, "instrument.1")
    new = form_of(client, "instrument.1.claim.new")
    client.post("/edit/table", data={**new, "kind": "field width", "value": "3 mm", "where": "box"})
    assert "nothing is removed" in client.post("/edit/remove", data=opened).text
    assert len(load_bench(folder).instruments) == 2


def test_undo_takes_back_what_was_offered_and_nothing_else(
    client: TestClient, another: TestClient, folder: Path
) -> None:
    client.post("/edit/table", data=form_of(client, "bench") | {"title": "One"})
    offered = re.search(r'name="change" value="(\w+)"', client.get("/edit").text)[1]  # type: ignore[index]
    another.post("/edit/table", data=form_of(another, "bench") | {"title": "Two"})
    answer = client.post("/edit/undo", data={"change": offered})
    assert answer.status_code == 400
    assert "another one by now" in answer.text
    assert load_bench(folder).title == "Two"


def test_messages_go_to_the_browser_that_acted(client: TestClient, another: TestClient) -> None:
    form = form_of(client, "bench") | {"title": "One"}
    client.post("/edit/table", data=form, follow_redirects=False)
    assert "Saved." not in another.get("/edit").text
    assert "Saved." in client.get("/edit").text
    assert "Saved." not in client.get("/edit").text


def test_marks_that_cannot_be_read_do_not_hide_the_photo(client: TestClient, folder: Path) -> None:
    (folder / "marks.toml").write_text(
        f'[[mark]]\nid = "a"\ncapture = "{NEAR}"\nkind = "distance"\n'
        "points = [[1.0, 2.0], [30.0, 40.0]]\npointing_px = 0.0\n"
    )
    page = client.get(f"/capture?id={NEAR}").text
    assert "file cannot be shown" not in page
    assert 'id="viewer"' in page
    assert "must be at least" in page


def test_history_keeps_the_state_before_each_change(folder: Path) -> None:
    before = read_document(folder)
    after = set_values(before, ("bench",), {"title": "x"})
    write_text(folder, before, after)
    History(folder).remember(before, after, "title")
    change = History(folder).last()
    assert change is not None
    assert change.before == before


def test_a_second_workbench_on_the_same_bench_sees_the_first_ones_edit(folder: Path) -> None:
    with client_of(folder) as one, client_of(folder) as two:
        opened = form_of(two, "bench")
        one.post("/edit/table", data=form_of(one, "bench") | {"title": "One"})
        answer = two.post("/edit/table", data={**opened, "title": "Two"})
        assert answer.status_code == 409
    assert load_bench(folder).title == "One"
    assert TOKEN not in (folder / "bench.toml").read_text()
