"""Focus stacks whose relief is known: planes, steps, and runs that go back or lose their order."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np

from studies.attack.case import CRASH, HEDGED, LOST, REFUSED, RIGHT, WRONG, Kind, Outcome, ask
from studies.attack.drawing import Image, saved, stored
from studies.attack.scenes import PHOTOS, library_photo

WIDE, HIGH = 300, 240
BLUR = 0.8
"""Blur (px) for each photo of distance from the best place."""
Rng = np.random.Generator


def detailed(rng: Rng) -> Image:
    """A photograph's shades under fine grain, so that every place can be judged."""
    image = library_photo(PHOTOS[int(rng.integers(len(PHOTOS)))])
    grey = (image.mean(2) if image.ndim == 3 else image).astype(np.float32) / 255
    still = 0.15 + 0.5 * cv2.resize(grey, (WIDE, HIGH), interpolation=cv2.INTER_AREA)
    grain = cv2.GaussianBlur(rng.normal(0, 1, still.shape).astype(np.float32), (0, 0), 0.9)
    return np.asarray(np.clip(still + 0.25 * grain, 0.02, 0.95), np.float32)


def photos_of(
    still: Image, relief: Image, focus: np.ndarray, rng: Rng, folder: Path, *,
    noise: float = 0.008, flicker: float = 0.0, fixed: float = 0.0,
) -> list[Path]:  # fmt: skip
    """A photo for each place of focus (in steps); `fixed` is the strength of dirt on the sensor."""
    dirt = cv2.GaussianBlur(rng.normal(0, 1, still.shape).astype(np.float32), (0, 0), 1.0)
    blurs = np.arange(0, 12.01, 0.4)
    soft = np.stack([still if b == 0 else cv2.GaussianBlur(still, (0, 0), b) for b in blurs])
    y, x = np.indices(still.shape)
    paths = []
    for n, at in enumerate(focus):
        blur = np.clip(np.hypot(0.6, BLUR * (relief - at)) / 0.4, 0, len(blurs) - 1.01)
        low = blur.astype(int)
        part = blur - low
        light = (1 - part) * soft[low, y, x] + part * soft[low + 1, y, x]
        light = light * (1 + flicker * rng.normal()) * (1 + fixed * dirt)
        light = light + rng.normal(0, noise, light.shape)
        paths.append(
            saved(stored(light), folder / f"{n:02d}", [None, 95, 85][int(rng.integers(3))])
        )
    return paths


def plane(rng: Rng, tilt: float) -> Image:
    """Heights in steps, `tilt` from one side to the other, about 0."""
    turn = float(rng.uniform(0, 2 * np.pi))
    y, x = np.mgrid[-0.5 : 0.5 : HIGH * 1j, -0.5 : 0.5 : WIDE * 1j]
    u = np.cos(turn) * x + np.sin(turn) * y
    return np.asarray(tilt * (u - u.min()) / np.ptp(u), np.float32)


def sort_range(paths: list[Path], folder: Path, truth: float | None, *, good: bool = False,
               may: float = 0.5) -> Outcome:  # fmt: skip
    """Sort the range of depth (3 u, or half a step, which the percentiles leave open); None: nothing
    that could be told."""
    answer = ask("stack", *paths, "--out", folder / "out.tif")
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    if not answer.measured or answer.value("depth_range") is None:
        return Outcome(LOST if good else REFUSED, answer.reason[:140])
    told, u = float(answer.value("depth_range")), answer.u("depth_range")
    says = f"range {told:.3g} (u {u:.2g}), truth {truth}; {answer.notes}"
    if truth is not None and abs(told - truth) <= max(3 * u, may):
        return Outcome(RIGHT, says)
    warned = any(
        word in note for note in answer.notes for word in ("one-sided", "partial", "order")
    )
    return Outcome(HEDGED if warned else WRONG, says)


def even_run(relief: Image, rng: Rng) -> np.ndarray:
    return np.arange(float(relief.min()) - rng.uniform(2.5, 4), float(relief.max()) + 3.5)


