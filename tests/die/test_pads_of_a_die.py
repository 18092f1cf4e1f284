"""Bond pads: all of them, where they are, how they are counted, and what is not one."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from glassay.die import DieResult, measure_die
from glassay.die.pads import BAND, Spot, _along_the_rim, find_spots, refined
from glassay.die.rows import rows_of
from glassay.quantity import Quantity
from tests.die.drawn import DIE, PIXEL_UM, grey, pads_um, shot


def test_every_pad_is_found_where_it_was_drawn_also_under_wires(measured: DieResult) -> None:
    truth = pads_um()
    found = np.array([(pad.x, pad.y) for pad in measured.pads]) * PIXEL_UM
    assert len(found) == len(truth) == measured.findings()["pads"].value
    away = np.hypot(*(found[:, None] - truth[None]).transpose(2, 0, 1)).min(axis=0)
    assert away.max() < 0.5  # um, a third of a px
    sizes = np.array([(pad.width, pad.height) for pad in measured.pads]) * PIXEL_UM
    assert np.abs(sizes - DIE.pad_um).max() < 2 * PIXEL_UM


def test_the_pitch_of_every_row_is_within_a_thousandth(measured: DieResult) -> None:
    truth = float(DIE.facts()["pad_pitch_um"])
    assert len(measured.rows) == 4
    for row in measured.rows:
        assert row.pitch is not None
        assert row.pitch.value * PIXEL_UM == pytest.approx(truth, rel=1e-3)
        assert row.gaps == 0
    pitch = measured.findings()["pad_pitch"].quantity
    assert abs(pitch.value - truth) <= pitch.expanded


def test_pads_are_counted_counter_clockwise_from_the_top_left(measured: DieResult) -> None:
    """As the leads of packages are (common practice, no source)."""
    assert [pad.number for pad in measured.pads] == [
        str(n) for n in range(1, len(measured.pads) + 1)
    ]
    sides = [pad.side for pad in measured.pads]
    assert sides == sorted(sides, key=["left", "bottom", "right", "top"].index)
    for side, axis, sign in (("left", 1, 1), ("bottom", 0, 1), ("right", 1, -1), ("top", 0, -1)):
        along = np.array([(pad.x, pad.y)[axis] for pad in measured.pads if pad.side == side])
        assert (np.diff(sign * along) > 0).all()


SIDE = 62
"""Side of the pads that are drawn below, px."""


def column_of_pads(places: list[int], ball: float = 0.0) -> np.ndarray:
    """Light of a die (720 x 540 px) with pads at its left rim, their upper edges at these rows. `ball`:
    part of a pad's side that a ball is wide, from which a wire goes over the rim."""
    level = np.full((720, 540), 0.08, np.float32)
    for top in places:
        level[top : top + SIDE, 40 : 40 + SIDE] = 0.7
        middle = (40 + SIDE // 2, top + SIDE // 2)
        if ball:
            cv2.circle(level, middle, round(ball * SIDE / 2), 0.03, -1)
            cv2.line(level, middle, (0, middle[1] + 20), 0.03, round(ball * SIDE / 3))
    return cv2.GaussianBlur(level, (0, 0), 1.0)


def pad_at(top: float, contrast: float = 0.8, height: float = SIDE, left: float = 40) -> Spot:
    return Spot(left + SIDE / 2, top + height / 2, SIDE, height, contrast, 0.7)


def test_what_two_bonded_pads_frame_between_them_is_no_pad() -> None:
    tops = [60, 150, 240, 330, 420]
    level = column_of_pads(tops, ball=0.6)
    spots = [pad_at(top) for top in tops]
    spots[1:3] = [pad_at(150, 0.2), pad_at(240, 0.2)]  # balls and noise took their contrast
    between = pad_at(150 + SIDE - 15, 0.9, 90 - SIDE + 30)
    pads, _ = rows_of(level, [*spots, between])
    assert [round(pad.y - SIDE / 2) for pad in pads] == tops


def test_a_pad_of_another_size_with_an_edge_all_around_stays() -> None:
    tops = [60, 150, 240, 330, 420]
    level = column_of_pads(tops)
    level[240 + SIDE : 240 + SIDE + 5, 40 : 40 + SIDE] = level[
        260, 70
    ]  # 8 % longer than the others
    spots = [pad_at(top, height=SIDE + 5 if top == 240 else SIDE) for top in tops]
    assert len(rows_of(level, spots)[0]) == len(tops)


def test_a_mark_of_another_size_beside_the_steps_of_a_row_is_no_pad() -> None:
    tops = [60, 150, 240, 330, 420]
    level = column_of_pads(tops)
    spots = [*(pad_at(top) for top in tops), pad_at(545, height=0.9 * SIDE)]
    pads, rows = rows_of(level, spots)
    assert [pad.y - SIDE / 2 for pad in pads] == tops
    assert [row.count for row in rows] == [5]
    # of a pad's own size nothing tells it from one
    assert len(rows_of(level, [*spots[:5], pad_at(545)])[0]) == 6


def test_a_row_along_a_bright_line_is_fainter_and_is_told_by_its_size() -> None:
    tops = [60, 150, 240, 330, 420]
    level = column_of_pads(tops)
    level[:, 270:] = level[:, 270:0:-1]  # another row at the right rim
    left = [pad_at(top) for top in tops]
    for height, told in ((SIDE, 10), (1.12 * SIDE, 5)):
        faint = [pad_at(top, 0.4, height, 540 - 40 - SIDE) for top in tops]
        assert len(rows_of(level, [*left, *faint])[0]) == told


def test_three_pads_are_a_row_also_where_balls_cover_most_of_one() -> None:
    level = column_of_pads([150, 300])
    level[400:] = 0.7 * column_of_pads([450], ball=0.9)[400:]  # and the light is uneven
    placed = (refined(level, spot) for spot in find_spots(level, 1.0))
    pads, _ = rows_of(level, [spot for spot in placed if spot is not None])
    assert [round(pad.y - SIDE / 2) for pad in pads] == [150, 300, 450]


def two_sides(bottom: list[int]) -> np.ndarray:
    """Light of a die (720 x 720 px) with a column of pads at its left rim and pads at the bottom one,
    their left edges at these columns."""
    level = np.full((720, 720), 0.08, np.float32)
    for top in COLUMN:
        level[top : top + SIDE, 40 : 40 + SIDE] = 0.7
    for left in bottom:
        level[720 - 40 - SIDE : 720 - 40, left : left + SIDE] = 0.7
    return np.asarray(cv2.GaussianBlur(level, (0, 0), 1.0))


COLUMN = [60, 150, 240, 330, 420]
LOW = 720 - 40 - SIDE


def test_one_pad_and_the_steps_of_another_row_tell_a_row() -> None:
    """Balls and lines had the others taken for other rectangles; each shows its frame."""
    columns = [195, 285, 375]
    level = two_sides(columns)
    spots = [*(pad_at(top) for top in COLUMN), pad_at(LOW, left=285)]
    pads, rows = rows_of(level, spots)
    assert sorted(round(p.x - SIDE / 2) for p in pads if p.side == "bottom") == columns
    assert [(row.side, row.count) for row in rows] == [("left", 5), ("bottom", 3)]


def test_an_uneven_row_gives_way_to_the_more_pads_that_another_rows_steps_foretell() -> None:
    """Of two pads under balls what they frame between them was taken; the others were seen."""
    columns = [60, 150, 240, 330, 420, 510]
    seen = [pad_at(LOW, left=left) for left in (60, 150, 285, 420)]
    pads, rows = rows_of(two_sides(columns), [*(pad_at(top) for top in COLUMN), *seen])
    assert sorted(round(p.x - SIDE / 2) for p in pads if p.side == "bottom") == columns
    assert [(row.side, row.count) for row in rows] == [("left", 5), ("bottom", 6)]
    assert rows[1].pitch is not None
    # one that was drawn uneven stays, and has no pitch
    level = two_sides([60, 150, 285, 420])
    pads, rows = rows_of(level, [*(pad_at(top) for top in COLUMN), *seen])
    assert sorted(round(p.x - SIDE / 2) for p in pads if p.side == "bottom") == [60, 150, 285, 420]
    assert rows[1].pitch is None


def test_no_pad_is_foretold_where_no_frame_is_seen() -> None:
    spots = [pad_at(top) for top in COLUMN]
    for columns, anchor in (
        ([285], 285),  # nothing stands on the steps beside it
        ([195, 285], 285),  # two are no row
        ([180, 285, 390], 285),  # off the steps of the other row
    ):
        level = two_sides(columns)
        pads, _ = rows_of(level, [*spots, pad_at(LOW, left=anchor)])
        assert {pad.side for pad in pads} == {"left"}
    # of another size, or farther from the rim, it is no beginning
    level = two_sides([195, 285, 375])
    for other in (pad_at(LOW, height=0.9 * SIDE, left=285), pad_at(LOW - 60, left=285)):
        assert {pad.side for pad in rows_of(level, [*spots, other])[0]} == {"left"}


def test_other_bright_blocks_near_the_rim_are_no_pads() -> None:
    die = replace(DIE, wires=False)
    taken = shot(die, tilt_deg=0.0)
    picture = taken.stored.copy()
    rng = np.random.default_rng(3)
    for _ in range(14):  # of all sizes, beside and inside the ring of pads
        x, y = taken.truth.mapping.to_px([(rng.uniform(-300, 280), rng.uniform(-195, -150))])[0]
        w, h = rng.integers(6, 24, 2)
        picture[round(y) : round(y) + h, round(x) : round(x) + w] = 235
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.6), np.uint8)
    found = measure_die(grey(picture), Quantity(PIXEL_UM, "um/px"))
    assert len(found.pads) == len(pads_um(die))


