"""Native photos of regular and common things, and enlarged ones: how many px are real."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np

from studies.attack.array import windows
from studies.attack.case import CRASH, LOST, REFUSED, RIGHT, WRONG, Answer, Kind, Outcome, ask
from studies.attack.drawing import FINER, Image, exposed, saved, screen, turned
from studies.attack.scenes import PHOTOS, library_photo, sheet_of

WIDE, HIGH = SIZE = (480, 400)
Rng = np.random.Generator
REGULAR = ("even fence", "comb", "blinds", "chessboard", "ruled paper", "piano", "fabric")


def share_told(answer: Answer, true: float, *, good: bool) -> Outcome:
    """The share of columns and rows that are real; 2 % or 3 u; a bound below counts as undecided."""
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    verdict = answer.value("native_verdict") if answer.measured else None
    if verdict in (None, "cannot tell"):
        return Outcome(LOST if good else REFUSED, answer.reason[:100])
    for key, full in zip(("native_width", "native_height"), SIZE, strict=True):
        told = answer.value(key)
        if told is not None and abs(told / full - true) > max(
            0.02 * true, 3 * answer.u(key) / full
        ):
            return Outcome(
                WRONG, f"{verdict}, {key} {told:.4g} of {full:g}, truth {true * full:.4g}"
            )
    if true < 0.9 and verdict == "native":
        return Outcome(WRONG, f"told native, truth enlarged {1 / true:.3f} times")
    return Outcome(RIGHT)


def pair(sheet: Image, rng: Rng, folder: Path, *, factor: float = 1.0, kernel: int = cv2.INTER_CUBIC,
         inner: int | None = None, quality: int | None = 92, count: int = 2) -> list[Path]:  # fmt: skip
    """Exposures of one sheet, enlarged by `factor` to the size of all photos here.

    With `inner` the camera first stores JPEG of that quality, so that its grid is enlarged too.
    """
    small = (round(WIDE / factor), round(HIGH / factor))
    scene = cv2.resize(sheet, (small[0] * FINER, small[1] * FINER), interpolation=cv2.INTER_AREA)
    paths = []
    for n in range(count):
        photo = exposed(scene, rng, blur=0.5, noise=0.025)
        if inner is not None:
            photo = cv2.imdecode(cv2.imencode(".jpg", photo, [1, inner])[1], cv2.IMREAD_UNCHANGED)
        photo = cv2.resize(photo, SIZE, interpolation=kernel) if factor != 1 else photo
        paths.append(saved(photo, folder / f"p{n}", quality))
    return paths


def some_sheet(rng: Rng) -> Image:
    """Something to look at: a photograph's shades."""
    image = library_photo(PHOTOS[int(rng.integers(len(PHOTOS)))])
    light = (image.mean(2) if image.ndim == 3 else image).astype(np.float32) / 255
    light = cv2.resize(light, (WIDE * FINER, HIGH * FINER), interpolation=cv2.INTER_AREA)
    return (0.1 + 0.7 * light**2).astype(np.float32)


def regular(rng: Rng, folder: Path, *, count: int) -> Outcome:
    """A native photo of an array, a fence, a screen: what repeats is in the scene."""
    which = int(rng.integers(3))
    if which == 0:
        sheet = windows(float(rng.uniform(2.2, 9)))
    elif which == 1:
        sheet = cv2.resize(sheet_of(REGULAR[int(rng.integers(len(REGULAR)))], rng),
                           (WIDE * FINER, HIGH * FINER), interpolation=cv2.INTER_AREA)  # fmt: skip
    else:
        lit = np.full((HIGH * FINER, WIDE * FINER), 0.9, np.float32)
        sheet = screen(lit, rng, float(rng.uniform(1.5, 8))).mean(2)
    sheet = turned(sheet, float(rng.choice([0, rng.uniform(-5, 5)])), fill=0.2)
    quality = [None, 95, 88][int(rng.integers(3))]
    return share_told(ask("native", *pair(sheet, rng, folder, quality=quality, count=count)), 1.0,
                      good=False)  # fmt: skip


