"""Rims are no edges, however short the piece: the spline along pixel rows must not hide an arc."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from glassay.detail.edge import measure_edges
from glassay.detail.edge_line import EdgeLine, Samples, arc_by_rows
from glassay.errors import NotMeasurable


def around(line: EdgeLine, radius: float, length: float, noise: float = 0.0) -> Samples:
    """Pixels near a soft edge that is an arc of `radius` px (infinite: straight)."""
    x, y = np.meshgrid(np.arange(-40.0, 41), np.arange(-40.0, 41))
    straight, along = line.distances(x, y)
    bend = 0.0 if math.isinf(radius) else along**2 / (2 * radius)
    value = 0.2 + 0.6 / (1 + np.exp(-2 * (straight - bend)))
    value = value + np.random.default_rng(1).normal(0, noise, value.shape)
    inside = (np.abs(along) <= length / 2) & (np.abs(straight) <= 12)
    return Samples(x[inside], y[inside], value[inside])


@pytest.mark.parametrize("tilt_deg", [4, 30, 86, 184])
def test_an_arc_is_as_high_as_geometry_has_it(tilt_deg: float) -> None:
    line = EdgeLine(0.3, -0.2, math.radians(tilt_deg))
    arc, arc_u = arc_by_rows(around(line, 60, 30, noise=0.01), line, 6.0)
    # Rows that are whole within 6 px of the edge end a little before the edge does.
    slant = min(abs(math.tan(line.normal)), 1 / abs(math.tan(line.normal)))
    half = 15 - 6 * slant
    assert arc == pytest.approx(half**2 / (2 * 60), abs=3 * arc_u + 0.1)
    assert arc_u < 0.2


@pytest.mark.parametrize("tilt_deg", [4, 30, 86])
def test_a_straight_edge_has_no_arc(tilt_deg: float) -> None:
    line = EdgeLine(0.3, -0.2, math.radians(tilt_deg))
    arc, arc_u = arc_by_rows(around(line, math.inf, 40, noise=0.02), line, 6.0)
    assert abs(arc) < 3 * arc_u < 0.4


@pytest.mark.parametrize("radius", [20, 35, 50])
def test_a_disc_has_no_straight_edge(radius: int) -> None:
    ground = np.random.default_rng(radius).normal(0.45, 0.02, (200, 220)).astype(np.float32)
    cv2.circle(ground, (110, 100), radius, 0.2, -1, cv2.LINE_AA)
    picture = cv2.GaussianBlur(ground, (0, 0), 1.2)
    with pytest.raises(NotMeasurable):
        measure_edges(picture)
