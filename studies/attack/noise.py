"""Pairs that are one scene, and pairs that are not, for noise against light."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from studies.attack.case import Kind, Outcome, ask, nothing_there, number
from studies.attack.drawing import saved, stored
from studies.attack.scenes import PHOTOS, library_photo

WIDE, HIGH = 480, 400
Rng = np.random.Generator


def scene(rng: Rng) -> NDArray[np.float64]:
    """Shades in plain patches, and a photograph between them; linear light up to 0.9."""
    image = library_photo(PHOTOS[int(rng.integers(len(PHOTOS)))])
    grey = (image.mean(2) if image.ndim == 3 else image) / 255.0
    light = cv2.GaussianBlur(cv2.resize(grey, (WIDE, HIGH)), (0, 0), 1.5) * 0.7 + 0.05
    patches = rng.uniform(0.05, 0.9, (4, 6))
    light[:, : WIDE // 2] = np.kron(patches, np.ones((HIGH // 4, WIDE // 12)))
    return light  # type: ignore[no-any-return]


def shot(
    light: NDArray[np.float64], rng: Rng, full: float, floor: float = 2.0
) -> NDArray[np.uint8]:
    """Photon noise of `full` electrons at full scale, and a floor in electrons."""
    electrons = rng.poisson(np.clip(light, 0, 1) * full) + rng.normal(0, floor, light.shape)
    return stored(electrons / full)


def snr_at_half(full: float, floor: float) -> float:
    """Signal to noise at half of full scale, of what is stored: photons, floor, and the rounding to the
    256 levels of sRGB (IEC 61966-2-1), a step of them being 0.006 of full scale wide there."""
    step = 1 / 255 / (1.055 / 2.4 * 0.5 ** (1 / 2.4 - 1))
    return float(0.5 / np.sqrt(0.5 / full + (floor / full) ** 2 + step**2 / 12))


def snr_of_stored(light: NDArray[np.float64], full: float, quality: int, folder: Path) -> float:
    """The same of JPEGs, which leave out the finest of the noise: from twelve exposures of `light` that
    are stored and read again, where they are half as light as full scale."""
    rng = np.random.default_rng(0)
    shots = [
        cv2.imread(
            str(saved(shot(light, rng, full), folder / "known", quality)), cv2.IMREAD_GRAYSCALE
        )
        for _ in range(12)
    ]
    (folder / "known.jpg").unlink()
    coded = np.stack(shots) / 255.0
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    mean, variance = linear.mean(axis=0), linear.var(axis=0, ddof=1)
    half = np.abs(mean - 0.5) < 0.05
    return float(0.5 / np.sqrt((variance[half] / mean[half]).mean() * 0.5))


def good(rng: Rng, folder: Path) -> Outcome:
    full, floor, light = float(rng.uniform(1500, 9000)), 4.0, scene(rng)
    paths = [saved(shot(light, rng, full, floor), folder / f"p{n}", None) for n in range(2)]
    true = snr_at_half(full, floor)
    return number(ask("noise", *paths, "--tone", "srgb"), "snr_grey", true, good=True, bound=0.03)


def repeating(rng: Rng, folder: Path) -> Outcome:
    """A still pair of what repeats: pixels, wires, a grid. A move by one period would look the same."""
    step = int(rng.integers(6, 24))
    y, x = np.mgrid[0:HIGH, 0:WIDE]
    light = 0.1 + 0.6 * ((x % step < step // 2) & ((y % step < step // 2) | bool(rng.integers(2))))
    light = cv2.GaussianBlur(light.astype(np.float64), (0, 0), 1.2)
    light *= np.linspace(0.25, 1.2, WIDE)[None, :]
    full, floor = float(rng.uniform(1500, 9000)), 4.0
    paths = [saved(shot(light, rng, full, floor), folder / f"p{n}", None) for n in range(2)]
    true = snr_at_half(full, floor)
    return number(ask("noise", *paths, "--tone", "srgb"), "snr_grey", true, good=True, bound=0.03)


def half_moved(rng: Rng, folder: Path) -> Outcome:
    """Moved by a part of a px between: edges are in the difference."""
    full, light = float(rng.uniform(1500, 9000)), scene(rng)
    by = rng.uniform(0.05, 0.9, 2) * rng.choice([-1, 1], 2)
    move = np.array([[1, 0, by[0]], [0, 1, by[1]]])
    second = cv2.warpAffine(light, move, (WIDE, HIGH), borderMode=cv2.BORDER_REFLECT)
    paths = [saved(shot(one, rng, full), folder / f"p{n}", None)
             for n, one in enumerate((light, second))]  # fmt: skip
    true = snr_at_half(full, 2.0)
    return number(ask("noise", *paths, "--tone", "srgb"), "snr_grey", true, good=False, bound=0.05)


def not_one_scene(rng: Rng, folder: Path, *, how: str) -> Outcome:
    full, light = float(rng.uniform(1500, 9000)), scene(rng)
    second = {
        "others": lambda: scene(rng),
        "moved": lambda: np.roll(light, int(rng.integers(2, 30)), axis=int(rng.integers(2))),
        "turned": lambda: light[::-1, ::-1],
        "brighter": lambda: light * float(rng.choice([0.7, 0.85, 1.12])),
        "refocused": lambda: cv2.GaussianBlur(light, (0, 0), 4),
        "hand": lambda: np.where(np.arange(WIDE)[None, :] > 0.6 * WIDE, 0.3, light),
    }[how]()
    quality = [None, 95][int(rng.integers(2))]
    paths = [saved(shot(light, rng, full), folder / "a", quality),
             saved(shot(second, rng, full), folder / "b", quality)]  # fmt: skip
    answer = ask("noise", *paths, "--tone", "srgb")
    true = snr_of_stored(light, full, quality, folder) if quality else snr_at_half(full, 2.0)
    return number(answer, "snr_grey", true, good=False, bound=0.05)


def copies(rng: Rng, folder: Path) -> Outcome:
    """One exposure stored twice, of two qualities: what differs is compression."""
    photo = shot(scene(rng), rng, 4000)
    paths = [saved(photo, folder / "a", 95), saved(photo, folder / "b", int(rng.integers(60, 93)))]
    return nothing_there(ask("noise", *paths), "one exposure", "snr_grey")


def flickering(rng: Rng, folder: Path) -> Outcome:
    """A lamp a little brighter or darker in the second exposure: electrons are counted all the same."""
    full, light = float(rng.uniform(1500, 9000)), scene(rng)
    second = light * float(rng.uniform(0.92, 1.08))
    paths = [saved(shot(one, rng, full), folder / f"p{n}", None)
             for n, one in enumerate((light, second))]  # fmt: skip
    answer = ask("noise", *paths, "--tone", "srgb")
    return number(answer, "full_scale_electrons", full, good=False, bound=0.03)


def of_another_tone(rng: Rng, folder: Path) -> Outcome:
    """Stored by another curve than sRGB, which nobody states."""
    full, light, exponent = float(rng.uniform(1500, 9000)), scene(rng), rng.uniform(1.4, 2.7)
    paths = []
    for n in range(2):
        electrons = rng.poisson(light * full) + rng.normal(0, 2.0, light.shape)
        value = np.clip(electrons / full, 0, 1) ** (1 / exponent)
        paths.append(folder / f"p{n}.png")
        cv2.imwrite(str(paths[-1]), np.rint(255 * value).astype(np.uint8))
    step = exponent / 255 * 0.5 ** (1 - 1 / exponent)
    true = float(0.5 / np.sqrt(0.5 / full + (2 / full) ** 2 + step**2 / 12))
    return number(ask("noise", *paths), "snr_grey", true, good=False, bound=0.03)


def compressed(rng: Rng, folder: Path) -> Outcome:
    """JPEG of high quality, whose noise may stay white: no electrons, or the right ones."""
    full, light = float(rng.choice([300, 800, 2000])), scene(rng)
    quality = int(rng.integers(85, 100))
    paths = [saved(shot(light, rng, full), folder / f"p{n}", quality) for n in range(2)]
    answer = ask("noise", *paths, "--tone", "srgb")
    return number(answer, "full_scale_electrons", full, good=False, bound=0.03)


KINDS: dict[str, Kind] = {
    "good pair": (14, good),
    "good pair of what repeats": (8, repeating),
    "moved by a part of a px": (8, half_moved),
    "two different chips": (12, partial(not_one_scene, how="others")),
    "moved between": (10, partial(not_one_scene, how="moved")),
    "turned between": (4, partial(not_one_scene, how="turned")),
    "other exposure time": (8, partial(not_one_scene, how="brighter")),
    "refocused between": (6, partial(not_one_scene, how="refocused")),
    "something came into view": (6, partial(not_one_scene, how="hand")),
    "one exposure stored twice": (6, copies),
    "a lamp that flickers": (8, flickering),
    "another tone curve, not stated": (8, of_another_tone),
    "electrons of a JPEG": (8, compressed),
}
