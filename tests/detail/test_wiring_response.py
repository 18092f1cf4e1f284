"""A chip alone tells the response of the instrument that shows it, or says why not."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw

from glassay.detail.wiring_response import response_of_wiring
from glassay.errors import NotMeasurable
from glassay.imaging.tone import linear_to_srgb, srgb_to_linear

WIDTH, HEIGHT, OVERSAMPLE = 560, 420, 4
CUTOFF = 0.6  # cycles/px
SIGMA = 1.2  # px


def clear_pupil(f):
    """Incoherent, circular, no aberration: Goodman, Fourier Optics, 6.3 (from memory)."""
    n = np.minimum(f / CUTOFF, 1.0)
    return 2 / np.pi * (np.arccos(n) - n * np.sqrt(1 - n * n))


def frequency_at(level, more_blur_px=0.0):
    """Of the pupil and a square pixel, along the wires' normal, 10 degrees off the rows."""
    f = np.linspace(0, 1, 4001)
    pixel = np.sinc(f * np.cos(np.radians(10))) * np.sinc(f * np.sin(np.radians(10)))
    blur = np.exp(-2 * (np.pi * more_blur_px * f) ** 2)
    return float(f[np.argmax(clear_pupil(f) * pixel * blur < level)])


@pytest.fixture(scope="module")
def wires():
    """Wires and cells 4 px wide and wider, at random, 10 degrees off the rows; drawn with Pillow."""
    rng = np.random.default_rng(5)
    side = 800 * OVERSAMPLE
    sheet = Image.new("F", (side, side), 0.15)
    pen = ImageDraw.Draw(sheet)
    for _ in range(700):
        x, y = rng.uniform(0, side, 2)
        w, h = rng.uniform(4, 16) * OVERSAMPLE, rng.uniform(8, 60) * OVERSAMPLE
        w, h = (w, h) if rng.random() < 0.5 else (h, w)
        pen.rectangle((x, y, x + w, y + h), fill=float(rng.uniform(0.05, 0.7)))
    turned = sheet.rotate(10, Image.Resampling.BILINEAR)
    return np.asarray(turned, dtype=np.float32)[: -side // 10, side // 10 : -side // 10]


def photo(wires):
    """`wires` through the pupil and square pixels, with noise."""
    fy, fx = (
        np.fft.fftfreq(wires.shape[0], 1 / OVERSAMPLE),
        np.fft.rfftfreq(wires.shape[1], 1 / OVERSAMPLE),
    )
    seen = np.fft.irfft2(np.fft.rfft2(wires) * clear_pupil(np.hypot(fy[:, None], fx)), wires.shape)
    cut = seen[200 : 200 + HEIGHT * OVERSAMPLE, 200 : 200 + WIDTH * OVERSAMPLE]
    light = cut.reshape(HEIGHT, OVERSAMPLE, WIDTH, OVERSAMPLE).mean((1, 3))
    return (light + np.random.default_rng(1).normal(0, 0.006, light.shape)).astype(np.float32)


@pytest.fixture(scope="module")
def even(wires):
    """What is told of a photo that is as sharp everywhere."""
    return response_of_wiring(photo(wires))


def test_the_response_is_read_from_wiring_within_its_uncertainty(even):
    for level, told in ((0.5, even.frequency_50), (0.1, even.frequency_10)):
        low, high = told.interval
        assert low <= frequency_at(level) <= high
        assert told.expanded < 0.12 * told.value


def test_a_layer_out_of_focus_does_not_hide_the_sharp_one(wires):
    sharp = photo(wires)
    both = sharp.copy()
    both[:, WIDTH // 2 :] = cv2.GaussianBlur(sharp, (0, 0), 1.2)[:, WIDTH // 2 :]
    low, high = response_of_wiring(both).frequency_10.interval
    assert low <= frequency_at(0.1) <= high


def test_corners_out_of_focus_are_told_as_one_figure(wires, even):
    sharp = photo(wires)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    share = np.hypot(x - (WIDTH - 1) / 2, y - (HEIGHT - 1) / 2) / (np.hypot(WIDTH, HEIGHT) / 2)
    blurred = cv2.GaussianBlur(sharp, (0, 0), SIGMA)
    found = response_of_wiring(np.where(share > 0.6, blurred, sharp)).corner_ratio
    low, high = found.interval
    assert low <= frequency_at(0.1) / frequency_at(0.1, more_blur_px=SIGMA) <= high
    assert found.expanded < 0.3 * found.value
    low, high = even.corner_ratio.interval
    assert low <= 1 <= high


def test_what_compression_took_is_in_the_uncertainty(wires):
    file = io.BytesIO()
    stored = np.rint(255 * linear_to_srgb(np.clip(photo(wires), 0, 1))).astype(np.uint8)
    Image.fromarray(stored).save(file, "JPEG", quality=85)
    read = Image.open(file)
    light = srgb_to_linear(np.asarray(read) / 255).astype(np.float32)
    found = response_of_wiring(light, quantization=read.quantization).frequency_10
    low, high = found.interval
    assert low <= frequency_at(0.1) <= high
    assert "detail lost in compression" in [part.source for part in found.contributions]


@pytest.mark.parametrize("kind", ["noise", "blotches"])
def test_a_picture_without_wiring_is_refused(kind):
    picture = np.random.default_rng(2).standard_normal((300, 400)).astype(np.float32)
    if kind == "blotches":
        picture = cv2.GaussianBlur(picture, (0, 0), 3)
    picture = 0.4 + 0.1 * picture / picture.std()
    with pytest.raises(NotMeasurable, match="pieces of wiring"):
        response_of_wiring(picture.astype(np.float32))


def test_borders_that_are_two_steps_do_not_pass_for_the_response_of_narrower_wires():
    """Pads alone have room about them, and each of their borders is a ledge 3 px wide."""
    rng = np.random.default_rng(9)
    side = 800 * OVERSAMPLE
    sheet = Image.new("F", (side, side), 0.1)
    pen = ImageDraw.Draw(sheet)
    ledge, wide = 3 * OVERSAMPLE, 38 * OVERSAMPLE
    for y in range(0, side, 110 * OVERSAMPLE):
        for x in range(0, side, 66 * OVERSAMPLE):
            pen.rectangle((x, y, x + wide, y + wide), fill=0.4)
            pen.rectangle((x + ledge, y + ledge, x + wide - ledge, y + wide - ledge), fill=0.7)
        for k in range(7):  # wires about 4 px wide, 8 px apart
            at, thick = y + wide + (16 + 8 * k) * OVERSAMPLE, rng.uniform(3.5, 4.5) * OVERSAMPLE
            for x in range(0, side, 90 * OVERSAMPLE):  # in pieces: each run is one edge to measure
                pen.rectangle((x, at, x + 84 * OVERSAMPLE, at + int(thick)), fill=0.8)
    turned = np.asarray(sheet.rotate(10, Image.Resampling.BILINEAR), dtype=np.float32)
    found = response_of_wiring(photo(turned[: -side // 10, side // 10 : -side // 10]))
    low, high = found.frequency_10.interval
    assert low <= frequency_at(0.1) <= high
    assert any("borders of pads" in note for note in found.notes)
