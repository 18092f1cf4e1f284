"""A chip that repeats farther apart than a photo shows fits in several ways, and is refused."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from glassay.errors import NotMeasurable
from glassay.mosaic import place_tiles

HIGH, WIDE = 240, 320
SHEET = (520, 1000)


def _photos(folder: Path, sheet: cv2.typing.MatLike, columns: int, rows: int) -> list[Path]:
    """Photos in a grid that overlap by three tenths, moved by hand."""
    rng = np.random.default_rng(6)
    paths = []
    for n in range(columns * rows):
        x = int(n % columns * 0.7 * WIDE + rng.integers(0, 12))
        y = int(n // columns * 0.7 * HIGH + rng.integers(0, 12))
        paths.append(folder / f"{n}.png")
        cv2.imwrite(str(paths[-1]), sheet[y : y + HIGH, x : x + WIDE])
    return paths


def _sheet(period: int | None) -> cv2.typing.MatLike:
    """Noise, the same again after `period` px along x."""
    rng = np.random.default_rng(11)
    noise = rng.normal(0, 1, (SHEET[0], period or SHEET[1])).astype(np.float32)
    noise = np.tile(noise, (1, 4))[:, : SHEET[1]]
    return np.clip(128 + 130 * cv2.GaussianBlur(noise, (0, 0), 2.0), 0, 255).astype(np.uint8)


def test_what_does_not_repeat_is_placed(tmp_path: Path) -> None:
    result = place_tiles(_photos(tmp_path, _sheet(None), 3, 2))
    assert result.placed == 6


@pytest.mark.parametrize("period", [430, 500, 560])
def test_what_repeats_beyond_a_photo_is_refused(tmp_path: Path, period: int) -> None:
    with pytest.raises(NotMeasurable, match="fit in more than one way"):
        place_tiles(_photos(tmp_path, _sheet(period), 3, 2))


def test_what_repeats_beyond_all_photos_is_placed(tmp_path: Path) -> None:
    """The photos together are 780 px wide: no two of them show one thing a period apart."""
    result = place_tiles(_photos(tmp_path, _sheet(800), 3, 2))
    assert result.placed == 6


def test_a_row_whose_ends_repeat_is_refused(tmp_path: Path) -> None:
    with pytest.raises(NotMeasurable, match="fit in more than one way"):
        place_tiles(_photos(tmp_path, _sheet(640), 4, 1))


def test_details_that_occur_once_decide(tmp_path: Path) -> None:
    sheet = _sheet(500).copy()
    other = _sheet(None)
    # the right half repeats the left, but for bands across it
    for top in range(0, SHEET[0], 60):
        sheet[top : top + 30, 500:] = other[top : top + 30, 500:]
    result = place_tiles(_photos(tmp_path, sheet, 3, 2))
    assert result.placed == 6
