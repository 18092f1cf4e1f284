"""Photos through an eyepiece: the edge of the field stop says nothing of the object's detail."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from glassay.detail.edge import measure_edges
from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage

HEIGHT, WIDTH, RADIUS = 700, 900, 300.0
CENTRE = (455.0, 348.0)
RIM_BLUR, EDGE_BLUR = 4.0, 1.2
"""Standard deviations in px. A rim as soft as this passes for straight over 30 px."""


def through_an_eyepiece(*, with_edge: bool) -> FloatImage:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float64)
    scene = np.full((HEIGHT, WIDTH), 0.6)
    if with_edge:
        tilt = np.radians(6)
        across = (x - CENTRE[0]) * np.cos(tilt) + (y - CENTRE[1]) * np.sin(tilt)
        scene = 0.2 + 0.4 * 0.5 * (1 + erf(across / (EDGE_BLUR * np.sqrt(2))))
    away = RADIUS - np.hypot(x - CENTRE[0], y - CENTRE[1])
    light = 0.004 + scene * 0.5 * (1 + erf(away / (RIM_BLUR * np.sqrt(2))))
    noise = np.random.default_rng(5).normal(0, 0.002, light.shape)
    return np.asarray(light + noise, dtype=np.float32)


def test_an_even_round_field_shows_no_edge() -> None:
    with pytest.raises(NotMeasurable, match="within the round field"):
        measure_edges(through_an_eyepiece(with_edge=False))


def test_an_edge_in_a_round_field_is_measured_without_the_rim() -> None:
    found = measure_edges(through_an_eyepiece(with_edge=True))
    # exp(-2 (pi s f)^2) = 1/2 for a Gaussian of standard deviation s.
    truth = np.sqrt(np.log(2) / 2) / (np.pi * EDGE_BLUR)
    assert found.frequency_50.value == pytest.approx(truth, rel=0.01)
    reach = 0.95 * RADIUS
    for edge in found.edges:
        x0, y0, x1, y1 = edge.line.ends(edge.length)
        ends = ((x0, y0), (x1, y1))
        assert all(np.hypot(x - CENTRE[0], y - CENTRE[1]) < reach for x, y in ends)
    assert any("field is round" in note for note in found.notes)


def test_the_rim_is_left_out_within_a_box_too() -> None:
    with pytest.raises(NotMeasurable, match="within the round field"):
        measure_edges(through_an_eyepiece(with_edge=False), box=(600, 200, 250, 300))


def edges_of_blurs(first: float, second: float) -> FloatImage:
    """Two upright edges of these blurs, one far from the other."""
    y, x = np.mgrid[0:240, 0:400].astype(np.float64)
    light = np.full(x.shape, 0.2)
    for place, blur, sign in ((110.0, first, 1), (290.0, second, -1)):
        across = (x - place) + (y - 120) * np.tan(np.radians(5))
        light += sign * 0.4 * 0.5 * (1 + erf(across / (blur * np.sqrt(2))))
    noise = np.random.default_rng(6).normal(0, 0.001, light.shape)
    return np.asarray(light + noise, dtype=np.float32)


def test_edges_that_differ_by_a_factor_say_no_single_number() -> None:
    with pytest.raises(NotMeasurable, match=r"differ too much .* 0.047 to 0.23 cycles/px"):
        measure_edges(edges_of_blurs(0.8, 4.0))


def test_a_direction_whose_edges_differ_is_not_stated_and_the_other_is() -> None:
    upright, level = edges_of_blurs(0.8, 4.0), edges_of_blurs(0.8, 0.8).T
    field = np.full((max(upright.shape[0], level.shape[0]), 400 + level.shape[1]), 0.2, np.float32)
    field[: upright.shape[0], :400] = upright
    field[: level.shape[0], 400:] = level
    found = measure_edges(field)
    assert "x" not in found.groups
    assert found.groups["y"].value == pytest.approx(0.1874 / 0.8, rel=0.02)
    (note,) = [note for note in found.notes if "not stated" in note]
    assert "detail along x" in note
    assert "detail along y" not in note
