"""Which edges are turned away, and with which reason; a refusal beats a wrong number."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from tests.detail.exact_edges import ExactEdge, gaussian, pupil

from glassay.detail.edge import measure_edges
from glassay.errors import NotMeasurable

Picture = npt.NDArray[np.float32]


@pytest.fixture(scope="module")
def edge() -> ExactEdge:
    return ExactEdge(pupil(0.5), 6.0, 0.5)


def refusal(picture: Picture) -> str:
    with pytest.raises(NotMeasurable) as caught:
        measure_edges(picture)
    return str(caught.value)


def noise(seed: int, shape: tuple[int, int] = (300, 400)) -> Picture:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


def test_a_level_field_has_no_edge() -> None:
    assert "no straight edge" in refusal(np.full((200, 300), 0.5, np.float32))


@pytest.mark.parametrize("blur", [0.0, 1.5, 5.0, 15.0])
def test_noise_and_blotches_are_no_edges(blur: float) -> None:
    picture = noise(3)
    if blur:
        picture = cv2.GaussianBlur(picture, (0, 0), blur)
    picture = 0.5 + 0.3 * picture / np.abs(picture).max()
    assert "edge" in refusal(picture.astype(np.float32))


def test_a_clipped_bright_side_is_refused(edge: ExactEdge) -> None:
    assert "clipped" in refusal(np.minimum(edge.picture(bright=1.2, noise=0.01), 1.0))


def test_pixels_marked_as_full_are_refused_whatever_their_light(edge: ExactEdge) -> None:
    # One colour may be at full scale while the luminance is far below it.
    light = edge.picture(noise=0.003)
    with pytest.raises(NotMeasurable, match="clipped"):
        measure_edges(light, full=light > 0.79)
    assert measure_edges(light, full=np.zeros(light.shape, bool)).edges


def test_a_dark_side_cut_off_at_zero_is_refused(edge: ExactEdge) -> None:
    assert "clipped" in refusal(np.maximum(edge.picture(dark=-0.1, noise=0.01), 0.0))


def test_an_edge_along_the_pixels_is_refused() -> None:
    level = ExactEdge(pupil(0.5), 0.0, 0.5)
    assert "badly slanted" in refusal(level.picture(noise=0.003))


def test_an_edge_at_45_degrees_is_refused() -> None:
    # All its pixels lie at multiples of 0.71 px from it.
    diagonal = ExactEdge(pupil(0.5), 45.0, 0.5)
    assert "badly slanted" in refusal(diagonal.picture(noise=0.003))


def test_curved_edges_are_refused(edge: ExactEdge) -> None:
    # An arc of 3 px over 160 px.
    assert "curved" in refusal(edge.picture(noise=0.003, bow=3 / 80**2))


def test_the_rim_of_a_disc_is_no_edge() -> None:
    big = np.full((2400, 2400), 0.2, np.float32)
    cv2.circle(big, (1200, 1203), 480, 0.8, -1)
    disc = cv2.resize(cv2.GaussianBlur(big, (0, 0), 10), (300, 300), interpolation=cv2.INTER_AREA)
    refusal(disc + 0.003 * noise(1, (300, 300)))


def test_a_short_edge_is_refused(edge: ExactEdge) -> None:
    assert "no straight edge of 30 px" in refusal(edge.picture(200, 25, noise=0.003))


def test_a_noisy_edge_is_refused(edge: ExactEdge) -> None:
    assert "edge" in refusal(edge.picture(120, 60, dark=0.45, bright=0.55, noise=0.05))


def test_two_edges_close_together_are_refused() -> None:
    # The same edge seen twice 4 px apart, as a moving object or a ghost image shows it.
    sharp = ExactEdge(gaussian(0.7), 6.0, 1.2)
    doubled = 0.5 * (sharp.picture(offset=-2.0) + sharp.picture(offset=2.0))
    assert "doubled" in refusal((doubled + 0.002 * noise(4, (160, 200))).astype(np.float32))


def test_a_line_too_thin_to_have_flat_sides_is_refused() -> None:
    sharp = ExactEdge(gaussian(0.8), 6.0, 1.2)
    line = sharp.picture(offset=-2.5, dark=0, bright=1) - sharp.picture(
        offset=2.5, dark=0, bright=1
    )
    refusal((0.2 + 0.6 * line + 0.002 * noise(5, (160, 200))).astype(np.float32))


def test_a_ragged_edge_is_refused(edge: ExactEdge) -> None:
    picture = edge.picture(noise=0.003)
    jitter = np.rint(cv2.GaussianBlur(noise(6, (160, 1)), (0, 0), 3) * 4).astype(int).ravel()
    rough = np.stack([np.roll(row, shift) for row, shift in zip(picture, jitter, strict=True)])
    with pytest.raises(NotMeasurable):
        measure_edges(np.ascontiguousarray(rough[:, 20:-20]))


def test_good_edges_are_used_beside_bad_ones(edge: ExactEdge) -> None:
    level = ExactEdge(pupil(0.5), 0.0, 0.5)
    both = np.concatenate([edge.picture(noise=0.003), level.picture(noise=0.003)], axis=1)
    found = measure_edges(both)
    assert found.frequency_50.value == pytest.approx(edge.frequency_at(0.5), rel=0.01)
    assert any("slanted" in one.reason for one in found.rejected)
    assert all(one.line.x < 200 for one in found.edges)


def test_a_box_limits_the_search_and_keeps_the_photos_coordinates(edge: ExactEdge) -> None:
    other = ExactEdge(pupil(0.2), 6.0, 0.2)
    both = np.concatenate([edge.picture(noise=0.003), other.picture(noise=0.003)], axis=1)
    found = measure_edges(both, box=(200, 0, 200, 160))
    assert found.frequency_50.value == pytest.approx(other.frequency_at(0.5), rel=0.02)
    middle = 200 + 99.5 + 0.3
    across, _ = found.edges[0].line.distances(np.array([middle]), np.array([79.5]))
    assert abs(float(across[0])) < 0.05
    assert math.isclose(math.degrees(found.edges[0].line.normal) % 360, 6, abs_tol=0.1)


def test_a_picture_smaller_than_any_edge_is_refused() -> None:
    assert "no straight edge" in refusal(np.zeros((5, 7), np.float32))
