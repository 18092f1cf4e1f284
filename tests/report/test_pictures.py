"""Photos carried inside the page: within their bytes, and looking as they should."""

from __future__ import annotations

import base64
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from glassay.bench.keeping.results import BenchResults
from glassay.imaging import Photo
from glassay.report import evidence, pictures


def decoded(uri: str) -> tuple[Image.Image, int]:
    data = base64.b64decode(uri.removeprefix("data:image/jpeg;base64,"))
    return Image.open(io.BytesIO(data)), len(data)


def noise(shape: tuple[int, ...]) -> np.ndarray:
    return np.random.default_rng(1).integers(0, 256, shape).astype(np.uint8)


@pytest.mark.parametrize("most", [200_000, 60_000])
def test_a_picture_keeps_within_its_bytes_however_noisy(most: int) -> None:
    image, size = decoded(pictures.jpeg_uri(noise((800, 1100, 3)), most))
    assert size <= most
    assert image.width / image.height == pytest.approx(1100 / 800, rel=0.01)


def test_a_quiet_picture_keeps_its_size_and_best_quality() -> None:
    ramp = np.tile(np.linspace(0, 255, 1100).astype(np.uint8), (800, 1))
    image, _ = decoded(pictures.jpeg_uri(ramp, 100_000))
    assert image.size == (1100, 800)
    assert np.abs(np.asarray(image).astype(int) - ramp).max() <= 4


def test_the_longer_side_is_brought_down_and_never_up() -> None:
    tall = Photo(Path("a"), noise((3000, 1000, 3)), "srgb")
    assert pictures.for_screen(tall).shape == (1100, 367, 3)
    small = Photo(Path("a"), noise((30, 40)), "srgb")
    assert (pictures.for_screen(small) == small.stored).all()


@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_linear_photos_are_shown_as_the_eye_expects(dtype: type) -> None:
    light = np.full((50, 60), 0.2, dtype=np.float32)
    light[:, 30:] = 1.0
    stored = (light * 40000).astype(np.uint16) if dtype is np.uint16 else light
    shown = pictures.for_screen(Photo(Path("a"), stored, "linear"))
    # sRGB of 0.2 linear is 0.4845 (IEC 61966-2-1): 1.055 * 0.2 ** (1 / 2.4) - 0.055.
    assert shown[0, 0] == pytest.approx(123.6, abs=1)
    assert shown[0, -1] == 255


def test_with_too_many_captures_the_first_of_each_setting_keeps_its_picture(
    results: BenchResults, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(evidence, "PAGE_BYTES", 3 * evidence.LEAST_BYTES)
    drawn = evidence.draw_captures(results)
    kept = {name for name, one in drawn.items() if one.figures}
    assert kept == {"captures/near.png", "captures/far.png", "captures/eye.png"}
    assert "left out" in drawn["captures/chip.png"].missing


def test_all_pictures_together_keep_within_the_page(
    results: BenchResults, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (evidence, pictures):
        monkeypatch.setattr(module, "PAGE_BYTES", 100_000)
    drawn = evidence.draw_captures(results)
    total = sum(len(figure.html) for one in drawn.values() for figure in one.figures)
    # A third more as text, and the drawings themselves: some 6 kB each.
    assert total < 1.34 * 100_000 + 5 * 12_000
