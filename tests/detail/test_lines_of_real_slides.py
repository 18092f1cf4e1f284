"""One photograph says one thing of its response, whichever lines of it are asked.

The photographs are real ones (tests/data/real/README.md); nobody knows their true response.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from glassay.detail.line_response import response_of_lines
from glassay.errors import NotMeasurable
from glassay.imaging import read_photo
from glassay.imaging.photo import Photo
from glassay.quantity import Quantity
from glassay.scale import measure_scale

FOLDER = Path(__file__).parents[1] / "data" / "real"


def tenth_of(photo: Photo, box: tuple[int, int, int, int] | None) -> Quantity:
    scale = measure_scale(photo.measuring_grey(), box=box)
    found = response_of_lines(
        photo.linear_grey(), scale.segments, scale.division.value,
        photo.facts.get("quantization"), photo.other_tones,
    )  # fmt: skip
    assert found.frequency_10 is not None
    return found.frequency_10


@pytest.mark.parametrize(
    ("name", "boxes"),
    [
        ("scale-a.png", [(0, 0, 500, 300), (0, 0, 450, 500)]),
        ("chamber-a.jpg", [(0, 0, 512, 768), (0, 0, 1024, 384)]),
    ],
)
def test_zones_of_one_photo_agree_within_their_uncertainty(
    name: str, boxes: list[tuple[int, int, int, int]]
) -> None:
    photo = read_photo(FOLDER / name, None)
    one, other = (tenth_of(photo, box) for box in boxes)
    assert abs(one.value - other.value) < 2 * np.hypot(one.u, other.u)
    assert max(one.relative, other.relative) < 0.25


@pytest.mark.parametrize("box", [(512, 0, 512, 768), (512, 0, 200, 240), (0, 0, 700, 240)])
def test_lines_scratched_unevenly_and_without_ends_are_refused(
    box: tuple[int, int, int, int],
) -> None:
    """The chamber's lines along rows look half as sharp as those along columns; its cells do not."""
    photo = read_photo(FOLDER / "chamber-a.jpg", None)
    with pytest.raises(NotMeasurable, match="differ from each other"):
        tenth_of(photo, box)
