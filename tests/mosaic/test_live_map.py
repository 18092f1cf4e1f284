"""The map that grows while a stage is moved by hand, against the truth of the virtual bench."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from studies.live_mosaic import Kind, judged, run, stage_of

from glassay.mosaic.live import GrowingMap, Place, Told
from glassay.mosaic.live import growing as growing_of_live
from glassay.mosaic.live.found import FoundAgain
from glassay.mosaic.live.track import Track
from glassay.simulate import Camera, Die, Drawn, Optics
from glassay.simulate.stage import Exposed, MovedStage, Rest

SIZE = (384, 216)


@lru_cache(maxsize=1)
def die_stage() -> MovedStage:
    camera = Camera(*SIZE, colour="grey", read_noise_e=8, jpeg_quality=92)
    die = Die(900, 500, seed=11, feature_um=2.4, pad_um=40, heron_um=60)
    return MovedStage(die, (-470, -270, 470, 270), 1.0, camera, Optics(na=0.3))


def decoded(data: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)


def look(growing: GrowingMap, stage: MovedStage, path: Sequence[Rest], at_s: float,
         how: Exposed | None = None) -> Told:  # fmt: skip
    return growing.look(decoded(stage.frame(path, int(10 * at_s), how)), at_s)


def rest(growing: GrowingMap, stage: MovedStage, where: Rest, begin_s: float, frames: int = 6,
         how: Exposed | None = None, every_s: float = 0.1) -> list[Told]:  # fmt: skip
    return [look(growing, stage, [where], begin_s + n * every_s, how) for n in range(frames)]


def test_a_hand_over_a_first_views_of_a_die_finds_them_all_and_misplaces_none() -> None:
    kind = Kind("small", SIZE, (4, 3), 5, pixel_um=1.0, rest_s=0.5, visited=7)
    found = judged(run(kind, stage_of(kind)), kind)
    assert found.misplaced == 0
    assert found.found >= found.views - 1
    assert found.worst_px < 3


def test_a_view_at_rest_becomes_a_tile_once() -> None:
    told = rest(GrowingMap(), die_stage(), Rest(300, 200), 0.0, 12)
    assert [one.kept for one in told if one.kept is not None] == [1]
    assert told[-1].state == "seen"
    assert told[-1].place is not None
    assert np.hypot(told[-1].place.x, told[-1].place.y) < 0.5


def test_what_moves_is_placed_but_not_taken() -> None:
    growing, stage = GrowingMap(), die_stage()
    rest(growing, stage, Rest(300, 200), 0.0)
    told = [look(growing, stage, [Rest(300 + 20 * n, 200), Rest(305 + 20 * n, 200)], 1 + n / 10)
            for n in range(1, 8)]  # fmt: skip
    assert all(one.kept is None for one in told)
    placed = [one.place.x for one in told if one.place is not None]
    assert placed[-1] == pytest.approx(142.5, abs=1.5)


def counted_judgements(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Filled with one entry for every frame that is held against the map."""
    seen: list[int] = []
    real = growing_of_live.judge
    monkeypatch.setattr(
        growing_of_live, "judge", lambda *args, **more: seen.append(1) or real(*args, **more)
    )
    return seen


