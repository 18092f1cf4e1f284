"""Drawings of field, noise and focus: they say what the numbers say."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from glassay.report import evidence_field, evidence_focus, evidence_noise
from glassay.report.curves import even_step
from glassay.report.drawing import html_of
from glassay.report.strokes import displacement_arrows


@pytest.mark.parametrize(
    ("span", "step"), [(1.0, 0.2), (0.9, 0.2), (8.0, 2.0), (5.0, 1.0), (760.0, 200.0), (6.0, 2.0)]
)
def test_steps_of_an_axis_are_round_and_at_most_five(span: float, step: float) -> None:
    assert even_step(span) == pytest.approx(step)
    assert span / even_step(span) <= 5.000001


def test_light_that_falls_off_evenly_gives_straight_level_lines() -> None:
    rows = np.linspace(0.8, 1.0, 41)
    evidence = {"light_map": np.tile(rows[:, None], (1, 50)).tolist(), "shape": (410, 500)}
    path, labels = evidence_field._lines_of_equal_light(evidence)
    assert [text for _, _, text in labels] == ["85 %", "90 %", "95 %"]
    for _, y, text in labels:  # the blocks' middles are 5 px from their edges
        assert y == pytest.approx(5 + (float(text[:2]) / 100 - 0.8) / 0.2 * 400, abs=1)
    assert path.count("M") == 3


def test_even_light_gives_no_lines() -> None:
    evidence = {"light_map": [[1.0, 0.99], [1.0, 1.0]], "shape": (100, 100)}
    assert evidence_field._lines_of_equal_light(evidence) == ("", [])


def test_an_arrow_begins_at_its_place_and_ends_where_it_is_moved() -> None:
    path = displacement_arrows(np.array([[10.0, 20.0]]), np.array([[0.5, -0.25]]), 40.0)
    assert path.startswith("M10.0 20.0L30.0 10.0")
    enlarged = evidence_field._enlarged(np.array([[3.0, 4.0]]), (480, 640))
    assert enlarged * 5 == pytest.approx(evidence_field.ARROW_SHARE * 640, rel=0.05)


def test_tiny_variances_stand_in_a_power_of_ten_and_inside_the_chart() -> None:
    light = np.linspace(0.1, 0.9, 9)
    evidence = {
        "mean": light, "variance": 3e-5 * light, "variance_u": 1e-6 * np.ones(9),
        "line_mean": [], "line_variance": [], "line_u": [],
        "slope": 3e-5, "floor": 1e-4, "is_smoothed": False,
    }  # fmt: skip
    chart = evidence_noise._chart(evidence)
    assert "10⁻⁵" in chart.y_label
    assert all(0 <= y <= chart.y_range[1] for curve in chart.curves for y in curve.y)
    assert "e-" not in re.sub(r"<[^>]*>", "", html_of([chart]))


def test_a_focus_run_shades_what_is_sharp_and_a_px_is_alike_both_ways() -> None:
    at = np.arange(11)
    evidence = {
        "contrast": np.exp(-(((at - 5) / 3) ** 2)), "top": 1.0, "low": 2.5, "high": 7.5, "best": 5.0,
        "step_um": 2.0, "focus_frequency": 0.1, "path_px": np.stack([at - 5.0, 0 * at], axis=1),
    }  # fmt: skip
    chart = evidence_focus._contrast_chart(evidence, "photo")
    half, curve, _ = chart.curves
    assert [float(x) for x in half.x] == [5.0, 15.0]
    assert chart.band(half)
    assert max(curve.y) == 1.0
    walk = evidence_focus._walk_chart(evidence, "photo")
    right, down = walk.x(1) - walk.x(0), walk.y(1) - walk.y(0)
    assert math.isclose(right, down, rel_tol=1e-9)
