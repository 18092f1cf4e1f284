"""Light that makes lines of a chip's edges is seen, and no response is told from them.

The pictures are drawn with Pillow and lit, blurred and sampled here.
"""

import numpy as np
import pytest
from PIL import Image, ImageDraw

from glassay.detail.edge import measure_edges
from glassay.detail.lighting import is_dark_field, one_sided
from glassay.detail.wiring_response import response_of_wiring
from glassay.errors import NotMeasurable

OVERSAMPLE = 3
HEIGHT, WIDTH = 480, 640
SIGMA_PX = 1.3
EDGE_PX = 2.563 * SIGMA_PX  # 10-90 % width of a Gaussian's edge


def chip(seed, wide=(5, 24)):
    """Blocks and wires of many widths, 8 degrees off the rows."""
    rng = np.random.default_rng(seed)
    side = 960 * OVERSAMPLE
    sheet = Image.new("F", (side, side), 0.15)
    pen = ImageDraw.Draw(sheet)
    for _ in range(800):
        x, y = rng.uniform(0, side, 2)
        w, h = rng.uniform(*wide) * OVERSAMPLE, rng.uniform(12, 90) * OVERSAMPLE
        w, h = (w, h) if rng.random() < 0.5 else (h, w)
        pen.rectangle((x, y, x + w, y + h), fill=float(rng.uniform(0.08, 0.7)))
    turned = np.asarray(sheet.rotate(8, Image.Resampling.BILINEAR), dtype=np.float32)
    cut = 150 * OVERSAMPLE
    return turned[cut : cut + HEIGHT * OVERSAMPLE, cut : cut + WIDTH * OVERSAMPLE]


def seen(scene, seed=0):
    """The scene blurred by a Gaussian, averaged over pixels, with noise."""
    fy = np.fft.fftfreq(scene.shape[0], 1 / OVERSAMPLE)[:, None]
    fx = np.fft.rfftfreq(scene.shape[1], 1 / OVERSAMPLE)
    blur = np.exp(-2 * (np.pi * SIGMA_PX) ** 2 * (fx**2 + fy**2))
    blurred = np.fft.irfft2(np.fft.rfft2(scene) * blur, scene.shape)
    light = blurred.reshape(HEIGHT, OVERSAMPLE, WIDTH, OVERSAMPLE).mean((1, 3))
    noise = np.random.default_rng(seed).normal(0, 0.004, light.shape)
    return np.clip(light + noise, 0, 0.99).astype(np.float32)


def slopes(scene):
    """Along and down, per px of the photo."""
    down, along = np.gradient(scene)
    return along * OVERSAMPLE, down * OVERSAMPLE


def from_side(scene, lamp_deg, reach_px=8.0):
    """Half the light from above, and edges that face the lamp shine."""
    along, down = slopes(scene)
    lamp = np.radians(lamp_deg)
    shine = reach_px * (along * np.cos(lamp) + down * np.sin(lamp))
    return np.maximum(0.6 * scene + 0.25 * shine, 0)


@pytest.mark.parametrize("lamp_deg", [20, 115, 250])
def test_light_from_one_side_is_seen_and_where_from(lamp_deg):
    found = one_sided(seen(from_side(chip(1), lamp_deg)), EDGE_PX)
    assert found is not None
    off = (found.lamp_deg - lamp_deg + 180) % 360 - 180
    assert abs(off) <= 45


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_light_along_the_axis_is_not_taken_for_light_from_one_side(seed):
    picture = seen(chip(seed), seed)
    assert one_sided(picture, EDGE_PX) is None
    assert not is_dark_field(picture, EDGE_PX)


def test_no_response_is_told_of_a_chip_that_is_lit_from_one_side():
    with pytest.raises(NotMeasurable, match="lit from one side"):
        response_of_wiring(seen(from_side(chip(2), 215)))


def test_no_response_is_told_of_a_chip_in_dark_field():
    along, down = slopes(chip(2))
    dark = 0.01 + 0.7 * np.minimum(np.hypot(along, down), 1)
    with pytest.raises(NotMeasurable, match="dark field"):
        response_of_wiring(seen(dark))


def test_long_edges_of_a_chip_lit_from_one_side_tell_no_response_either():
    roomy = chip(3, wide=(60, 120))
    measure_edges(seen(roomy))  # they are fit to be measured, if lit along the axis
    with pytest.raises(NotMeasurable, match="lit from one side"):
        measure_edges(seen(from_side(roomy, 215, reach_px=4.0)))


def test_a_single_edge_is_taken_as_it_is():
    """A blade has edges one way only: what leans there may be the lens."""
    scene = np.full((HEIGHT * OVERSAMPLE, WIDTH * OVERSAMPLE), 0.1, np.float32)
    scene[:, scene.shape[1] // 2 :] = 0.6
    leaning = np.clip(scene + 0.2 * np.gradient(scene, axis=1), 0, 1)
    turned = Image.fromarray(leaning).rotate(5, Image.Resampling.BILINEAR, fillcolor=0.1)
    measure_edges(seen(np.asarray(turned)), box=(200, 100, 240, 280))


def test_nothing_is_said_of_a_picture_that_is_too_small_or_empty():
    assert one_sided(np.full((40, 50), 0.3, np.float32), 3.0) is None
    assert one_sided(np.full((200, 300), 0.3, np.float32), 3.0) is None
    assert not is_dark_field(np.zeros((200, 300), np.float32), 3.0)
