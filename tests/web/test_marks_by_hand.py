"""Measurements by hand carry the uncertainty of pointing and of the pixel size."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from glassay.bench.keeping.marks import (
    PIXEL_U_PX,
    Lens,
    add_mark,
    change_mark,
    make_mark,
    read_marks,
    remove_mark,
    work_out,
)
from glassay.distortion import USUAL_DISTORTION, Frame
from glassay.errors import NotMeasurable, Unusable
from glassay.quantity import Quantity
from glassay.web.templating import link

PIXEL = Quantity.of(2.0, 0.01, "um/px", "slide")


def mark(
    kind: str, *points: tuple[float, float], count: int = 1, pointing: float = 0.5
) -> Quantity:
    made = make_mark("a", kind, points, pointing_px=pointing, count=count)
    return work_out(made, PIXEL)


def test_a_distance_is_that_of_pythagoras() -> None:
    found = mark("distance", (10, 10), (40, 50))
    assert found.value == pytest.approx(100)
    assert found.unit == "um"
    # JCGM 100:2008, 5.1.2: both ends point along the line, and the pixel size scales the whole.
    point = math.hypot(0.5, PIXEL_U_PX)
    assert found.u == pytest.approx(math.hypot(2 * math.sqrt(2) * point, 50 * 0.01))


def test_a_pitch_gains_from_the_number_of_periods() -> None:
    one, ten = mark("pitch", (0, 0), (50, 0)), mark("pitch", (0, 0), (500, 0), count=10)
    assert ten.value == pytest.approx(one.value)
    pointing = [sum(p.u**2 for p in q.contributions if p.source == "pointing") for q in (one, ten)]
    assert pointing[1] == pytest.approx(pointing[0] / 100)


def test_an_area_is_that_of_the_polygon() -> None:
    assert mark("area", (0, 0), (30, 0), (30, 20), (0, 20)).value == pytest.approx(600 * 4)
    assert mark("area", (0, 20), (30, 20), (30, 0), (0, 0)).unit == "um2"


def test_an_angle_needs_no_pixel_size() -> None:
    made = make_mark("a", "angle", [(100, 0), (0, 0), (0, 100)], pointing_px=0.5)
    found = work_out(made, None)
    assert found.value == pytest.approx(90)
    # Each arm turns by sqrt(2) u / 100 rad, and the corner's own pointing turns both.
    u = math.hypot(0.5, PIXEL_U_PX) / 100
    assert math.radians(found.u) == pytest.approx(math.sqrt(4) * u, rel=0.01)


def test_without_a_scale_lengths_stay_in_px() -> None:
    made = make_mark("a", "distance", [(0, 0), (3, 4)], pointing_px=0.3)
    assert (work_out(made, None).value, work_out(made, None).unit) == (5, "px")


def test_each_point_carries_the_zoom_at_which_it_was_set() -> None:
    # JCGM 100:2008, 5.1.2: the ends of a distance count alike, each with its own pointing.
    made = make_mark("a", "distance", [(0, 0), (1000, 0)], pointing_px=[6.0, 0.1])
    far, near = (math.hypot(u, PIXEL_U_PX) for u in (6.0, 0.1))
    assert work_out(made, None).u == pytest.approx(math.hypot(far, near))


def test_a_known_distortion_is_taken_out_of_a_length_by_hand() -> None:
    # A length of 1400 px across the middle of a photo of 1600 x 1200 whose lens shows barrel of -4 %.
    frame = Frame.of((1200, 1600))
    true = [(100.0, 599.5), (1500.0, 599.5)]
    seen = frame.distorted(true, -0.04)
    made = make_mark("a", "distance", seen.tolist(), pointing_px=0.3)
    found = work_out(made, None, Lens(frame, -0.04, 0.002, measured=True))
    assert found.value == pytest.approx(1400, abs=1e-3)
    assert work_out(made, None).value < 1400 - 10 * found.u


def test_a_distortion_that_nobody_measured_is_held_in_the_uncertainty() -> None:
    frame = Frame.of((1200, 1600))
    seen = frame.distorted([(100.0, 599.5), (1500.0, 599.5)], -USUAL_DISTORTION)
    made = make_mark("a", "distance", seen.tolist(), pointing_px=0.3)
    found = work_out(made, None, Lens(frame, 0.0, USUAL_DISTORTION, measured=False))
    assert abs(found.value - 1400) < 1.2 * found.u
    assert work_out(made, None).u < abs(found.value - 1400) / 2


def test_pointing_finer_than_the_file_keeps_is_refused() -> None:
    with pytest.raises(Unusable, match="at least"):
        make_mark("a", "distance", [(0, 0), (9, 0)], pointing_px=0.00001)


def test_points_that_cannot_be_told_apart_are_refused() -> None:
    with pytest.raises(NotMeasurable, match="too close"):
        mark("distance", (1, 1), (1.5, 1))


@pytest.mark.parametrize(("kind", "points", "said"), [
    ("distance", [(0, 0)], "takes 2 points"), ("area", [(0, 0), (1, 1)], "3 to 200 points"),
    ("length", [(0, 0), (1, 1)], "not measured by hand"),
    ("distance", [(0, 0), (math.nan, 1)], "finite"),
])  # fmt: skip
def test_what_makes_no_sense_is_told(kind: str, points: list[tuple[float, float]],
                                     said: str) -> None:  # fmt: skip
    with pytest.raises(Unusable, match=said):
        make_mark("a", kind, points, pointing_px=0.5)


def test_a_mark_is_kept_with_its_capture_shown_and_removed(
    client: TestClient, folder: Path
) -> None:
    form = {"id": "captures/near.png", "kind": "distance", "points": "100,240 180,240",
            "pointing": "0.4", "note": "ten divisions"}  # fmt: skip
    page = client.post("/capture/mark", data=form).text
    # The slide is drawn with 1.25 um/px: 80 px are 100 um.
    assert "100.0" in page
    assert "ten divisions" in page
    assert "pointing" in page
    kept = read_marks(folder)
    assert kept[0].points == ((100, 240), (180, 240))
    assert client.get("/api/marks").json()[0]["capture"] == "captures/near.png"
    client.post("/capture/unmark", data={"id": "captures/near.png", "mark": kept[0].id})
    assert read_marks(folder) == ()


def test_a_mark_follows_when_the_last_one_was_removed(folder: Path) -> None:
    for start in ("", "mark = []\n", "# mine\n"):
        (folder / "marks.toml").write_text(start)
        for _ in range(2):
            made = make_mark("a", "distance", [(0, 0), (30, 40)], pointing_px=0.5, note='x\n="')
            add_mark(folder, made)
            assert read_marks(folder) == (made,)
            remove_mark(folder, made.id)
            assert read_marks(folder) == ()
        assert (folder / "marks.toml").read_text().startswith("# mine" if "mine" in start else "")


def test_a_mark_is_changed_in_its_place(folder: Path) -> None:
    made = [make_mark("a", "distance", [(0, n), (90, n)], pointing_px=0.5) for n in range(3)]
    for one in made:
        add_mark(folder, one)
    path = folder / "marks.toml"
    path.write_text(path.read_text().replace("[[mark]]", "[[mark]] # by me", 1))
    moved = make_mark("a", "distance", [(0, 1), (50, 1)], pointing_px=[0.5, 2], mark_id=made[1].id)
    change_mark(folder, moved)
    assert read_marks(folder) == (made[0], moved, made[2])
    assert "# by me" in path.read_text()
    with pytest.raises(Unusable, match="any more"):
        change_mark(folder, make_mark("a", "distance", [(0, 1), (50, 1)], pointing_px=1))
    with pytest.raises(Unusable, match="already"):
        add_mark(folder, made[0])


@pytest.mark.parametrize(("kind", "points"), [
    ("distance", [(5, 5), (5, 5)]), ("pitch", [(5, 5), (5.4, 5)]),
    ("angle", [(5, 5), (5, 5), (50, 5)]), ("area", [(0, 0), (50, 0), (100, 0)]),
    ("area", [(5, 5), (5, 5), (5, 5)]),
])  # fmt: skip
def test_a_double_click_is_no_measurement(
    client: TestClient, folder: Path, kind: str, points: list[tuple[float, float]]
) -> None:
    said = " ".join(f"{x},{y}" for x, y in points)
    form = {"id": "captures/near.png", "kind": kind, "points": said, "pointing": "0.5"}
    assert client.post("/capture/mark", data=form).status_code == 400
    assert read_marks(folder) == ()


def test_values_go_along_in_exports_and_for_scripts(client: TestClient, folder: Path) -> None:
    form = {"id": "captures/near.png", "kind": "distance", "points": "100,240 180,240",
            "pointing": "0.4", "note": "=ten"}  # fmt: skip
    client.post("/capture/mark", data=form)
    add_mark(folder, make_mark("gone.png", "distance", [(0, 0), (9, 9)], pointing_px=0.5))
    known, gone = client.get("/api/marks").json()
    assert known["value"] == pytest.approx(100, rel=0.01)
    assert known["unit"] == "um"
    assert 0 < known["U"] < 5
    assert (gone["value"], gone["why"]) == (None, "its capture is gone")
    first = next(csv.DictReader(io.StringIO(client.get("/marks.csv").text)))
    assert float(first["value"]) == pytest.approx(known["value"])
    assert float(first["U"]) == pytest.approx(known["U"], rel=1e-3)
    assert first["note"] == "'=ten"


def test_what_a_person_points_at_is_worked_out_and_not_kept(
    client: TestClient, folder: Path
) -> None:
    asked = {"id": "captures/near.png", "kind": "distance", "points": "100,240 180,240",
             "pointing": "0.4 0.4"}  # fmt: skip
    assert client.get("/capture/work-out", params=asked).json()["words"].startswith("100")
    near = asked | {"points": "100,240 100,240"}
    assert client.get("/capture/work-out", params=near).json() == {"words": ""}
    assert read_marks(folder) == ()


@pytest.mark.parametrize("points", ["0,0 5000,0", "100,-30 100,20", "100,20 100,9000"])
def test_points_beyond_the_photo_are_refused(client: TestClient, folder: Path, points: str) -> None:
    asked = {"id": "captures/near.png", "kind": "distance", "points": points, "pointing": "0.4"}
    for answer in (
        client.get("/capture/work-out", params=asked), client.post("/capture/mark", data=asked),
    ):  # fmt: skip
        assert answer.status_code == 400
        assert "lies beyond the photo of" in answer.text
    assert read_marks(folder) == ()


@pytest.mark.parametrize("wrong", [{"points": "here"}, {"pointing": "much"}, {"count": "some"}])
def test_from_a_wrong_entry_the_way_back_leads_to_the_capture(
    client: TestClient, wrong: dict[str, str]
) -> None:
    form = {"id": "captures/near.png", "kind": "pitch", "points": "9,1 90,1", "pointing": "0.4"}
    here = link("/capture", id="captures/near.png")
    told = {"referer": f"{str(client.base_url).rstrip('/')}{here}", "accept": "text/html"}
    answer = client.post("/capture/mark", data=form | wrong, headers=told)
    assert answer.status_code in (400, 422)
    assert f'<a href="{here}">Back to where you were</a>' in answer.text


@pytest.mark.parametrize(
    "told",
    [
        "http://elsewhere.example/capture?id=a", "https://127.0.0.1:1/capture", "//capture",
        "http://[", "",
    ],
)  # fmt: skip
def test_the_way_back_never_leads_to_another_site(client: TestClient, told: str) -> None:
    answer = client.get("/capture", params={"id": "none"}, headers={"referer": told})
    assert 400 <= answer.status_code < 500
    assert "Back to where" not in answer.text
    own = f"{str(client.base_url).rstrip('/')}//elsewhere.example/"
    answer = client.get("/capture", params={"id": "none"}, headers={"referer": own})
    assert '<a href="/elsewhere.example/">' in answer.text


def test_marks_survive_the_results(client: TestClient, folder: Path) -> None:
    import shutil

    form = {"id": "captures/near.png", "kind": "angle", "points": "9,1 1,1 1,9", "pointing": "0.4"}
    client.post("/capture/mark", data=form)
    shutil.rmtree(folder / "results")
    assert len(read_marks(folder)) == 1


def test_a_damaged_file_of_marks_is_told_and_not_written_over(
    client: TestClient, folder: Path
) -> None:
    (folder / "marks.toml").write_text("[[mark]]\nid = 1\n")
    form = {"id": "captures/near.png", "kind": "angle", "points": "9,1 1,1 1,9", "pointing": "0.4"}
    assert client.post("/capture/mark", data=form).status_code == 400
    assert (folder / "marks.toml").read_text() == "[[mark]]\nid = 1\n"
