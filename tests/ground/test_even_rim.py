"""Frames around photos are told from what photos show at their rims."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from glassay.imaging.even_rim import Rim, even_rim

Grey = np.ndarray


def scene(*, top: float = 0.55, noise: float = 0.01) -> Grey:
    """A photo of lines (240, 320) on a ground of this tone."""
    rng = np.random.default_rng(4)
    photo = np.full((240, 320), top, np.float32)
    photo[60:180, 20:300:10] = 0.2
    return (cv2.GaussianBlur(photo, (0, 0), 1) + rng.normal(0, noise, photo.shape)).astype(
        np.float32
    )


def framed(photo: Grey, value: float, top: int, bottom: int, left: int, right: int) -> Grey:
    return cv2.copyMakeBorder(
        photo, top, bottom, left, right, cv2.BORDER_CONSTANT, value=[value] * 3
    )


@pytest.mark.parametrize("value", [0.0, 0.3, 1.0])
def test_the_widths_of_a_frame_are_told(value: float) -> None:
    assert even_rim(framed(scene(), value, 40, 30, 20, 10)) == Rim(20, 40, 10, 30)
    letterbox = even_rim(framed(scene(), value, 40, 40, 0, 0))
    assert letterbox == Rim(0, 40, 0, 40)
    assert letterbox is not None
    assert str(letterbox) == "40 px at the top, 40 px at the bottom"


@pytest.mark.parametrize("quality", [95, 70, 40])
def test_a_frame_is_told_when_the_whole_was_compressed(quality: int) -> None:
    stored = np.clip(255 * framed(scene(), 0.05, 44, 44, 0, 0), 0, 255).astype(np.uint8)
    data = cv2.imencode(".jpg", stored, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    found = even_rim(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE).astype(np.float32) / 255)
    assert found is not None
    assert found.top == pytest.approx(44, abs=8)


def test_a_scene_that_is_as_white_as_paper_at_its_rim_has_no_frame() -> None:
    assert even_rim(np.minimum(scene(top=1.3), 1)) is None
    assert even_rim(scene()) is None
    assert even_rim(scene(noise=0.0)) is None
    assert even_rim(np.full((80, 90), 0.5, np.float32)) is None


def test_two_rows_are_no_frame() -> None:
    assert even_rim(framed(scene(), 0.0, 2, 2, 0, 0)) is None
