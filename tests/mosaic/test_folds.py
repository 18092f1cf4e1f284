"""A mosaic that may be folded: photos upon each other, beside sides that show nothing."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from glassay.errors import NotMeasurable
from glassay.mosaic import place_tiles
from glassay.mosaic.folds import upon_each_other
from glassay.mosaic.lens import Lens

HIGH, WIDE = 240, 320
STEP = 224
PERIOD = 2 * STEP
"""The third column of photos shows what the first shows."""
Sheet = npt.NDArray[np.float32]


def _sheet(*, period: int | None, plain: tuple[int, int] | None) -> Sheet:
    """Noise, the same again after `period`; columns from and to which it is plain."""
    noise = np.random.default_rng(11).normal(0, 1, (520, period or 1000)).astype(np.float32)
    soft = cv2.GaussianBlur(noise, (0, 0), 2.0)
    if plain is not None:
        soft[:, plain[0] : plain[1]] = 0
    return np.tile(soft, (1, 4))[:, :1000]


def _photos(folder: Path, sheet: Sheet, step: int) -> list[Path]:
    rng = np.random.default_rng(6)
    paths = []
    for n in range(6):
        x = n % 3 * step + int(rng.integers(0, 8))
        y = n // 3 * 168 + int(rng.integers(0, 8))
        seen = 128 + 130 * sheet[y : y + HIGH, x : x + WIDE] + rng.normal(0, 0.8, (HIGH, WIDE))
        paths.append(folder / f"{n}.png")
        cv2.imwrite(str(paths[-1]), np.clip(np.rint(seen), 0, 255).astype(np.uint8))
    return paths


def test_photos_upon_each_other_beside_a_plain_side_are_refused(tmp_path: Path) -> None:
    """The third column belongs beside the second, where both are plain; it fits on the first."""
    sheet = _sheet(period=PERIOD, plain=(0, 105))
    with pytest.raises(NotMeasurable, match="share more than half"):
        place_tiles(_photos(tmp_path, sheet, STEP))


def test_photos_that_overlap_by_more_than_half_are_placed_by_their_detail(tmp_path: Path) -> None:
    result = place_tiles(_photos(tmp_path, _sheet(period=None, plain=None), 120))
    assert result.placed == 6


def test_a_plain_side_alone_is_no_doubt(tmp_path: Path) -> None:
    """As a die's surroundings: the left of the first column shows nothing."""
    result = place_tiles(_photos(tmp_path, _sheet(period=None, plain=(0, 105)), STEP))
    assert result.placed == 6


def test_what_lies_upon_each_other_shares_more_than_half() -> None:
    lens = Lens((HIGH, WIDE))
    poses = {n: np.column_stack([np.eye(2), (x, 0.0)]) for n, x in enumerate((0, 100, 200))}
    assert upon_each_other(poses, [lens] * 3) == [(0, 1), (1, 2)]
