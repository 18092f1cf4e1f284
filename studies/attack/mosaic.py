"""Sets of tiles whose places are known: what is alike in every tile, and what belongs elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from studies.attack.case import CRASH, LOST, REFUSED, RIGHT, WRONG, Kind, Outcome, ask
from studies.attack.drawing import saved, stored
from studies.attack.match import chip
from studies.attack.scenes import library_photo

WIDE, HIGH = 320, 240
NOISE = 0.008
MISPLACED_PX = 2.0
"""Distance from the truth at which a tile is in a wrong place, as in the study of mosaics."""
Rng = np.random.Generator
Sheet = NDArray[np.float32]


def tile(sheet: Sheet, rng: Rng, middle: tuple[float, float], *, zoom: float = 1.0) -> Sheet:
    """Linear light of a tile about a place of the sheet (px), one px a px."""
    turn = np.radians(float(rng.uniform(-0.3, 0.3)))
    y, x = np.mgrid[0:HIGH, 0:WIDE].astype(np.float32)
    x, y = (x - (WIDE - 1) / 2) / zoom, (y - (HIGH - 1) / 2) / zoom
    map_x = (middle[0] + np.cos(turn) * x - np.sin(turn) * y).astype(np.float32)
    map_y = (middle[1] + np.sin(turn) * x + np.cos(turn) * y).astype(np.float32)
    return np.asarray(cv2.remap(sheet, map_x, map_y, cv2.INTER_CUBIC), np.float32)


def stamp(rng: Rng) -> Sheet:
    """What a camera prints into each picture, and dirt on its sensor: a gain, 1 where there is none."""
    out = np.full((HIGH, WIDE), 255, np.uint8)
    for _ in range(60):
        place = (int(rng.integers(WIDE)), int(rng.integers(HIGH)))
        cv2.circle(out, place, int(rng.integers(1, 7)), int(rng.integers(90, 210)), -1, cv2.LINE_AA)
    cv2.rectangle(out, (0, HIGH - 26), (WIDE, HIGH), 40, -1)
    cv2.putText(out, "2031-05-17 10:41 x200", (8, HIGH - 8), cv2.FONT_HERSHEY_SIMPLEX, 0.6, 230, 1,
                cv2.LINE_AA)  # fmt: skip
    return out.astype(np.float32) / 255


def places(rng: Rng) -> list[tuple[float, float]]:
    """Middles of three by two tiles that overlap by a quarter to a third, moved by hand."""
    step = (WIDE * float(rng.uniform(0.65, 0.75)), HIGH * float(rng.uniform(0.65, 0.75)))
    return [
        (400 + i * step[0] + float(rng.uniform(-8, 8)), 400 + j * step[1] + float(rng.uniform(-8, 8)))
        for j in range(2) for i in range(3)
    ]  # fmt: skip


def some_chip(rng: Rng) -> Sheet:
    """A drawn chip, or a library photograph as large."""
    return chip(rng) if rng.integers(2) else photograph(rng)


def photograph(rng: Rng) -> Sheet:
    """A library photograph as large as a chip: parts of it are plain, as sky and cloth are."""
    image = library_photo(("rocket", "astronaut", "coffee", "china.jpg")[int(rng.integers(4))])
    grey = (image.mean(2) if image.ndim == 3 else image).astype(np.float32) / 255
    return np.asarray(0.05 + 0.8 * cv2.resize(grey, (1500, 1500), interpolation=cv2.INTER_CUBIC))


def detailed(sheet: Sheet, at: list[tuple[float, float]]) -> bool:
    """Whether every tile shares detail with its neighbours in its row and its column: half of the
    blocks of 32 px of each strip vary by three times the noise. Sky shows no place, and owes none."""
    for n, (x, y) in enumerate(at):
        for x2, y2 in ([at[n + 1]] if n % 3 < 2 else []) + ([at[n + 3]] if n < 3 else []):
            left, top = max(x, x2) - WIDE / 2, max(y, y2) - HIGH / 2
            right, bottom = min(x, x2) + WIDE / 2, min(y, y2) + HIGH / 2
            strip = sheet[int(top) : int(bottom), int(left) : int(right)]
            rows, columns = strip.shape[0] // 32, strip.shape[1] // 32
            blocks = strip[: 32 * rows, : 32 * columns].reshape(rows, 32, columns, 32)
            if float((blocks.std(axis=(1, 3)) > 3 * NOISE).mean()) < 0.5:
                return False
    return True


def sort_tiles(tiles: list[Sheet], truth: list[tuple[float, float] | None], rng: Rng, folder: Path,
               *, good: bool = False) -> Outcome:  # fmt: skip
    """Write tiles, ask, and sort: every placed tile lies where it is true; None has no place."""
    paths = []
    for n, light in enumerate(tiles):
        noisy = light * rng.uniform(0.9, 1.1) + rng.normal(0, NOISE, light.shape)
        paths.append(saved(stored(noisy), folder / f"t{n}", 92))
    answer = ask("mosaic", *paths, "--out", folder / "out")
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    if not answer.measured:
        return Outcome(LOST if good else REFUSED, answer.reason[:140])
    middle = np.array([(WIDE - 1) / 2, (HIGH - 1) / 2, 1.0])
    found = [None if t["matrix"] is None else np.array(t["matrix"]) @ middle
             for t in answer.data["tiles"]]  # fmt: skip
    placed = [n for n, at in enumerate(found) if at is not None]
    strangers = [n for n in placed if truth[n] is None]
    if strangers and len(placed) > len(strangers):
        return Outcome(WRONG, f"tiles {strangers} have no place beside the others, but got one")
    known = [n for n in placed if truth[n] is not None]
    mine = np.array([found[n] for n in known]) @ [[1, 0], [0, 1]]
    true = np.array([truth[n] for n in known], float)
    mine, true = mine - mine.mean(0), true - true.mean(0)
    left, _, right = np.linalg.svd(mine.T @ true)
    off = np.hypot(*(mine @ left @ right - true).T)
    if off.max(initial=0.0) > MISPLACED_PX:
        return Outcome(
            WRONG, f"a tile lies {off.max():.1f} px from its place; {len(placed)} placed"
        )
    if good and len(placed) < len(tiles):
        return Outcome(LOST, f"{len(placed)} of {len(tiles)} placed")
    return Outcome(RIGHT)


def plain(rng: Rng, folder: Path, *, stamped: bool = False, repeats: bool = False,
          good: bool = False) -> Outcome:  # fmt: skip
    sheet = chip(rng, repeats=True) if repeats else some_chip(rng)
    gain = stamp(rng) if stamped else np.float32(1)
    at = places(rng)
    while good and not detailed(sheet, at):
        sheet = some_chip(rng)
    return sort_tiles(
        [tile(sheet, rng, one) * gain for one in at], list(at), rng, folder, good=good
    )


def far_repeats(
    rng: Rng, folder: Path, *, along_x: bool = False, drawn: Callable[[Rng], Sheet] = chip
) -> Outcome:
    """A chip whose pattern comes again 1.3 to 1.75 widths of a tile farther: no photo shows it twice,
    and the photos fit together in two ways. Of a photograph a part that begins anywhere comes again."""
    period = round(float(rng.uniform(1.3, 1.75)) * WIDE)
    one = drawn(rng)
    if drawn is photograph:
        one = one[int(rng.integers(600)) :, int(rng.integers(600)) :]
    one = one[:, :period] if along_x else one[:period, :period]
    sheet = np.tile(one, (1 if along_x else 4, 4))[:1500, :1500]
    at = places(rng)
    return sort_tiles([tile(sheet, rng, place) for place in at], list(at), rng, folder)


def with_stranger(rng: Rng, folder: Path, *, how: str) -> Outcome:
    """One tile is of another chip, turned over, or taken at another zoom (its place is then free)."""
    sheet, at = some_chip(rng), places(rng)
    tiles = [tile(sheet, rng, one) for one in at]
    n = int(rng.integers(len(at)))
    if how == "other chip":
        other = some_chip(rng)
        while other.shape == sheet.shape and np.corrcoef(other.ravel(), sheet.ravel())[0, 1] > 0.9:
            other = some_chip(rng)  # there are four photographs: that was the same again
        tiles[n] = tile(other, rng, (700, 700))
    elif how == "turned over":
        tiles[n] = np.ascontiguousarray(tiles[n][:, ::-1])
    else:
        tiles[n] = tile(sheet, rng, at[n], zoom=float(rng.choice([0.97, 0.985, 1.015, 1.03])))
    truth: list[tuple[float, float] | None] = list(at)
    truth[n] = None
    return sort_tiles(tiles, truth, rng, folder)


def only_the_stamp(rng: Rng, folder: Path) -> Outcome:
    """Four chips, nothing in common but what the camera prints into each picture and its dirt."""
    gain = stamp(rng)
    tiles = [tile(chip(rng), rng, (700, 700)) * gain for _ in range(4)]
    answer = sort_tiles(tiles, [None, None, None, None], rng, folder)
    if answer.sort in (REFUSED, CRASH):
        return answer
    return Outcome(WRONG, "photos of several chips were joined by their stamp")


KINDS: dict[str, Kind] = {
    "plain set": (4, partial(plain, good=True)),
    "set of what is bare in part": (4, plain),
    "stamp and dirt in every tile": (5, partial(plain, stamped=True)),
    "nothing alike but the stamp": (4, only_the_stamp),
    "repeating chip": (3, partial(plain, repeats=True)),
    "chip repeating beyond a tile": (6, far_repeats),
    "the same, along one side only": (6, partial(far_repeats, along_x=True)),
    "photograph repeating beyond a tile": (6, partial(far_repeats, drawn=photograph)),
    "the same photograph, along one side only": (
        6,
        partial(far_repeats, along_x=True, drawn=photograph),
    ),
    "a tile of another chip": (3, partial(with_stranger, how="other chip")),
    "a tile turned over": (3, partial(with_stranger, how="turned over")),
    "a tile at another zoom": (4, partial(with_stranger, how="zoom")),
}
