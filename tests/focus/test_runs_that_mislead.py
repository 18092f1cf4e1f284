"""Runs that are not what their order says: copies, heights taken twice, there and back, tilted objects.

Blur is Gaussian here, sigma^2 = 0.8^2 + (0.45 z)^2 px, so that contrast at f is exp(-2 (pi f 0.45 z)^2)
of its peak: half of it at z = sqrt(ln 2 / 2) / (0.45 pi f), and the depth at 0.1 cycles/px is 8.33.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
import pytest

from glassay.errors import NotMeasurable
from glassay.focus import FocusResult, depth_at, measure_focus_run
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity

HEIGHT, WIDTH = 300, 400
PLACES = np.arange(-10.0, 11.0) + 0.3
TRUE_DEPTH = 2 * math.sqrt(math.log(2) / 2) / (0.1 * math.pi * 0.45)


@lru_cache(maxsize=2)
def texture(seed: int) -> FloatImage:
    white = np.random.default_rng(seed).standard_normal((HEIGHT, WIDTH)).astype(np.float32)
    return np.asarray(white, dtype=np.float32)


def sharp_at(z: float, seed: int = 4) -> FloatImage:
    sigma = math.hypot(1.28, 0.45 * z)  # 1 px of the texture itself, 0.8 px of the lens
    return np.asarray(cv2.GaussianBlur(texture(seed), (0, 0), sigma), dtype=np.float32)


def shot(soft: FloatImage, number: int) -> FloatImage:
    noise = np.random.default_rng([8, number]).standard_normal(soft.shape)
    return np.asarray(0.25 + 0.25 * soft + 0.006 * noise, dtype=np.float32)


def run(places: Sequence[float] | np.ndarray) -> list[FloatImage]:
    return [shot(sharp_at(float(z)), n) for n, z in enumerate(places)]


def measured(frames: Sequence[FloatImage], **more: object) -> FocusResult:
    return measure_focus_run(
        frames,
        step=Quantity(1.0, "um"),
        by_stage=True,
        **more,  # type: ignore[arg-type]
    )


def covers(found: Quantity, truth: float) -> bool:
    low, high = found.interval
    return low <= truth <= high


def test_a_plain_run_is_told_without_a_note() -> None:
    found = measured(run(PLACES))
    assert found.peak.depth.value == pytest.approx(TRUE_DEPTH, rel=0.03)
    assert found.notes == ()
    assert found.doubles == 0


@pytest.mark.parametrize("at", [(3,), (9,), (12, 15)])
def test_copies_are_refused_by_name(at: tuple[int, ...]) -> None:
    frames = run(PLACES)
    names = [f"z{n:02d}.png" for n in range(len(frames))]
    for n in reversed(at):
        frames.insert(n + 1, frames[n].copy())
        names.insert(n + 1, f"copy-{n}.png")
    first = at[0]
    with pytest.raises(NotMeasurable, match=rf"z{first:02d}\.png.*copy-{first}\.png.*identical"):
        measured(frames, names=names)
    with pytest.raises(NotMeasurable, match=rf"photo {first + 1} and photo {first + 2} are"):
        measured(frames)
    # Cameras repeat a frame of a clip that came late: it takes the place of one that is missing.
    frozen = run(PLACES)
    frozen[3] = frozen[2]
    assert covers(measured(frozen, of_clip=True).peak.depth, TRUE_DEPTH)


@pytest.mark.parametrize("again", [(6,), (8,), (13,), (7, 12)])
def test_a_height_taken_twice_is_noted_and_held_in_the_uncertainty(again: tuple[int, ...]) -> None:
    places = list(PLACES)
    for n in reversed(again):
        places.insert(n + 1, places[n])
    found = measured(run(places))
    assert found.doubles == len(again)
    assert any(f"photos {again[0] + 1} and {again[0] + 2}" in note for note in found.notes)
    assert covers(found.peak.depth, TRUE_DEPTH)
    kept = depth_at({**found.evidence()}, 0.1)
    assert covers(kept, TRUE_DEPTH)


def test_steps_of_any_size_about_best_focus_are_no_heights_taken_twice() -> None:
    for start in np.linspace(-0.5, 0.5, 5):
        for step in (0.5, 1.0, 2.5):
            places = np.arange(-12.0, 12.1, step) + start * step
            assert measured(run(places)).doubles == 0


def test_a_run_there_and_back_is_called_so() -> None:
    there = list(PLACES)
    found = measured(run(there + there[::-1]))
    assert any("goes there and back" in note for note in found.notes)
    assert not any("another height" in note for note in found.notes)


def test_an_object_of_two_heights_is_no_way_back() -> None:
    left = np.arange(WIDTH)[None, :] < WIDTH // 2
    places = np.arange(-18.0, 18.1)
    frames = [
        shot(np.where(left, sharp_at(z - 10), 0.9 * sharp_at(z + 10)), n)
        for n, z in enumerate(places)
    ]
    found = measured(frames)
    assert any("another height" in note for note in found.notes)
    assert not any("there and back" in note for note in found.notes)


def sloping(heights: np.ndarray, z: float) -> FloatImage:
    """What is seen at `z` of a texture whose height (height, width) differs from place to place."""
    steps = np.rint(2 * (z - heights)) / 2
    out = np.zeros((HEIGHT, WIDTH), dtype=np.float32)
    for one in np.unique(np.abs(steps)):
        out = np.where(np.abs(steps) == one, sharp_at(float(one)), out)
    return out


def ramp(by: float) -> np.ndarray:
    return np.broadcast_to(np.linspace(-by, by, WIDTH), (HEIGHT, WIDTH))


ACROSS = np.broadcast_to(np.arange(WIDTH) < WIDTH // 2, (HEIGHT, WIDTH))
TWO_THIRDS = np.broadcast_to(np.arange(HEIGHT)[:, None] < 2 * HEIGHT // 3, (HEIGHT, WIDTH))
UNEVEN = {
    "tilted by 4": ramp(4.0),
    "tilted by 6": ramp(-6.0),
    "tilted the other way": np.linspace(-6, 6, HEIGHT)[:, None] * np.ones((1, WIDTH)),
    "two halves": np.where(ACROSS, -3.0, 3.0),
    "a raised middle": np.pad(np.full((100, 132), 4.0), ((100, 100), (134, 134))),
    "a third higher": np.where(TWO_THIRDS, 0.0, 4.0),
}


@pytest.mark.parametrize("what", UNEVEN)
def test_parts_at_other_heights_are_noted_and_their_depth_is_told(what: str) -> None:
    places = np.arange(-14.0, 14.1)
    found = measured([shot(sloping(UNEVEN[what], z), n) for n, z in enumerate(places)])
    assert found.parted
    assert any("parts of the picture are in focus at other places" in n for n in found.notes)
    assert covers(found.peak.depth, TRUE_DEPTH)
    assert found.peak.depth.value == pytest.approx(TRUE_DEPTH, rel=0.15)
    with pytest.raises(NotMeasurable, match="other heights"):
        depth_at(found.evidence(), 0.1)


@pytest.mark.parametrize("seed", range(6))
def test_a_level_object_is_not_parted(seed: int) -> None:
    rng = np.random.default_rng(seed)
    blocks = np.kron(rng.uniform(-0.2, 0.4, (HEIGHT // 25, WIDTH // 25)), np.ones((25, 25)))
    lines = (rng.random((HEIGHT, 1)) < 0.1) * 0.2 + (rng.random((1, WIDTH)) < 0.1) * 0.2
    scene = (blocks + lines).astype(np.float32)
    frames = [
        shot(cv2.GaussianBlur(scene, (0, 0), math.hypot(0.8, 0.45 * z)), n)
        for n, z in enumerate(PLACES)
    ]
    assert not measured(frames).parted
