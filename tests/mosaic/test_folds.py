"""A mosaic that may be folded: photos upon each other, beside sides that show nothing."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from glassay.errors import NotMeasurable
from glassay.mosaic import measure, place_tiles
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


def _marked(photo: npt.NDArray[np.float32], beyond: int = 0) -> npt.NDArray[np.float32]:
    """Dirt on the sensor and a date, in every photo of the camera, right of a column."""
    rng, gain = np.random.default_rng(5), np.ones(photo.shape, np.float32)
    for _ in range(200):
        place = (int(rng.integers(WIDE)), int(rng.integers(HIGH)))
        cv2.circle(gain, place, int(rng.integers(1, 7)), float(rng.uniform(0.3, 0.8)), -1)
    date = np.zeros((18, 110), np.uint8)
    cv2.putText(date, "2031-05-17", (4, 13), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 255, 1)
    gain[HIGH - 22 : HIGH - 4, 8:118] = np.where(date > 0, 1.3, 0.2)
    gain[:, :beyond] = 1
    return photo * gain


def test_photos_held_together_by_dirt_and_a_date_alone_are_refused(tmp_path: Path) -> None:
    rng, paths = np.random.default_rng(8), []
    for n in range(5):  # places that have nothing in common, and little detail
        soft = cv2.GaussianBlur(rng.normal(0, 1, (HIGH, WIDE)).astype(np.float32), (0, 0), 40)
        seen = _marked(140 + 40 * soft / soft.std()) + rng.normal(0, 0.8, (HIGH, WIDE))
        paths.append(tmp_path / f"{n}.png")
        cv2.imwrite(str(paths[-1]), np.clip(np.rint(seen), 0, 255).astype(np.uint8))
    with pytest.raises(NotMeasurable, match="exactly upon each other"):
        place_tiles(paths)


def test_one_place_taken_twice_keeps_its_place(tmp_path: Path) -> None:
    paths = _photos(tmp_path, _sheet(period=None, plain=None), STEP)
    rng, again = np.random.default_rng(9), cv2.imread(str(paths[1]), cv2.IMREAD_GRAYSCALE)
    assert again is not None
    twice = again + rng.normal(0, 0.8, again.shape)
    paths.append(tmp_path / "again.png")
    cv2.imwrite(str(paths[-1]), np.clip(np.rint(twice), 0, 255).astype(np.uint8))
    assert place_tiles(paths).placed == 7


def test_the_reason_of_photos_held_by_dirt_names_the_dirt(tmp_path: Path) -> None:
    """Eighteen photos of a chip and, with dirt that came upon the sensor, one at its rim, of which most
    is plain, and two of something else: by the dirt these lie exactly upon that."""
    rng = np.random.default_rng(12)
    end = 5 * STEP + WIDE
    chip = rng.normal(0, 1, (3 * 168 + 110, end + WIDE)).astype(np.float32)
    chip = cv2.GaussianBlur(chip, (0, 0), 2.0)
    chip[:, end:] = 0

    def write(name: str, seen: npt.NDArray[np.float32]) -> None:
        noisy = seen + rng.normal(0, 0.8, seen.shape)
        cv2.imwrite(str(tmp_path / name), np.clip(np.rint(noisy), 0, 255).astype(np.uint8))

    def at(x: int, y: int) -> npt.NDArray[np.float32]:
        return 128 + 130 * chip[y : y + HIGH, x : x + WIDE]

    for n in range(18):
        x, y = (int(v) for v in rng.integers(0, 8, 2))
        write(f"{n:02d}.png", at(n % 6 * STEP + x, n // 6 * 168 + y))
    dirty = ["rim.png", "other 1.png", "other 2.png"]
    write(dirty[0], _marked(at(end - 72, 84), 80))
    for name in dirty[1:]:
        soft = cv2.GaussianBlur(rng.normal(0, 1, (HIGH, WIDE)).astype(np.float32), (0, 0), 40)
        write(name, _marked(140 + 15 * soft / soft.std(), 80))
    result = place_tiles(sorted(tmp_path.glob("*.png")))
    reasons = {w.path.name: w.reason or "" for w in result.where if w.matrix is None}
    assert sorted(reasons) == sorted(dirty)
    assert all("dirt on its sensor" in reasons[name] for name in dirty)


def test_a_photo_that_hung_on_one_left_out_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Four photos in a row: without the third, the fourth joins nothing; it contradicts nothing."""
    sheet, paths = _sheet(period=None, plain=None), []
    for n in range(4):
        seen = 128 + 130 * sheet[:HIGH, n * STEP : n * STEP + WIDE]
        paths.append(tmp_path / f"{n}.png")
        cv2.imwrite(str(paths[-1]), np.clip(np.rint(seen), 0, 255).astype(np.uint8))
    monkeypatch.setattr(measure, "left_open", lambda *_: {2: "for a reason"})
    reasons = [w.reason for w in place_tiles(paths).where]
    assert reasons == [None, None, "for a reason", measure.HUNG_ON_OTHERS]