def told_range(relief: Image) -> float:
    low, high = np.percentile(relief, (1, 99))
    return float(high - low)


def plain(rng: Rng, folder: Path, *, tilt: tuple[float, float], noise: float = 0.008,
          flicker: float = 0.0, fixed: float = 0.0, good: bool = False) -> Outcome:  # fmt: skip
    relief = plane(rng, float(rng.uniform(*tilt)))
    paths = photos_of(detailed(rng), relief, even_run(relief, rng), rng, folder, noise=noise,
                      flicker=flicker, fixed=fixed)  # fmt: skip
    return sort_range(paths, folder, told_range(relief), good=good)


def step_run(rng: Rng, folder: Path) -> Outcome:
    """Two heights, as of a die and its ground."""
    relief = np.zeros((HIGH, WIDE), np.float32)
    relief[60:180, 80:220] = float(rng.uniform(3, 8))
    paths = photos_of(detailed(rng), relief, even_run(relief, rng), rng, folder)
    return sort_range(paths, folder, told_range(relief), good=True)


def out_of_order(rng: Rng, folder: Path, *, how: str) -> Outcome:
    """The run shuffled, turned back half-way, or halted for some photos: places are no steps."""
    relief = plane(rng, float(rng.uniform(3, 6)))
    focus = even_run(relief, rng)
    if how == "shuffled":
        focus = rng.permutation(focus)
    elif how == "two swapped":
        n = len(focus) // 2
        focus[[n - 1, n + 1]] = focus[[n + 1, n - 1]]
    else:
        focus = np.concatenate([focus, focus[::-1]])
    return sort_range(photos_of(detailed(rng), relief, focus, rng, folder), folder, None)


def blank(rng: Rng, folder: Path) -> Outcome:
    """Nothing but grain of the sensor: there is no detail that focus could change."""
    still = np.full((HIGH, WIDE), 0.5, np.float32)
    relief = np.zeros_like(still)
    paths = photos_of(still, relief, np.arange(-4.0, 5.0), rng, folder, noise=0.03)
    return sort_range(paths, folder, None)


def one_photo(rng: Rng, folder: Path) -> Outcome:
    """One setting of focus taken again and again, or one file copied: no height is told by it."""
    still, relief = detailed(rng), np.zeros((HIGH, WIDE), np.float32)
    paths = photos_of(still, relief, np.full(9, 1.0), rng, folder)
    return sort_range(paths, folder, None)


def other_objects(rng: Rng, folder: Path) -> Outcome:
    """Half of the run shows another object."""
    relief = plane(rng, 3.0)
    focus = even_run(relief, rng)
    half = len(focus) // 2
    for name in ("a", "b"):
        (folder / name).mkdir()
    one = photos_of(detailed(rng), relief, focus, rng, folder / "a")[:half]
    two = photos_of(detailed(rng), relief, focus, rng, folder / "b")[half:]
    return sort_range([*one, *two], folder, None)


def beyond(rng: Rng, folder: Path) -> Outcome:
    """Focus never reaches the object: the best place lies beyond the last photo."""
    relief = plane(rng, 2.0)
    return sort_range(
        photos_of(detailed(rng), relief, np.arange(-9.0, -1.0), rng, folder), folder, None
    )


KINDS: dict[str, Kind] = {
    "tilted plane": (6, partial(plain, tilt=(3, 7), good=True)),
    "two heights": (5, step_run),
    "flat object": (8, partial(plain, tilt=(0, 0))),
    "flat object, dark and noisy": (6, partial(plain, tilt=(0, 0), noise=0.04)),
    "light flickers": (5, partial(plain, tilt=(2, 6), flicker=0.1)),
    "dirt on the sensor": (6, partial(plain, tilt=(2, 6), fixed=0.06)),
    "photos shuffled": (6, partial(out_of_order, how="shuffled")),
    "two photos swapped": (6, partial(out_of_order, how="two swapped")),
    "run there and back": (6, partial(out_of_order, how="back")),
    "no detail": (4, blank),
    "one setting again and again": (5, one_photo),
    "two objects": (5, other_objects),
    "never in focus": (5, beyond),
}
