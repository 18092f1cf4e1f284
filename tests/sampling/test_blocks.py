"""Block coefficients: where the grid is, and that compression does not tie coefficients."""

from __future__ import annotations

import numpy as np
import pytest
from studies._enlarged import compress

from glassay.imaging.compression import jpeg_quality
from glassay.sampling.blocks import block_statistics, compression_grid, grid_verdict


def noise_pair(quality: int | None, sigma: float = 3.0) -> np.ndarray:
    """Difference over sqrt 2 of two noisy exposures of a texture, compressed."""
    rng = np.random.default_rng(9)
    texture = 120 + 25 * rng.standard_normal((480, 640))
    frames = [
        compress(np.clip(np.rint(texture + rng.normal(0, sigma, texture.shape)), 0, 255)
                 .astype(np.uint8), quality).astype(np.float32)
        for _ in range(2)
    ]  # fmt: skip
    return (frames[0] - frames[1]) / np.float32(2**0.5)


def test_the_grid_of_a_cropped_compressed_photo_is_found():
    residual = noise_pair(85)
    assert compression_grid(residual, 1.0) == ((0, 0), True)
    assert compression_grid(np.ascontiguousarray(residual[5:, 3:]), 1.0) == ((5, 3), True)


def test_lossless_noise_has_no_grid():
    assert compression_grid(noise_pair(None), 1.0) == ((0, 0), False)


@pytest.mark.parametrize("quality", [80, 90, None])
def test_signs_of_coefficients_of_native_noise_are_independent(quality):
    found = block_statistics([noise_pair(quality)], 1.0)
    count = np.maximum(found.both_x, 1)
    z = (found.agree_x / np.sqrt(count))[~np.eye(8, dtype=bool) & (found.both_x >= 25)]
    assert np.abs(z).max() < 4.5
    verdict = grid_verdict(found.agree_x, found.both_x)
    assert verdict is not None
    assert not verdict.is_enlarged


def test_doubling_ties_mirrored_coefficients():
    small = np.random.default_rng(3).normal(0, 4, (240, 320)).astype(np.float32)
    doubled = np.repeat(np.repeat(small, 2, axis=0), 2, axis=1)
    found = block_statistics([doubled], 1.0)
    # Copied pixels: coefficient 8 - u is a fixed multiple of coefficient u.
    assert abs(found.agree_x[3, 5]) / found.both_x[3, 5] > 0.99
    verdict = grid_verdict(found.agree_x, found.both_x)
    assert verdict is not None
    assert verdict.is_enlarged
    assert verdict.factor == 2


def test_quality_of_the_standards_own_table_is_fifty():
    # ITU-T T.81, table K.1; scaling 1 is quality 50 by common practice.
    table = [16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40,
             57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62, 18, 22, 37, 56, 68, 109, 103, 77, 24, 35,
             55, 64, 81, 104, 113, 92, 49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112,
             100, 103, 99]  # fmt: skip
    assert jpeg_quality({0: table}) == 50
    assert jpeg_quality({0: [max(1, round(0.3 * entry)) for entry in table]}) == 85
    assert jpeg_quality({}) is None
