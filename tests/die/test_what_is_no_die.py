"""Refusals: each picture that shows no die, or not all of it, is refused with its own reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from glassay.die import measure_die
from glassay.die.going_on import go_on
from glassay.die.nested import Start
from glassay.errors import NotMeasurable
from glassay.imaging import read_photo
from glassay.simulate import (
    BarTarget,
    Camera,
    Chessboard,
    CrossedGrid,
    Edge,
    FlatField,
    Optics,
    Pose,
    RuledScale,
    Scene,
    SlantedSquare,
    Texture,
    capture,
)
from tests.die.drawn import DIE, grey, shot
from tests.match.pairs import opencv_file


def of(scene: Scene, pixel_um: float = 1.0) -> Any:
    camera = Camera(560, 420, colour="grey")
    return capture(scene, Pose(pixel_um, 3.0), Optics(na=0.1), camera, 1).stored


def wafer() -> Any:
    """Nine dies with streets between, each with rows of pads at top and bottom and blocks within."""
    rng = np.random.default_rng(4)
    sheet = np.full((480, 640), 0.85, np.float32)
    wide, high, street = 220, 165, 8
    for i in (-1, 0, 1):
        for j in (-1, 0, 1):
            left, top = 210 + i * (wide + street), 157 + j * (high + street)

            def fill(x: int, y: int, w: int, h: int, light: float) -> None:
                sheet[max(0, y) : max(0, y + h), max(0, x) : max(0, x + w)] = light

            fill(left, top, wide, high, 0.3)
            for _ in range(60):
                x, y = (int(v) for v in rng.uniform((30, 35), (wide - 60, high - 55)))
                fill(left + x, top + y, 24, 16, float(rng.uniform(0.1, 0.6)))
            for n in range(7):
                for y in (10, high - 22):
                    fill(left + 20 + 24 * n, top + y, 12, 12, 0.95)
    turn = cv2.getRotationMatrix2D((320, 240), 2.0, 1.0)
    turned = cv2.warpAffine(sheet, turn, (640, 480), borderMode=cv2.BORDER_REFLECT)
    soft = cv2.GaussianBlur(turned, (0, 0), 1.2) + rng.normal(0, 0.004, (480, 640))
    return np.rint(255 * np.clip(soft, 0, 1) ** (1 / 2.2)).astype(np.uint8)


PICTURES: dict[str, tuple[Callable[[], Any], str]] = {
    "a side beyond the picture": (lambda: shot().stored[:, :-110], "not wholly in the picture"),
    "a corner beyond the picture": (
        lambda: shot(tilt_deg=8.0).stored[80:, 80:], "not wholly in the picture"),
    "two dies": (lambda: np.hstack([shot(room=1.2).stored] * 2), "more than one"),
    "a wafer that is not sawn": (lambda: wafer(), "more than one|go on beyond the corners"),
    "nothing": (lambda: np.full((300, 400), 90, np.uint8), "empty"),
    "noise": (
        lambda: np.random.default_rng(0).normal(90, 5, (300, 400)).clip(0, 255).astype(np.uint8),
        "no die stands out"),
    "a close-up of circuits": (lambda: shot(pixel_um=0.6, room=0.5).stored, "no die stands out"),
    "a ruled scale": (lambda: of(RuledScale(10, 50)), "no die stands out"),
    "a grid": (lambda: of(CrossedGrid(), 4.0), "no die stands out"),
    "a chessboard": (lambda: of(Chessboard(), 4.0), "no"),
    "a bare square": (lambda: of(SlantedSquare()), "neither pads nor lines"),
    "a texture": (lambda: of(Texture(seed=1)), "no die stands out"),
    "an edge": (lambda: of(Edge()), "no die stands out"),
    "an even field": (lambda: of(FlatField()), "no die stands out"),
    "a bar target": (lambda: of(BarTarget()), "stands out"),
    "a blur": (
        lambda: shot(optics=Optics(na=0.2, residual_blur_um=9.0)).stored, "no die stands out"),
    "a speck": (lambda: np.zeros((40, 40), np.uint8), "too small"),
}  # fmt: skip


@pytest.mark.parametrize("what", PICTURES)
def test_refused(what: str) -> None:
    make, reason = PICTURES[what]
    with pytest.raises(NotMeasurable, match=reason):
        measure_die(grey(np.ascontiguousarray(make())))


def test_a_die_as_bright_as_its_surround_is_not_measured_as_something_smaller_inside() -> None:
    """Where street and surround are alike, the outline that is left is the ground's within the street,
    faint beside the seal ring that runs 6.4 um inside it."""
    picture = shot(replace(DIE, wires=False)).stored.copy()
    picture[picture < 95] = 95
    found = measure_die(grey(picture))
    assert found.outline.width.value * 1.5 == pytest.approx(DIE.width_um, rel=1e-3)


@pytest.mark.parametrize(("across", "down"), [(7, 5), (8, 4), (4, 3)])
def test_squares_that_fill_a_rectangle_are_no_pads(across: int, down: int) -> None:
    """A keypad, a tray of tiles, an array of bumps."""
    picture = np.full((420, 560), 0.05, np.float32)
    left, top, wide, high = 100.0, 90.0, 350.0, 240.0
    picture[90:330, 100:450] = 0.25
    for i in range(across):
        for j in range(down):
            x, y = left + (i + 0.15) * wide / across, top + (j + 0.15) * high / down
            picture[round(y) : round(y + 0.7 * high / down),
                    round(x) : round(x + 0.7 * wide / across)] = 0.8  # fmt: skip
    noise = np.random.default_rng(3).normal(0, 0.004, picture.shape)
    seen = cv2.GaussianBlur(picture, (0, 0), 0.9) + noise.astype(np.float32)
    try:
        found = measure_die(np.clip(seen, 0, 1))
    except NotMeasurable:
        return
    assert not found.pads
    assert any("squares like those" in note for note in found.notes)


def _sides(middle: tuple[float, float], size: tuple[float, float], degrees: float) -> list[Start]:
    turn = np.radians(degrees)
    axes = (np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)]))
    return [
        Start(np.array(middle) + sign * size[axis] / 2 * axes[axis], axes[1 - axis],
              sign * axes[axis], 0.0, size[1 - axis])
        for axis, sign in ((1, -1), (0, 1), (1, 1), (0, -1))
    ]  # fmt: skip


def test_streets_go_on_beyond_the_corners_and_saw_cuts_do_not() -> None:
    # the streets' outer edges, as an outline that takes them in; turned by the wafer's two degrees
    assert go_on(grey(wafer()), _sides((320, 239.5), (220 + 16, 165 + 16), -2.0))
    assert not go_on(grey(wafer()), _sides((320, 239.5), (150, 100), -2.0))  # edges of no street
    picture = grey(shot())
    found = measure_die(picture).outline
    size = (found.width.value, found.height.value)
    middle = tuple(np.mean(found.corners, axis=0))
    assert not go_on(picture, _sides(middle, size, found.tilt.value))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "reason"),
    [("board.jpg", "no die stands out"), ("sudoku.png", "cannot be followed"),
     ("blox.jpg", "no rectangle")],
)  # fmt: skip
def test_a_photograph_of_something_else(name: str, reason: str) -> None:
    with pytest.raises(NotMeasurable, match=reason):
        measure_die(read_photo(opencv_file(name)).measuring_grey(), None)


PACKAGES = {  # x, y, width, height, px, of four packages on the circuit board
    "flat, with leads on four sides": (320, 295, 200, 145),
    "small, with leads on four sides": (300, 125, 70, 75),
    "square, without leads in sight": (90, 235, 70, 65),
    "long, with leads on two sides": (30, 40, 125, 70),
}


@pytest.mark.parametrize("box", PACKAGES.values(), ids=PACKAGES)
@pytest.mark.parametrize("enlarged", [1, 3])
def test_a_package_on_a_circuit_board(box: tuple[int, int, int, int], enlarged: int) -> None:
    x, y, width, height = box
    light = read_photo(opencv_file("board.jpg")).measuring_grey()[y : y + height, x : x + width]
    seen = np.asarray(
        cv2.resize(light, None, fx=enlarged, fy=enlarged, interpolation=cv2.INTER_CUBIC), np.float32
    )
    with pytest.raises(NotMeasurable):
        measure_die(seen, None)