def plain_native(rng: Rng, folder: Path) -> Outcome:
    quality = [None, 97, 93][int(rng.integers(3))]
    return share_told(
        ask("native", *pair(some_sheet(rng), rng, folder, quality=quality)), 1.0, good=False
    )


def single(rng: Rng, folder: Path) -> Outcome:
    """A library photograph made smaller by three by area: native in all that counts."""
    name = ("astronaut", "camera", "chelsea", "coffee", "china.jpg", "flower.jpg")[
        int(rng.integers(6))
    ]
    image = cv2.resize(np.ascontiguousarray(library_photo(name)), (WIDE * 2, HIGH * 2),
                       interpolation=cv2.INTER_AREA)  # fmt: skip
    small = cv2.resize(image, SIZE, interpolation=cv2.INTER_AREA)
    return share_told(ask("native", saved(small, folder / "p", 90)), 1.0, good=False)


def enlarged(rng: Rng, folder: Path, *, factors: tuple[float, ...], inner: bool) -> Outcome:
    factor = float(rng.choice(factors)) if len(factors) > 2 else float(rng.uniform(*factors))
    kernel = [cv2.INTER_LINEAR, cv2.INTER_CUBIC, cv2.INTER_LANCZOS4][int(rng.integers(3))]
    paths = pair(some_sheet(rng), rng, folder, factor=factor, kernel=kernel,
                 inner=92 if inner else None, quality=[None, 95, 88][int(rng.integers(3))])  # fmt: skip
    true = round(WIDE / factor) / WIDE
    return share_told(ask("native", *paths), true, good=False)


def reduced(rng: Rng, folder: Path) -> Outcome:
    """Made smaller, sharpened and stored again: no enlargement, whatever traces it leaves."""
    big = cv2.resize(some_sheet(rng), (int(WIDE * 1.5) * FINER, int(HIGH * 1.5) * FINER))
    paths = []
    for n in range(2):
        photo = cv2.resize(
            exposed(big, rng, blur=0.6, noise=0.03), SIZE, interpolation=cv2.INTER_CUBIC
        )
        soft = cv2.GaussianBlur(photo.astype(np.float32), (0, 0), 1.0)
        sharp = np.clip(1.7 * photo - 0.7 * soft, 0, 255).astype(np.uint8)
        paths.append(saved(sharp, folder / f"p{n}", 92))
    return share_told(ask("native", *paths), 1.0, good=False)


def demosaiced(rng: Rng, folder: Path) -> Outcome:
    """A grey scene through a colour mosaic: interpolated, yet every px was read."""
    sheet, paths = some_sheet(rng), []
    for n in range(2):
        raw = exposed(sheet, rng, blur=0.5, noise=0.03)
        paths.append(saved(cv2.cvtColor(raw, cv2.COLOR_BayerRGGB2BGR), folder / f"p{n}", 94))
    return share_told(ask("native", *paths), 1.0, good=False)


def same_file(rng: Rng, folder: Path) -> Outcome:
    """One exposure stored twice: no noise can be told from it."""
    photo = exposed(some_sheet(rng), rng, noise=0.02)
    paths = [saved(photo, folder / "a", 95), saved(photo, folder / "b", 80)]
    return share_told(ask("native", *paths), 1.0, good=False)


KINDS: dict[str, Kind] = {
    "regular scene, pair": (24, partial(regular, count=2)),
    "regular scene, one photo": (24, partial(regular, count=1)),
    "native pair": (12, plain_native),
    "native photograph": (12, single),
    "enlarged pair, any factor": (14, partial(enlarged, factors=(1.2, 3.0), inner=False)),
    "enlarged pair, 4/3 and 8/5, JPEG's grid": (
        14, partial(enlarged, factors=(4 / 3, 8 / 5, 4 / 3), inner=True)),
    "enlarged pair, 4/3, 8/5, 2": (10, partial(enlarged, factors=(4 / 3, 8 / 5, 2.0), inner=False)),
    "reduced and sharpened pair": (10, reduced),
    "pair through a mosaic": (8, demosaiced),
    "one exposure stored twice": (6, same_file),
}  # fmt: skip
