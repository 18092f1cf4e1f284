"""Two edges that melt into one along a side of a die: neither is taken for the cut with confidence."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from glassay.die import measure_die
from glassay.die.nested import Start
from glassay.die.outline import Outline
from glassay.die.sharpness import sharpest_blur
from glassay.die.sides import fit_outline
from glassay.die.silhouette import find_silhouette
from glassay.distortion import Frame
from glassay.errors import NotMeasurable

DIE = (70.0, 60.0, 180.0, 130.0)


def outline(*boxes: tuple[tuple[float, float, float, float], float], ground: float) -> Outline:
    """Rectangles (left, top, width, height) of light on an even ground, drawn at four times the size,
    blurred by 1.1 px."""
    sheet = np.full((1000, 1280), ground, np.float32)
    for (x, y, w, h), light in boxes:
        sheet[round(4 * y) : round(4 * (y + h)), round(4 * x) : round(4 * (x + w))] = light
    seen = cv2.resize(
        cv2.GaussianBlur(sheet, (0, 0), 4.4), (320, 250), interpolation=cv2.INTER_AREA
    )
    grey = seen + np.random.default_rng(5).normal(0, 0.004, seen.shape).astype(np.float32)
    return fit_outline(grey.astype(np.float32), find_silhouette(grey), Frame.of(grey.shape))


def grown(by: float) -> tuple[float, float, float, float]:
    x, y, w, h = DIE
    return x - by, y - by, w + 2 * by, h + 2 * by


def test_an_edge_alone_is_told_closely() -> None:
    found = outline((DIE, 0.4), ground=0.05)
    assert found.width.value == pytest.approx(180.0, abs=0.3)
    assert found.width.u < 0.4
    assert not any("another edge" in note or "second edge" in note for note in found.notes)


def test_a_faint_street_beyond_a_bright_seal_ring_is_held() -> None:
    ring, inner = grown(-3.5), grown(-5.0)
    found = outline((DIE, 0.12), (ring, 0.9), (inner, 0.35), ground=0.05)
    for size, true in ((found.width, 180.0), (found.height, 130.0)):
        assert abs(size.value - true) < 2 * size.u
    assert any("a seal ring may have been taken" in note for note in found.notes)


@pytest.mark.parametrize("shade", [0.2, 0.52])
def test_a_shadow_some_px_wide_at_two_sides_is_held(shade: float) -> None:
    x, y, w, h = DIE
    found = outline(((x + 4.5, y + 4.5, w, h), shade), (DIE, 0.35), ground=0.8)
    for size, true in ((found.width, 180.0), (found.height, 130.0)):
        assert abs(size.value - true) < 2 * size.u
    assert any("a shadow or a reflection" in note for note in found.notes)


def photographed(sheet: NDArray[np.float32], blur: float) -> NDArray[np.float32]:
    """A sheet of four samples a px, blurred (px, standard deviation) and a little noisy."""
    soft = cv2.GaussianBlur(sheet, (0, 0), 4 * blur)
    seen = cv2.resize(
        soft, (sheet.shape[1] // 4, sheet.shape[0] // 4), interpolation=cv2.INTER_AREA
    )
    noise = np.random.default_rng(5).normal(0, 0.004, seen.shape)
    return np.asarray(seen + noise, np.float32)


def with_blocks(sheet: NDArray[np.float32], light: float = 0.35) -> NDArray[np.float32]:
    """The die DIE laid on a sheet, blocks on it whose edges tell how sharp the picture is."""
    x, y, w, h = DIE
    sheet[round(4 * y) : round(4 * (y + h)), round(4 * x) : round(4 * (x + w))] = light
    rng = np.random.default_rng(2)
    for _ in range(14):
        left, top = rng.uniform(x + 25, x + w - 55), rng.uniform(y + 25, y + h - 50)
        sheet[round(4 * top) : round(4 * top + 100), round(4 * left) : round(4 * left + 120)] = (
            rng.choice([0.08, 0.6, 0.75])
        )
    return sheet


def ground(
    light: float, shade: float, by: float, soft: float, off: float = 0.0
) -> NDArray[np.float32]:
    """An even ground with a soft body (px, standard deviation), DIE grown `by` px, moved by `off`."""
    body = np.zeros((1000, 1280), np.float32)
    x, y, w, h = grown(by)
    body[round(4 * y) : round(4 * (y + h)), round(4 * (x + off)) : round(4 * (x + w + off))] = 1
    return np.asarray(light * (1 - shade * cv2.GaussianBlur(body, (0, 0), 4 * soft)), np.float32)


def of(grey: NDArray[np.float32]) -> Outline:
    return fit_outline(grey, find_silhouette(grey), Frame.of(grey.shape))


def test_a_soft_shadow_all_around_is_held() -> None:
    found = of(photographed(with_blocks(ground(0.76, 0.5, 0.5, 0.8), 0.2), 0.8))
    for size, true in ((found.width, 180.0), (found.height, 130.0)):
        assert abs(size.value - true) < 3 * size.u
    assert any("melts into it" in note for note in found.notes)


def test_a_seal_ring_within_the_blur_is_held() -> None:
    sheet = np.full((1000, 1280), 0.8, np.float32)
    sheet = with_blocks(sheet, 0.36)
    for by, light in ((-1.2, 0.73), (-3.8, 0.32)):
        x, y, w, h = grown(by)
        piece = sheet[round(4 * y) : round(4 * (y + h)), round(4 * x) : round(4 * (x + w))]
        keep = piece[60:-60, 60:-60].copy()
        piece[...] = light
        piece[60:-60, 60:-60] = keep
    found = of(photographed(sheet, 1.0))
    for size, true in ((found.width, 180.0), (found.height, 130.0)):
        assert abs(size.value - true) < 3 * size.u


def test_a_side_that_only_fades_into_a_shadow_is_refused() -> None:
    sheet = ground(0.8, 0.55, 0.0, 2.5, off=12.0)
    with pytest.raises(NotMeasurable, match="a shadow or a glow hides where the die ends"):
        of(photographed(with_blocks(sheet), 0.6))


@pytest.mark.parametrize("way", [(12.0, 4.0), (12.0, -4.0), (-5.0, -5.0)])
def test_a_shadow_as_dark_as_the_die_is_refused_by_the_corners_it_leaves_out(
    way: tuple[float, float],
) -> None:
    x, y, w, h = DIE
    sheet = np.full((1000, 1280), 0.8, np.float32)
    left, top = x + way[0], y + way[1]
    sheet[round(4 * top) : round(4 * (top + h)), round(4 * left) : round(4 * (left + w))] = 0.35
    with pytest.raises(NotMeasurable, match="two corners of the outline"):
        of(photographed(with_blocks(sheet), 1.6))


@pytest.mark.parametrize("corners", [(0,), (0, 1), (0, 1, 2, 3)])
def test_a_die_with_other_corners_cut_off_is_measured(corners: tuple[int, ...]) -> None:
    x, y, w, h = DIE
    sheet = with_blocks(np.full((1000, 1280), 0.8, np.float32))
    for n in corners:
        left, top = x + (w - 5) * (n in (1, 2)), y + (h - 5) * (n in (2, 3))
        sheet[round(4 * top) : round(4 * (top + 5)), round(4 * left) : round(4 * (left + 5))] = 0.8
    found = of(photographed(sheet, 1.2))
    for size, true in ((found.width, 180.0), (found.height, 130.0)):
        assert abs(size.value - true) < 3 * size.u


def test_pads_close_to_the_edge_of_a_soft_picture_bow_no_side() -> None:
    """They stand in the middle of two sides, not at their ends: the lens was told to bow by 1.6 %."""
    sheet = with_blocks(np.full((1000, 1280), 0.05, np.float32), 0.31)
    x, y, _, h = DIE
    for n in range(7):
        for top in (y + 6, y + h - 18):
            left = x + 18 + 21 * n
            sheet[round(4 * top) : round(4 * top + 48), round(4 * left) : round(4 * left + 48)] = (
                0.95
            )
    found = of(photographed(sheet, 2.4))
    assert found.distortion is None
    assert abs(found.width.value - 180.0) < 0.5


def test_the_blur_of_a_picture_is_that_of_its_edges() -> None:
    for blur in (0.9, 1.5, 2.2):
        grey = photographed(with_blocks(np.full((1000, 1280), 0.05, np.float32)), blur)
        x, y, w, h = DIE
        sides = [
            Start(np.array(foot), np.array(way), np.array(out), 0.0, long)
            for foot, way, out, long in (
                ((x + w / 2, y), (1.0, 0.0), (0.0, -1.0), w),
                ((x + w, y + h / 2), (0.0, 1.0), (1.0, 0.0), h),
                ((x + w / 2, y + h), (1.0, 0.0), (0.0, 1.0), w),
                ((x, y + h / 2), (0.0, 1.0), (-1.0, 0.0), h),
            )
        ]
        # a px adds the standard deviation of its own width
        assert sharpest_blur(grey, sides) == pytest.approx(np.hypot(blur, 0.29), rel=0.12)


@pytest.mark.parametrize(("rim", "is_said"), [(0.6, True), (0.15, False)])
def test_a_bare_rim_unlike_the_die_and_its_surround_may_be_what_the_die_lies_on(
    rim: float, is_said: bool
) -> None:
    """A rim lighter than both may be metal below the die; one between the two is its bare street."""
    rng = np.random.default_rng(6)
    picture = np.full((480, 640), 0.06, np.float32)
    picture[100:380, 110:530] = rim
    picture[114:366, 124:516] = 0.3
    for _ in range(80):
        x, y = int(rng.uniform(150, 470)), int(rng.uniform(150, 320))
        picture[y : y + 14, x : x + 22] = float(rng.uniform(0.1, 0.55))
    for n in range(12):
        for y in (122, 346):
            picture[y : y + 12, 150 + 28 * n : 162 + 28 * n] = 0.9
    seen = cv2.GaussianBlur(picture, (0, 0), 1.2) + rng.normal(0, 0.002, picture.shape)
    outline = measure_die(np.clip(seen, 0, 1).astype(np.float32)).outline
    assert any("a bare rim of 14 px" in note for note in outline.notes) is is_said
    assert outline.width.value == pytest.approx(420, abs=0.5)
    if is_said:
        assert outline.width.expanded > 28  # the die below 392 px wide is held as well
    else:
        assert outline.width.expanded < 3
