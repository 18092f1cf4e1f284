"""Photos without a scale are refused, with a reason, and never given a number."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from glassay.errors import NotMeasurable
from glassay.scale import measure_scale
from tests.scale.drawn import Picture, photographed


@pytest.mark.parametrize(
    "name",
    ["astronaut", "brick", "camera", "coins", "grass", "gravel", "page", "text", "checkerboard",
     "immunohistochemistry"],
)  # fmt: skip
def test_photographs_of_other_things(name: str) -> None:
    photo = getattr(data, name)()
    grey = photo.astype(np.float32).mean(axis=2) if photo.ndim == 3 else photo.astype(np.float32)
    with pytest.raises(NotMeasurable):
        measure_scale((grey / 255) ** np.float32(2.2))


def chessboard(tilt_deg: float) -> Picture:
    y, x = np.mgrid[0:600, 0:600] - 300.0
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    fields = np.floor((x * c + y * s) / 30) + np.floor((y * c - x * s) / 30)
    return (0.1 + 0.7 * (fields % 2)).astype(np.float32)


@pytest.mark.parametrize("tilt", [0.0, 10.0, 30.0, 45.0])
def test_a_chessboard_is_no_scale(tilt: float) -> None:
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(chessboard(tilt)))


def test_a_single_shade() -> None:
    with pytest.raises(NotMeasurable, match="single shade"):
        measure_scale(np.full((200, 300), 0.5, np.float32))


def test_one_pixel() -> None:
    with pytest.raises(NotMeasurable, match="too small"):
        measure_scale(np.full((1, 1), 0.5, np.float32))


@pytest.mark.parametrize("shape", [(25, 4000), (4000, 25), (37, 41)])
def test_odd_shapes_of_noise(shape: tuple[int, int]) -> None:
    noise = np.random.default_rng(1).random(shape, dtype=np.float32)
    with pytest.raises(NotMeasurable):
        measure_scale(noise)


def test_white_noise() -> None:
    noise = np.random.default_rng(2).random((600, 800), dtype=np.float32)
    with pytest.raises(NotMeasurable):
        measure_scale(noise)


def test_a_row_of_square_pads() -> None:
    picture = np.full((400, 800), 0.2, np.float32)
    for x in range(40, 760, 40):
        picture[180:200, x : x + 20] = 0.9
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(picture))


def test_a_small_array_on_a_chip_is_not_taken_for_a_grid() -> None:
    picture = np.full((600, 800), 0.3, np.float32)
    for y in range(200, 300, 12):
        for x in range(300, 420, 12):
            picture[y : y + 6, x : x + 6] = 0.8
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(picture))


def test_a_fan_of_lines() -> None:
    picture = np.full((500, 500), 0.8, np.float32)
    for angle in np.linspace(0.3, 2.8, 20):
        end = (int(250 + 300 * np.cos(angle)), int(20 + 300 * np.sin(angle)))
        cv2.line(picture, (250, 20), end, 0.1, 3, cv2.LINE_AA)
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(picture))
