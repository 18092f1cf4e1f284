"""The finest line and pitch, where telling them ends, and what is said of the process."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from glassay.die import DieResult, measure_die
from glassay.die.finest import WIDTH_FROM_BLUR, find_finest
from glassay.die.process import process_of
from glassay.die.stripes import _unblurred, find_stripes
from glassay.quantity import Quantity
from glassay.simulate import Die, Optics
from tests.die.drawn import grey, shot

COARSE = Die(width_um=1400, height_um=1050, feature_um=4.0, wires=False, seed=9)
FINEST_WIRE = 0.7  # the wires of the drawn logic, in features
BUS_PITCH = 2.2  # of the drawn bundles of wires, in features
PX = 0.8


@pytest.fixture(scope="module")
def resolved() -> DieResult:
    picture = grey(shot(COARSE, PX, optics=Optics(na=0.3), room=1.15))
    return measure_die(picture, Quantity(PX, "um/px"))


def test_the_finest_line_of_a_resolved_die_is_within_three_percent(resolved: DieResult) -> None:
    line = resolved.findings()["finest_line"].quantity
    truth = FINEST_WIRE * COARSE.feature_um
    assert line.value == pytest.approx(truth, rel=0.03)
    assert abs(line.value - truth) <= line.expanded


def test_the_finest_pitch_of_a_resolved_die_is_that_of_its_bundles(resolved: DieResult) -> None:
    pitch = resolved.findings()["finest_pitch"].quantity
    assert pitch.value == pytest.approx(BUS_PITCH * COARSE.feature_um, rel=0.003)


def test_where_lines_are_too_fine_none_is_told_but_the_limit(measured: DieResult) -> None:
    found = measured.findings()
    assert "finest_line" not in found
    assert found["finest_line_limit"].quantity.value > FINEST_WIRE * 1.6
    assert any("no finer than" in note and "could be seen" in note for note in measured.notes)
    assert measured.process is not None
    assert measured.process.low_um is None
    assert measured.process.high_um > FINEST_WIRE * 1.6


def test_an_instrument_that_tells_less_raises_the_limit() -> None:
    stripes = find_stripes(grey(shot(tilt_deg=0.0)))
    own, told = find_finest(stripes), find_finest(stripes, told_px=4.5)
    assert own.limit is not None
    assert told.limit is not None
    assert told.limit > own.limit
    assert told.line is None or told.line.value >= told.limit


def test_the_width_of_a_line_does_not_follow_the_blur() -> None:
    """Lines of 6 px and spaces of 9, under blurs up to where telling ends: a drawing of our own."""
    x = np.arange(0, 600, 1 / 8)
    lines = 0.2 + 0.5 * ((x % 15) < 6)
    for blur in (0.7, 1.5, 6 / WIDTH_FROM_BLUR / 1.05):
        kernel = np.exp(-0.5 * (np.arange(-80, 81) / 8 / blur) ** 2)
        soft = np.convolve(lines, kernel / kernel.sum(), "same").reshape(-1, 8).mean(axis=1)
        wide = np.concatenate([np.full(40, 0.2), np.full(40, 0.7), np.full(40, 0.2)])
        step = (
            np.convolve(np.repeat(wide, 8), kernel / kernel.sum(), "same")
            .reshape(-1, 8)
            .mean(axis=1)
        )
        profile = np.concatenate([step[5:-5], np.full(20, 0.2), soft[10:-10]])
        picture = np.tile(profile.astype(np.float32), (300, 1))
        found = find_finest(find_stripes(picture))
        assert found.line is not None
        assert found.line.value == pytest.approx(6.0, abs=0.1 if blur < 2 else 0.3)
        assert found.pitch is not None
        assert found.pitch.value == pytest.approx(15.0, rel=1e-3)


def test_edges_of_one_strip_do_not_bear_on_those_of_the_next() -> None:
    """All strips are worked out at once: each comes out as it does alone."""
    rng = np.random.default_rng(4)
    strips = [
        (np.sort(rng.uniform(0, 60, count)), rng.normal(0, 1, count)) for count in (24, 1, 0, 2, 31)
    ]
    together = _unblurred(strips, 1.4)
    for mine, strip in zip(together, strips, strict=True):
        (alone,) = _unblurred([strip], 1.4)
        assert np.array_equal(mine[0], alone[0])
        assert np.array_equal(mine[1], alone[1])
    assert np.abs(together[0][0] - strips[0][0]).max() > 0.1
    assert np.array_equal(together[1][0], strips[1][0])


def test_the_process_is_a_range_with_reasons_never_a_fact() -> None:
    line, pitch = Quantity.of(1.0, 0.01, "um"), Quantity.of(2.4, 0.01, "um")
    told = process_of(line, pitch, 0.5, False)
    assert told is not None
    assert told.low_um is not None
    assert told.low_um < told.high_um < 1.1
    assert "probably" in told.statement
    assert len(told.reasons) == 3
    bound = process_of(None, pitch, 0.9, True)
    assert bound is not None
    assert bound.low_um is None
    assert "or less" in bound.statement
    assert process_of(None, None, 0.9, False) is None
    partly = process_of(line, pitch, 0.5, False, seen=0.2)
    assert partly is not None
    assert (partly.low_um, partly.high_um) == (None, told.high_um)
    assert "only 20% of the die was looked at: finer ones may be elsewhere on it" in partly.reasons


def test_a_die_measured_in_px_has_no_process(resolved: DieResult) -> None:
    assert replace(resolved, pixel_size=None).process is None


def strips_of_lines(widths: list[float], blur: float = 1.0) -> npt.NDArray[np.float32]:
    """A picture of upright lines of these widths (px), 24 px apart, and a wide one: our own drawing."""
    fine = np.full((sum(round(w) + 24 for w in widths) + 160) * 8, 0.2)
    at = 40 * 8
    for width in [40.0, *widths]:
        fine[at : at + round(width * 8)] = 0.7
        at += round((width + 24) * 8)
    kernel = np.exp(-0.5 * (np.arange(-80, 81) / 8 / blur) ** 2)
    soft = np.convolve(fine, kernel / kernel.sum(), "same").reshape(-1, 8).mean(axis=1)
    return np.tile(soft[10:-10].astype(np.float32), (300, 1))


def test_no_finest_line_is_told_where_a_few_lines_are_finer_than_the_many() -> None:
    many, finer = [8.0] * 40, [6.8] * 8
    alone = find_finest(find_stripes(strips_of_lines(many)))
    assert alone.line is not None
    assert alone.line.value == pytest.approx(8.0, rel=0.03)
    mixed = find_finest(find_stripes(strips_of_lines(many + finer)))
    assert mixed.line is None
    assert mixed.few == pytest.approx(6.8, rel=0.05)
    slivers = find_finest(find_stripes(strips_of_lines([*many, 6.8, 6.8])))
    assert slivers.line is not None


def test_the_sheet_says_why_no_finest_line_is_told(measured: DieResult) -> None:
    few = replace(measured, finest=replace(measured.finest, line=None, few=3.0))
    assert "finest_line" not in few.findings()
    assert any("too few to be measured" in note and "4.5 um" in note for note in few.notes)