def test_at_rest_where_nothing_is_new_one_frame_in_four_is_held_against_the_map(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    growing, stage, where = GrowingMap(), die_stage(), Rest(300, 200)
    rest(growing, stage, where, 0.0, 8)
    judged_frames = counted_judgements(monkeypatch)
    told = rest(growing, stage, where, 0.8, 16)
    assert len(judged_frames) == 4
    assert all(one.state == "seen" and one.place is not None for one in told)


def test_a_frame_that_the_movement_does_not_explain_is_held_against_the_map_at_once() -> None:
    growing, stage = GrowingMap(), die_stage()
    rest(growing, stage, Rest(300, 200), 0.0, 8)
    assert look(growing, stage, [Rest(300, 200)], 0.8).place is not None
    noise = np.random.default_rng(3).integers(0, 255, SIZE[::-1]).astype(np.uint8)
    other = cv2.GaussianBlur(noise, (0, 0), 2)
    assert growing.look(np.asarray(other, np.uint8), 0.9).place is None


def test_what_moves_is_held_against_the_map_every_other_frame(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    growing, stage = GrowingMap(), die_stage()
    rest(growing, stage, Rest(300, 200), 0.0, 8)
    judged_frames = counted_judgements(monkeypatch)
    told = [
        look(growing, stage, [Rest(300 + 16 * n, 200), Rest(303 + 16 * n, 200)], 0.8 + n / 10)
        for n in range(1, 9)
    ]
    assert 4 <= len(judged_frames) <= 5
    for n, one in enumerate(told, 1):
        assert one.place is not None
        assert one.place.x == pytest.approx(16 * n + 1.5, abs=2.5)


def cells(period: float, edge: float) -> Drawn:
    """A pattern with the same period to both sides, which ends at x = `edge`."""

    def paint(x: npt.NDArray[np.floating], y: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
        wave = np.cos(2 * np.pi * x / period) * np.cos(2 * np.pi * y / period)
        corner = 0.3 * np.sin(0.0021 * x * y + 0.13 * y) * np.sin(0.11 * x)
        return np.where(x > edge, 0.4 + 0.25 * wave, 0.4 + corner)

    return Drawn(paint)


def test_within_a_pattern_that_repeats_it_waits_for_what_occurs_once() -> None:
    camera = Camera(*SIZE, colour="grey", read_noise_e=8, jpeg_quality=92)
    stage = MovedStage(cells(16.0, 0.0), (-500, -200, 700, 200), 1.0, camera, Optics(na=0.3))
    growing = GrowingMap()
    # the first view shows where the pattern ends, at its left border
    rest(growing, stage, Rest(560, 200), 0.0)
    within = [look(growing, stage, [Rest(560 + 60 * n, 200)], 1 + n / 10) for n in range(1, 6)]
    # from here on only the pattern is seen: any multiple of its period fits
    lost = rest(growing, stage, Rest(880, 200), 2.0, 8)
    assert all(one.place is None for one in lost)
    assert lost[-1].state in ("several", "held")
    assert all(one.kept is None or one.place is None for one in within[3:])
    rest(growing, stage, Rest(700, 200), 3.0, 2)
    back = rest(growing, stage, Rest(590, 200), 3.4, 6)
    assert back[-1].place is not None
    assert back[-1].place.x == pytest.approx(30, abs=1)


def test_lines_that_all_run_one_way_tell_no_place_along_them() -> None:
    rng = np.random.default_rng(4)
    levels = rng.uniform(0.2, 0.8, 400)
    lines = Drawn(lambda x, y: levels[np.clip((y + 400) / 6, 0, 399).astype(int)] + 0 * x)
    camera = Camera(*SIZE, colour="grey", read_noise_e=8, jpeg_quality=92)
    stage = MovedStage(lines, (-400, -200, 400, 200), 1.0, camera, Optics(na=0.3))
    growing = GrowingMap()
    rest(growing, stage, Rest(300, 200), 0.0)
    told = rest(growing, stage, Rest(340, 205), 1.0)
    assert [one.place for one in told] == [None] * len(told)


def test_a_soft_view_is_taken_only_after_a_rest_and_marked_until_it_is_seen_sharp() -> None:
    growing, stage, soft = GrowingMap(), die_stage(), Exposed(blur_px=2.0)
    rest(growing, stage, Rest(300, 200), 0.0)
    told = rest(growing, stage, Rest(440, 200), 1.0, 6, soft)
    assert {one.state for one in told[4:]} == {"soft"}
    told = rest(growing, stage, Rest(440, 200), 1.8, 6, soft, 0.6)
    assert "taken" in [one.state for one in told]
    assert [growing.tiles[n].soft for n in sorted(growing.tiles)] == [False, True]
    # what was soft counts as not seen yet: sharp, it is taken again
    told = rest(growing, stage, Rest(445, 200), 6.0, 5)
    assert "taken" in [one.state for one in told]
    assert [growing.tiles[n].soft for n in sorted(growing.tiles)] == [False, True, False]


def test_frames_of_another_size_are_refused() -> None:
    growing = GrowingMap()
    rest(growing, die_stage(), Rest(300, 200), 0.0)
    with pytest.raises(ValueError, match="one size"):
        growing.look(np.zeros((216, 300), np.uint8), 2.0)


def test_a_map_that_is_gone_on_with_needs_two_views_to_find_its_place() -> None:
    before, stage = GrowingMap(), die_stage()
    rest(before, stage, Rest(300, 200), 0.0)
    rest(before, stage, Rest(480, 200), 1.0)
    assert sorted(before.places()) == [1, 2]
    after = GrowingMap()
    for number, x in ((1, 300), (2, 480)):
        after.add(number, decoded(stage.frame([Rest(x, 200)], 3)), before.places()[number])
    after.ready()
    told = rest(after, stage, Rest(400, 205), 0.0)
    assert {one.state for one in told[2:]} == {"again"}
    told = rest(after, stage, Rest(460, 202), 1.0)
    assert told[-1].place is not None
    assert (told[-1].place.x, told[-1].place.y) == pytest.approx((160, 2), abs=1)


def test_a_tile_that_is_taken_back_is_missing_again() -> None:
    growing, stage = GrowingMap(), die_stage()
    rest(growing, stage, Rest(300, 200), 0.0)
    rest(growing, stage, Rest(480, 200), 1.0)
    growing.take_back(2)
    assert sorted(growing.places()) == [1]
    again = rest(growing, stage, Rest(480, 200), 2.0)
    assert [one.kept for one in again if one.kept] == [2]


def test_the_next_view_lies_where_the_chip_goes_on() -> None:
    growing, stage = GrowingMap(), die_stage()
    # the top left corner of the die: it goes on to the right and down
    told = rest(growing, stage, Rest(230, 145), 0.0, 8)[-1]
    assert told.step is not None
    assert max(told.step) > 0.3
    assert min(told.step) > -0.3


def test_two_finds_that_the_movement_between_them_denies_are_no_place() -> None:
    view = (384, 216)
    track = Track()
    found = FoundAgain(track)
    assert not found.agree(Place(0.0, 0.0), 0.9, None, view, 46)
    track.moved = (90.0, 0.0)
    led_to = found.led_to(15)
    assert led_to is not None
    assert led_to.x == 90
    # a step of a pattern away from where the movement led: begun anew from there
    assert not found.agree(Place(190.0, 0.0), 0.9, led_to, view, 46)
    track.moved = (60.0, 0.0)
    assert not found.agree(
        Place(250.0, 0.0), 0.4, found.led_to(15), view, 46
    )  # too little in common
    assert found.agree(Place(250.0, 0.0), 0.9, found.led_to(15), view, 46)


def test_what_was_followed_for_too_long_leads_nowhere() -> None:
    found = FoundAgain(Track())
    found.agree(Place(0.0, 0.0), 0.9, None, (384, 216), 46)
    for _ in range(15):
        found.count_frame()
    assert found.led_to(15) is not None
    found.count_frame()
    assert found.led_to(15) is None


def test_a_track_that_is_lost_stays_lost_until_two_views_are_found() -> None:
    growing, stage = GrowingMap(), die_stage()
    rest(growing, stage, Rest(300, 200), 0.0)
    # nothing to follow, for longer than the track is kept
    plain = np.full((SIZE[1], SIZE[0]), 90, np.uint8)
    for n in range(45):
        noise = np.random.default_rng(n).integers(0, 40, plain.shape, np.uint8)
        assert growing.look(plain + noise, 1 + n / 10).place is None
    told = rest(growing, stage, Rest(310, 205), 6.0)
    assert {one.state for one in told[3:]} == {"again"}  # one view is not enough, however often
    told = rest(growing, stage, Rest(375, 207), 7.0)
    assert told[-1].place is not None
    assert (told[-1].place.x, told[-1].place.y) == pytest.approx((75, 7), abs=1)
