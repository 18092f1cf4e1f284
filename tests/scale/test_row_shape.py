"""Lines that stand in pairs or fan out are no scale, even where every so many is longer.

Drawn with Pillow at four times the size and averaged.
"""

import math

import numpy as np
import pytest
from PIL import Image, ImageDraw

from glassay.errors import NotMeasurable
from glassay.scale import measure_scale

WIDE, HIGH, FINER = 640, 400, 4


def photo(strokes, seed=1):
    """Grey picture, linear light, of strokes ((x, y), (x, y)) in px, 3 px wide."""
    sheet = Image.new("L", (WIDE * FINER, HIGH * FINER), 220)
    pen = ImageDraw.Draw(sheet)
    for ends in strokes:
        pen.line([tuple(FINER * v for v in end) for end in ends], fill=30, width=3 * FINER)
    small = sheet.resize((WIDE, HIGH), Image.Resampling.BOX)
    light = (np.asarray(small, np.float32) / 255) ** 2.2
    return np.clip(light + np.random.default_rng(seed).normal(0, 0.01, light.shape), 0, 1)


def row(division, pair=0.0):
    """Upright lines, every fifth longer; every second one shifted by `pair` divisions."""
    for n in range(int(600 / division)):
        x = 20 + division * (n + (pair if n % 2 else 0))
        yield (x, 200 - (60 if n % 5 == 0 else 35)), (x, 200)


def dial(division, radius):
    """Marks around a circle below the picture, every fifth longer."""
    for n in range(-60, 61):
        way = np.array([math.sin(n * division / radius), -math.cos(n * division / radius)])
        middle = np.array([WIDE / 2, HIGH / 2 + radius])
        reach = 60 if n % 5 == 0 else 35
        yield tuple(middle + radius * way), tuple(middle + (radius + reach) * way)


def test_an_even_row_is_a_scale():
    assert measure_scale(photo(row(17.0))).division.value == pytest.approx(17.0, rel=1e-3)


@pytest.mark.parametrize("pair", [0.04, -0.03])
def test_lines_in_pairs_are_no_scale(pair):
    with pytest.raises(NotMeasurable, match="in pairs"):
        measure_scale(photo(row(17.0, pair)))


@pytest.mark.parametrize("radius", [1500, 1700])
def test_the_division_of_a_dial_is_no_scale(radius):
    with pytest.raises(NotMeasurable, match="fan out"):
        measure_scale(photo(dial(24.0, radius)))
