"""Photos without a scale are refused, with a reason, and never given a number."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from glassay.errors import NotMeasurable
from glassay.scale import measure_scale
from glassay.scale.measure import Pattern
from tests.scale.drawn import Picture, photographed


@pytest.mark.parametrize(
    "name",
    ["astronaut", "brick", "camera", "coins", "grass", "gravel", "page", "text", "checkerboard",
     "immunohistochemistry"],
)  # fmt: skip
def test_photographs_of_other_things(name: str) -> None:
    photo = getattr(data, name)()
    grey = photo.astype(np.float32).mean(axis=2) if photo.ndim == 3 else photo.astype(np.float32)
    with pytest.raises(NotMeasurable):
        measure_scale((grey / 255) ** np.float32(2.2))


def chessboard(tilt_deg: float) -> Picture:
    y, x = np.mgrid[0:600, 0:600] - 300.0
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    fields = np.floor((x * c + y * s) / 30) + np.floor((y * c - x * s) / 30)
    return (0.1 + 0.7 * (fields % 2)).astype(np.float32)


@pytest.mark.parametrize("tilt", [0.0, 10.0, 30.0, 45.0])
def test_a_chessboard_is_no_scale(tilt: float) -> None:
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(chessboard(tilt)))


def test_a_single_shade() -> None:
    with pytest.raises(NotMeasurable, match="single shade"):
        measure_scale(np.full((200, 300), 0.5, np.float32))


def test_one_pixel() -> None:
    with pytest.raises(NotMeasurable, match="too small"):
        measure_scale(np.full((1, 1), 0.5, np.float32))


@pytest.mark.parametrize("shape", [(25, 4000), (4000, 25), (37, 41)])
def test_odd_shapes_of_noise(shape: tuple[int, int]) -> None:
    noise = np.random.default_rng(1).random(shape, dtype=np.float32)
    with pytest.raises(NotMeasurable):
        measure_scale(noise)


def test_white_noise() -> None:
    noise = np.random.default_rng(2).random((600, 800), dtype=np.float32)
    with pytest.raises(NotMeasurable):
        measure_scale(noise)


def test_a_row_of_square_pads() -> None:
    picture = np.full((400, 800), 0.2, np.float32)
    for x in range(40, 760, 40):
        picture[180:200, x : x + 20] = 0.9
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(picture))


def test_a_small_array_on_a_chip_is_not_taken_for_a_grid() -> None:
    picture = np.full((600, 800), 0.3, np.float32)
    for y in range(200, 300, 12):
        for x in range(300, 420, 12):
            picture[y : y + 6, x : x + 6] = 0.8
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(picture))


def test_a_fan_of_lines() -> None:
    picture = np.full((500, 500), 0.8, np.float32)
    for angle in np.linspace(0.3, 2.8, 20):
        end = (int(250 + 300 * np.cos(angle)), int(20 + 300 * np.sin(angle)))
        cv2.line(picture, (250, 20), end, 0.1, 3, cv2.LINE_AA)
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(picture))


def lined(step: float, share: float, size: tuple[int, int] = (300, 420)) -> Picture:
    """Upright bars all over the picture, perfectly even."""
    x = np.arange(size[1] * 4) / 4
    row = np.where((x % step) < share * step, 0.15, 0.8).reshape(size[1], 4).mean(axis=1)
    return np.tile(row.astype(np.float32), (size[0], 1))


def fence() -> Picture:
    picture = np.full((300, 420), 0.8, np.float32)
    picture[60:240] = lined(17.3, 0.4)[60:240]
    return picture


def blinds() -> Picture:
    y = np.arange(300.0)[:, None]
    return np.asarray((0.2 + 0.6 * np.sin(np.pi * (y / 13.7 % 1))) * np.ones(420), np.float32)


def tiles() -> Picture:
    return np.maximum(0.8 - lined(22.4, 0.12), 0.8 - lined(22.4, 0.12, (420, 300)).T)


def rings() -> Picture:
    y, x = np.mgrid[:300, :420].astype(np.float32)
    radius = np.hypot(x - 40, y - 150)
    return np.asarray(0.5 + 0.3 * np.sin(2 * np.pi * radius / 11.3), np.float32)


def halftone() -> Picture:
    y, x = np.mgrid[:300, :420].astype(np.float32)
    dots = np.sin(np.pi * x / 9.4) * np.sin(np.pi * y / 9.4)
    return np.asarray(0.2 + 0.6 / (1 + np.exp(-25 * (dots**2 - 0.3))), np.float32)


def wallpaper() -> Picture:
    piece = np.random.default_rng(4).random((24, 24), np.float32)
    piece = cv2.GaussianBlur(np.tile(piece, (3, 3)), (0, 0), 1.5)[24:48, 24:48]
    piece = (piece - piece.min()) / float(np.ptp(piece))
    return np.tile(0.1 + 0.7 * piece, (13, 18)).astype(np.float32)


def letters() -> Picture:
    picture = np.full((300, 420), 255, np.uint8)
    for row in range(11):
        cv2.putText(picture, "l l l l l l l l l l l l l", (6, 25 + 26 * row),
                    cv2.FONT_HERSHEY_SIMPLEX, 0.7, 0, 2, cv2.LINE_AA)  # fmt: skip
    return (picture / 255 * 0.7 + 0.1).astype(np.float32)


SCENES = {
    "fence": fence, "blinds": blinds, "tiles": tiles, "rings": rings, "halftone": halftone,
    "wallpaper": wallpaper, "letters": letters,
}  # fmt: skip


@pytest.mark.parametrize("scene", SCENES)
def test_what_repeats_evenly_is_no_scale_unless_somebody_says_so(scene: str) -> None:
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(SCENES[scene](), blur=0.6))


@pytest.mark.parametrize("scene", ["fence", "blinds"])
def test_the_refusal_of_even_lines_says_how_to_vouch_for_them(scene: str) -> None:
    with pytest.raises(NotMeasurable, match=r"with a box, or .*pattern: ruled"):
        measure_scale(photographed(SCENES[scene](), blur=0.6))


def test_the_refusal_of_a_plain_grid_says_how_to_vouch_for_it() -> None:
    picture = np.full((480, 640), 0.8, np.float32)
    for x in range(20, 640, 60):
        for y in range(20, 480, 60):
            cv2.circle(picture, (x, y), 12, 0.3, -1, cv2.LINE_AA)
    with pytest.raises(NotMeasurable, match="pattern: grid"):
        measure_scale(photographed(picture, blur=0.6))


@pytest.mark.parametrize(
    ("scene", "pattern"),
    [("rings", "auto"), ("letters", "auto"), ("wallpaper", "auto"), ("wallpaper", "grid")],
)
def test_a_photo_filed_by_mistake_under_a_scale_is_refused_where_its_lines_show_it(
    scene: str, pattern: Pattern
) -> None:
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(SCENES[scene](), blur=0.6), pattern=pattern, word="filed")


@pytest.mark.parametrize("strokes", [3, 4])
def test_a_boundary_line_across_a_box_is_no_scale(strokes: int) -> None:
    """A box about a boundary of several strokes, at right angles to the ruling that it bounds."""
    picture = np.full((400, 600), 0.8, np.float32)
    for x in range(10, 600, 31):
        cv2.line(picture, (x, 0), (x, 399), 0.3, 2, cv2.LINE_AA)
    for n in range(strokes):
        cv2.line(picture, (0, 200 + 6 * n), (599, 200 + 6 * n), 0.3, 1, cv2.LINE_AA)
    try:
        told = measure_scale(photographed(picture), box=(60, 150, 480, 110))
    except NotMeasurable:
        return
    assert told.division.value == pytest.approx(31.0, rel=0.002)


@pytest.mark.parametrize(("every", "post"), [(5, 0.8), (10, 0.8)])
def test_a_fence_whose_posts_are_taller_and_thicker_is_no_scale(every: int, post: float) -> None:
    picture, step = np.full((500, 900), 0.8, np.float32), 20.0
    for n in range(-1, 47):
        is_post = n % every == 0
        wide, top = ((post if is_post else 0.35) * step, 60 if is_post else 130)
        x = n * step
        picture[top:430, max(0, round(x - wide / 2)) : max(0, round(x + wide / 2))] = 0.2
    for y in (200, 370):
        picture[y - 4 : y + 4] = 0.25
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(picture))
