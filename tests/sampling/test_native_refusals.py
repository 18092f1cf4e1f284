"""What cannot be asked is refused with a reason a person can act on."""

from __future__ import annotations

import numpy as np
import pytest
from studies._enlarged import blocks_and_lines

from glassay.errors import NotMeasurable
from glassay.sampling.native import native


def photo(seed: int, width: int = 400, height: int = 300) -> np.ndarray:
    light = blocks_and_lines(width, height, 3)
    noise = np.random.default_rng(seed).normal(0, 3, light.shape)
    return np.clip(np.rint(255 * np.sqrt(light) + noise), 0, 255).astype(np.uint8)


def test_frames_of_different_size_are_refused():
    with pytest.raises(NotMeasurable, match="differ in size: 400 x 300 and 408 x 300"):
        native([photo(1), photo(2, width=408)])


def test_a_copied_file_is_recognised():
    with pytest.raises(NotMeasurable, match="copies of one exposure"):
        native([photo(1), photo(1)])


def test_a_copy_among_three_frames_is_left_out():
    found = native([photo(1), photo(1), photo(2)])
    assert found.frames == 2
    assert any("exact copies" in note for note in found.notes)


@pytest.mark.parametrize("shift", [2, 40])
def test_frames_that_moved_are_refused_with_the_distance(shift):
    wide = photo(1, width=500)
    moved = photo(2, width=500)
    with pytest.raises(NotMeasurable, match=rf"moved against each other by {shift}\.\d px"):
        native([wide[:, :400], moved[:, shift : 400 + shift]])


def test_a_drift_of_a_third_of_a_pixel_is_taken_out():
    light = blocks_and_lines(1200, 900, 3, blur_px=3.0)
    rng = np.random.default_rng(1)
    frames = [
        np.clip(255 * np.sqrt(light[::3, shift : 1194 + shift : 3])
                + rng.normal(0, 2, (300, 398)), 0, 255)
        for shift in (0, 1)
    ]  # fmt: skip
    found = native([np.rint(f).astype(np.uint8) for f in frames])
    assert found.verdict == "native"


def test_flat_and_clipped_frames_are_refused():
    with pytest.raises(NotMeasurable, match="flat"):
        native([np.full((300, 400), 90, np.uint8)])
    white = np.full((300, 400), 255, np.uint8)
    white[:100] = photo(1)[:100]
    with pytest.raises(NotMeasurable, match="clipped, mostly to white"):
        native([white])


def test_a_small_piece_is_refused():
    with pytest.raises(NotMeasurable, match="too small"):
        native([photo(1)[:200, :200], photo(2)[:200, :200]])
