"""The sheet of the growing map and a frame's sharpness: short ways give what long ones do."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from glassay.mosaic.live.chart import Chart
from glassay.mosaic.live.picture import PARTS, Place, View, view_of

SIZE = (192, 108)


def view(seed: int) -> View:
    detail = np.random.default_rng(seed).normal(size=SIZE[::-1]).astype(np.float32)
    return View(detail, np.ones(PARTS, np.float32), 1.0)


def as_a_whole(chart: Chart, place: Place) -> list[npt.NDArray[np.floating]]:
    """The whole sheet turned into the frame."""
    matrix = place.matrix(SIZE)
    matrix[:, 2] -= chart.box[:2]
    return [
        np.asarray(cv2.warpAffine(one, matrix, SIZE, flags=cv2.WARP_INVERSE_MAP | flag), np.float64)
        for one, flag in ((chart.detail, cv2.INTER_LINEAR), (chart.known, cv2.INTER_NEAREST))
    ]


@pytest.mark.parametrize(
    "place",
    [
        Place(3.4, -2.2, 0.01), Place(120.3, 60.1, -0.02), Place(-150.0, 40.7),
        Place(260.2, 130.4, 0.03), Place(700.0, 0.0), Place(60.0, 50.0, 0.5),
    ],
)  # fmt: skip
def test_a_frame_beside_the_tiles_sees_what_it_would_of_the_whole_sheet(place: Place) -> None:
    chart = Chart()
    chart.lay(view(1), Place(0.0, 0.0, 0.01))
    chart.lay(view(2), Place(140.3, 61.7, -0.02))
    detail, known = chart.seen_at(place, SIZE)
    wanted, there = as_a_whole(chart, place)
    assert np.array_equal(known, there)
    # places are rounded to a 32nd of a px on the way, from another origin
    assert np.abs(detail - wanted).max() < 0.3
    assert np.abs(detail - wanted).mean() < 1e-3
    assert (np.asarray(known).any()) == (place.x < 500)


def test_an_empty_sheet_shows_nothing() -> None:
    detail, known = Chart().seen_at(Place(0.0, 0.0), SIZE)
    assert not detail.any()
    assert not known.any()


@pytest.mark.parametrize("size", [(640, 360), (800, 487), (90, 40)])
def test_sharpness_of_each_part_is_the_rms_slope_over_the_level(size: tuple[int, int]) -> None:
    rng = np.random.default_rng(3)
    grey = cv2.GaussianBlur(rng.integers(0, 255, size[::-1], np.uint8), (0, 0), 1.3)
    found = view_of(np.asarray(grey, np.uint8)).sharpness
    smooth = cv2.GaussianBlur(grey, (3, 3), 0).astype(np.float64)
    gx, gy = np.zeros_like(smooth), np.zeros_like(smooth)
    gx[:, 1:-1] = smooth[:, 2:] - smooth[:, :-2]
    gy[1:-1] = smooth[2:] - smooth[:-2]
    rows = [round(n * size[1] / PARTS[0]) for n in range(PARTS[0] + 1)]
    columns = [n * size[0] // PARTS[1] for n in range(PARTS[1] + 1)]
    for r in (0, 4, 8):
        for c in (0, 7, 15):
            part = (slice(rows[r], rows[r + 1]), slice(columns[c], columns[c + 1]))
            rms = np.sqrt((gx[part] ** 2 + gy[part] ** 2).mean())
            exact = size[0] % PARTS[1] == 0 and size[1] % PARTS[0] == 0
            assert found[r, c] == pytest.approx(rms / grey[part].mean(), rel=0.02 if exact else 0.2)
