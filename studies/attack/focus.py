"""Runs through focus whose best place is known; turned by hand, in changing light, from one side."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np

from studies.attack.case import Kind, Outcome, ask, nothing_there, number
from studies.attack.drawing import saved, stored
from studies.attack.scenes import PHOTOS, library_photo

WIDE, HIGH = 320, 256
Rng = np.random.Generator


def run(rng: Rng, folder: Path, *, hand: float = 0.0, light: float = 0.0, walk: float = 0.0,
        one_sided: bool = False) -> Outcome:  # fmt: skip
    """Blur grows with the distance from the best place; steps by hand are uneven by `hand` of one."""
    image = library_photo(PHOTOS[int(rng.integers(len(PHOTOS)))])
    grey = (image.mean(2) if image.ndim == 3 else image).astype(np.float32) / 255
    still = 0.1 + 0.7 * cv2.resize(grey, (WIDE, HIGH), interpolation=cv2.INTER_AREA)
    still += cv2.GaussianBlur(rng.normal(0, 1, still.shape).astype(np.float32), (0, 0), 0.7) * 0.1
    count = int(rng.integers(13, 22))
    best = count + 3.0 if one_sided else float(rng.uniform(0.35, 0.65)) * (count - 1)
    places = np.arange(count) + rng.normal(0, hand, count)
    places = np.sort(places)
    paths = []
    for n, place in enumerate(places):
        blur = float(np.hypot(0.7, 0.55 * abs(place - best)))
        soft = cv2.GaussianBlur(still, (0, 0), blur)
        move = np.array([[1, 0, walk * n], [0, 1, 0]], dtype=np.float64)
        soft = cv2.warpAffine(soft, move, (WIDE, HIGH), borderMode=cv2.BORDER_REFLECT)
        soft = soft * (1 + light * n / count) + rng.normal(0, 0.008, soft.shape)
        paths.append(saved(stored(soft), folder / f"{n:02d}", 92))
    answer = ask("focus", *paths)
    if one_sided:
        return nothing_there(answer, "never in focus", "best_focus_frame")
    at = 1 + float(np.interp(best, places, np.arange(count)))  # frames are counted from one
    return number(answer, "best_focus_frame", at, good=hand == 0)


KINDS: dict[str, Kind] = {
    "even run": (6, run),
    "turned by hand": (10, partial(run, hand=0.3)),
    "turned by hand, unevenly": (8, partial(run, hand=0.7)),
    "light changes": (6, partial(run, light=0.4)),
    "walks": (6, partial(run, walk=0.8)),
    "never in focus": (4, partial(run, one_sided=True)),
}