def test_a_missing_pad_leaves_a_gap_and_the_pitch_as_it_is() -> None:
    die = replace(DIE, wires=False)
    taken = shot(die, tilt_deg=0.0)
    picture = taken.stored.copy()
    x, y = taken.truth.mapping.to_px(die.marks_um()["pads"][2:3])[0]  # in the middle of the top row
    reach = round(0.6 * die.pad_um / PIXEL_UM)
    ground = int(picture[round(y), round(x) - reach - 5])
    picture[round(y) - reach : round(y) + reach, round(x) - reach : round(x) + reach] = ground
    found = measure_die(grey(picture), Quantity(PIXEL_UM, "um/px"))
    (top,) = (row for row in found.rows if row.side == "top")
    assert (top.count, top.gaps) == (4, 1)
    assert top.pitch is not None
    assert top.pitch.value * PIXEL_UM == pytest.approx(1.5 * die.pad_um, rel=1e-3)
    assert any("1 steps without a pad" in note for note in found.notes)


@pytest.mark.parametrize("size", [(560, 720), (90, 700), (40, 30), (3, 5)])
def test_the_parts_that_are_searched_are_the_band_along_the_rim(size: tuple[int, int]) -> None:
    rows, columns = size
    times = np.zeros(size, int)
    for top, bottom, left, right in _along_the_rim(rows, columns):
        times[top:bottom, left:right] += 1
    depth = round(BAND * min(size))
    band = np.ones(size, int)
    band[depth : rows - depth, depth : columns - depth] = 0
    assert np.array_equal(times, band)
