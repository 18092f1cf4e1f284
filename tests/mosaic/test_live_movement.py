"""The movement from frame to frame: told where one stands alone, and never by a step of a pattern."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from studies.live_track import WRONG_PX, frames, tracked

from glassay.mosaic.live.found import FoundAgain
from glassay.mosaic.live.movement import Movement, Seen, movement
from glassay.mosaic.live.picture import Place, View
from glassay.mosaic.live.track import Track

SIZE = (384, 216)
Floats = npt.NDArray[np.float32]


def sheet(seed: int) -> Floats:
    """Detail of which no two places are alike, larger than a frame."""
    rng = np.random.default_rng(seed)
    smooth = cv2.GaussianBlur(rng.normal(0, 1, (500, 900)).astype(np.float32), (0, 0), 2.5)
    return np.asarray(smooth / smooth.std(), np.float32)


def cells(period: float) -> Floats:
    y, x = np.mgrid[:500, :900].astype(np.float32)
    found = np.cos(2 * np.pi * x / period) + np.cos(2 * np.pi * y / period)
    return np.asarray(found, np.float32)


def frame(of: Floats, x: int, y: int, noise: float = 0.1, seed: int = 0) -> Floats:
    rng = np.random.default_rng([x, y, seed])
    cut = of[y : y + SIZE[1], x : x + SIZE[0]]
    return np.asarray(cut + rng.normal(0, noise, cut.shape), np.float32)


def view(detail: Floats) -> View:
    return View(detail, np.zeros((9, 16), np.float32), 1.0)


def between(a: Floats, b: Floats) -> Movement:
    return movement(Seen(view(a)), Seen(view(b)))


@pytest.mark.parametrize("step", [(0, 0), (3, -2), (90, 40), (-250, 20), (30, -130)])
def test_a_movement_is_told_over_most_of_a_view(step: tuple[int, int]) -> None:
    found = between(frame(sheet(1), 300, 150), frame(sheet(1), 300 + step[0], 150 + step[1]))
    assert found.stands_alone()
    # the picture moves against the view
    assert (found.x, found.y) == pytest.approx((-step[0], -step[1]), abs=0.15)


@pytest.mark.parametrize("period", [5.0, 8.0, 24.0, 70.0])
def test_in_cells_that_repeat_no_movement_stands_alone(period: float) -> None:
    assert not between(
        frame(cells(period), 300, 150), frame(cells(period), 341, 150)
    ).stands_alone()


def test_along_lines_no_movement_stands_alone() -> None:
    x = np.arange(900, dtype=np.float32)
    lines = np.asarray(np.broadcast_to(sheet(2)[100], (500, len(x))), np.float32)
    assert not between(frame(lines, 300, 150), frame(lines, 320, 150)).stands_alone()


def test_frames_of_different_things_moved_nowhere() -> None:
    assert not between(frame(sheet(3), 300, 150), frame(sheet(4), 300, 150)).stands_alone()


def test_cells_with_something_that_occurs_once_are_followed_to_the_right_cell() -> None:
    once = np.zeros((500, 900), np.float32)
    once[200:300, 380:560] = 3 * sheet(5)[200:300, 380:560]
    both = np.where(once != 0, once, 0.5 * cells(24))
    found = between(frame(both, 300, 150), frame(both, 360, 150))  # two and a half cells
    assert found.stands_alone()
    assert found.x == pytest.approx(-60, abs=0.3)


def see(track: Track, detail: Floats, at_s: float) -> bool:
    return track.see(view(detail), at_s)


def at_rest(track: Track, of: Floats, x: int, y: int, begin_s: float) -> None:
    for n in range(4):
        steady = see(track, frame(of, x, y, seed=n), begin_s + n / 10)
    assert steady


def test_a_step_that_is_in_doubt_is_made_good_from_rest_to_rest() -> None:
    track, of = Track(), sheet(6)
    at_rest(track, of, 200, 150, 0.0)
    track.begin_anew(Place(0.0, 0.0))
    see(track, frame(of, 240, 150, noise=12), 0.5)  # as good as nothing is seen
    assert not track.is_followed
    at_rest(track, of, 300, 155, 0.6)
    assert track.is_followed
    assert track.moved == pytest.approx((100, 5), abs=0.2)


def test_within_cells_a_step_in_doubt_stays_in_doubt() -> None:
    track, of = Track(), cells(24)
    at_rest(track, of, 200, 150, 0.0)  # that it rests is seen all the same
    track.begin_anew(Place(0.0, 0.0))
    at_rest(track, of, 235, 150, 0.5)
    assert not track.is_followed


def test_a_sure_place_while_moving_keeps_the_frame_at_rest() -> None:
    track, of = Track(), sheet(7)
    at_rest(track, of, 200, 150, 0.0)
    track.begin_anew(Place(10.0, 0.0))
    see(track, frame(of, 230, 150), 0.5)
    track.begin_anew(Place(40.0, 0.0))
    see(track, frame(of, 260, 150, noise=12), 0.6)
    assert not track.is_followed
    see(track, frame(of, 290, 150), 0.7)
    assert track.is_followed
    assert track.led_to(Place(40.0, 0.0)).x == pytest.approx(100, abs=0.2)


def test_two_finds_without_a_followed_movement_between_them_are_no_place() -> None:
    track = Track()
    found = FoundAgain(track)
    assert not found.agree(Place(0.0, 0.0), 0.9, None, SIZE, 46)
    track.moved, track.is_followed = (90.0, 0.0), False
    assert found.led_to(15) is None
    assert not found.agree(Place(90.0, 0.0), 0.9, found.led_to(15), SIZE, 46)
    # the second one is what the next is held against
    track.moved = (70.0, 0.0)
    assert found.agree(Place(160.0, 0.0), 0.9, found.led_to(15), SIZE, 46)


def test_under_a_hand_over_a_memory_what_counts_as_followed_is_right() -> None:
    found = list(tracked(frames(31, memory=True)))
    off = [off for _, followed, off in found if followed]
    assert len(off) > 0.5 * len(found)
    assert max(off) <= WRONG_PX
    assert max(off for _, _, off in found) > WRONG_PX  # the likeliest alone would not do
