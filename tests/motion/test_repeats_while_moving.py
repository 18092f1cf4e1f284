"""Frames count as repeated only while the scene moves: series of differences and steps made by hand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from glassay.motion.cadence import Comparison, Repeats, find_repeats
from glassay.motion.intervals import delivered_rate

Series = npt.NDArray[np.float64]
RNG = np.random.default_rng(5)


def told(difference: Series, step_px: Series, *, alone: bool = False) -> Repeats:
    keys = np.full(difference.size, alone)
    return find_repeats(Comparison(difference, step_px, keys))


def exposures(count: int, step_px: float = 1.0) -> tuple[Series, Series]:
    return 9 * step_px + RNG.normal(0, 0.3, count), step_px + RNG.normal(0, 0.03, count)


def copies(count: int) -> tuple[Series, Series]:
    return np.abs(RNG.normal(0.1, 0.04, count)), np.abs(RNG.normal(0, 0.004, count))


@pytest.mark.parametrize("still_first", [False, True])
def test_a_scene_that_stops_accuses_nobody(still_first: bool) -> None:
    parts = [exposures(45), copies(44)]
    if still_first:
        parts.reverse()
    found = told(*(np.concatenate(series) for series in zip(*parts, strict=True)))
    assert not found.flags.any()
    assert found.still_frames == 44
    rate = delivered_rate(found, 90, 3.0, 0.0)
    assert abs(rate.value - 30) <= max(rate.expanded, 1e-9)


def test_the_rhythm_of_a_slow_sensor_is_told_though_the_scene_stops_in_the_middle() -> None:
    kinds = ([True, False] * 15, [False] * 30, [True, False] * 15)  # every second frame is new
    difference, step = (np.zeros(90), np.zeros(90))
    new = np.concatenate([np.array(kind) for kind in kinds])
    difference[new], step[new] = exposures(int(new.sum()))
    difference[~new], step[~new] = copies(int((~new).sum()))
    rate = delivered_rate(told(difference, step), 91, 91 / 30, 0.0)
    assert abs(rate.value - 15) <= rate.expanded
    assert rate.u < 1


def test_a_camera_that_stalls_is_told_by_the_way_that_the_scene_makes_up() -> None:
    difference, step = exposures(60)
    difference[20:32], step[20:32] = copies(12)
    step[32], difference[32] = 13.0, 40.0
    found = told(difference, step)
    assert found.flags[20:32].all()
    assert found.flags.sum() == 12


def test_slow_exposures_of_a_fast_scene_are_no_copies() -> None:
    speed = 5 * np.abs(np.cos(np.linspace(0, 9, 30))) + 0.4
    difference, step = np.zeros(90), np.zeros(90)
    difference[::3], step[::3] = 9 * speed, speed
    for start in (1, 2):
        difference[start::3], step[start::3] = copies(30)
    assert told(difference, step).flags.sum() == 60


def test_copies_whose_quality_was_steered_are_told_by_standing_still() -> None:
    difference, step = exposures(90)
    difference[1::2], step[1::2] = RNG.uniform(2.5, 4, 45), np.zeros(45)
    found = told(difference, step, alone=True)
    assert found.flags[1::2].all()
    assert not found.flags[::2].any()


def test_copies_beside_slow_motion_may_be_new_exposures_that_hardly_moved() -> None:
    """Of a hand that hardly moves, frames are coded as copies that are none: the count holds that."""
    rng = np.random.default_rng(8)
    steps = rng.normal(0, 0.25, (90, 2))  # px, in both directions
    step = np.hypot(*steps.T)
    new = step >= 0.15
    difference = np.where(new, 1.5 + 5 * step, np.abs(rng.normal(0.2, 0.1, 90)))
    found = told(difference, np.where(new, step, 0.005))
    hidden = int((~new).sum())
    assert int(found.flags.sum()) == hidden > 5  # all look like copies, and none is one
    assert found.doubtful > hidden / 2
    rate = delivered_rate(found, 91, 91 / 30, 0.0)
    assert abs(rate.value - 30) < 1.5 * rate.expanded
    # beside quick motion there are none
    quick = np.where(new, step + 2.0, 0.005)
    assert told(np.where(new, 5 * quick, difference), quick).doubtful == 0
    # and where every frame is coded alone, noise tells
    exact = np.where(new, difference, 0.0)
    assert told(exact, np.where(new, step, 0.005), alone=True).doubtful == 0


def test_one_frame_that_hardly_moved_is_no_repetition_for_sure() -> None:
    """Among 44 steps of a hand and a drift one or none is shorter than can be seen."""
    rng = np.random.default_rng(3)
    step = np.hypot(*rng.normal(0, 0.9, (2, 44)))
    step[17] = 0.03
    step[step < 0.2] += 0.2 * (np.arange(44) != 17)[step < 0.2]
    difference = np.where(step > 0.1, 1.5 + 4 * step, 0.3)
    found = told(difference, step)
    assert found.flags.sum() == found.doubtful == 1
    rate = delivered_rate(found, 45, 45 / 30, 0.0)
    assert abs(rate.value - 30) < rate.expanded


def test_noise_of_which_a_part_was_coded_is_no_motion() -> None:
    """A covered lens, encoded: most frames as they were, a few blocks of others anew; what follows the
    picture leaps from noise to noise."""
    difference = np.tile([0.0, 0.0, 0.0, 0.07, 0.07, 0.14, 0.0], 7)
    step = np.tile([0.0, 0.0, 0.0, np.nan, np.nan, 9.8, 0.0], 7)
    found = told(difference, step)
    assert not found.flags.any()
    assert found.doubtful == difference.size


def test_copies_that_a_second_encoder_blended_are_in_doubt() -> None:
    """They seem to move by some hundredths of what the scene does; as new ones, three of eighteen made
    25.0 +- 0.6 frames/s of 24."""
    difference = np.tile([8.0, 7.5, 0.3, 8.4, 7.9, 8.1], 12)
    step = np.tile([5.2, 5.0, 0.02, 5.5, 5.1, 5.3], 12)
    difference[8], step[8] = 0.7, 0.3
    found = told(difference, step)
    assert found.flags.sum() == 11
    assert found.doubtful == 1
    step[8] = 2.0  # it moved as the scene does: a new one, however little it differs
    assert told(difference, step).doubtful == 0
