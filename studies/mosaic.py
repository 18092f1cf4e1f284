"""Mosaics of simulated dies with known truth: where tiles lie, how long the whole is, how sure.

Sets of photos by a hand-moved stage: unknown order, turns of half a degree, distortion, vignetting, an
exposure that drifts, JPEG. Beside them OpenCV's stitcher in its scan mode, and what a competent script
does: features, random sample consensus for each pair, a chain of pairs. Then many small sets, for how
often intervals of lengths hold the truth, and dies of which memories cover 60 %, for tiles in wrong
places.
"""

from __future__ import annotations

import math
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable, Unusable
from glassay.mosaic import MosaicResult, place_tiles
from glassay.mosaic.lens import applied
from glassay.simulate import Camera, Die, Lighting, Mapping, Optics, Pose, Scene, View, capture

Points = npt.NDArray[np.float64]
SIZE = (800, 600)
PIXEL_UM = 0.55


SMALL_SETS, MEMORY_SETS, BRIDGED_SETS = 12, 4, 6
MISPLACED_PX = 2.0
"""Distance from the truth at which a tile is in a wrong place: a fraction of the period of cells."""


@dataclass(frozen=True)
class Kind:
    """A row of the study: a grid, or where `places` are given, middles of photos in sides of one."""

    name: str
    columns: int
    rows: int
    overlap: float
    k1: float
    softness: float = 1.0
    size: tuple[int, int] = SIZE
    places: tuple[tuple[float, float], ...] = ()


def _bridged() -> tuple[tuple[float, float], ...]:
    """Twice four photos; only one of either four shares anything with the others, a strip of 0.22."""
    group = [(x, y) for y in (0.0, 0.72) for x in (0.0, 0.72)]
    other = [(0.72 + 0.78 + x, y - 0.72) for x, y in group]
    return tuple((x - 1.11, y) for x, y in (*group, *other))


SMALL = Kind("3 x 3 of 400 x 300 px, 25 % overlap", 3, 3, 0.25, -0.02, size=(400, 300))
MEMORY = Kind("memories, 30 % overlap", 5, 4, 0.30, -0.015, size=(560, 420))

BRIDGED = Kind("2 x 4 of 560 x 420 px, joined by one pair that overlaps by 22 %", 4, 2, 0.28, -0.01,
               size=(560, 420), places=_bridged())  # fmt: skip


@dataclass(frozen=True)
class MemoryDie:
    """A die whose memories, four blocks of cells, cover 60 % of it."""

    die: Die
    period_um: tuple[float, float]

    def paint(self, view: View) -> Any:
        """See `Scene`."""
        picture = self.die.paint(view)
        x, y = view.x + view.origin_um[0], view.y + view.origin_um[1]
        a, b = (2 * math.pi * v / p for v, p in zip((x, y), self.period_um, strict=True))
        cells = 0.3 + 0.12 * np.cos(a) + 0.1 * np.cos(b) + 0.06 * np.sin(a + 2 * b)
        w, h = self.die.width_um, self.die.height_um
        side = math.sqrt(0.6) / 2
        for i, j in ((-1, -1), (1, -1), (-1, 1), (1, 1)):
            far = np.maximum(
                np.abs(x - i * w / 4) - side * w / 2, np.abs(y - j * h / 4) - side * h / 2
            )
            inside = np.clip(0.5 - far / 1.2, 0, 1)[..., None]
            tint = np.array([0.9, 1.0, 0.8]) * cells[..., None]
            picture = picture + inside * (tint - picture)
        return np.asarray(picture, dtype=view.x.dtype)

    def marks_um(self) -> dict[str, Any]:
        """See `Scene`."""
        return self.die.marks_um()

    def facts(self) -> dict[str, float | str]:
        """See `Scene`."""
        return self.die.facts()


KINDS = (
    Kind("20 % overlap", 4, 3, 0.20, -0.02),
    Kind("30 % overlap", 4, 3, 0.30, 0.015),
    Kind("12 % overlap, soft", 3, 3, 0.12, -0.01, 1.6),
)


@dataclass(frozen=True)
class Set:
    """Files of a set and the truth of each."""

    paths: tuple[Path, ...]
    truths: dict[str, Mapping]
    size: tuple[int, int]


def draw_set(kind: Kind, seed: int, folder: Path, die: Scene | None = None) -> Set:
    """Photograph a die in a grid that a hand moved."""
    rng = np.random.default_rng([seed, 1515])
    die = die or Die(seed=seed)
    size = kind.size
    order = rng.permutation(kind.columns * kind.rows)
    paths, truths = [], {}
    for n in range(len(order)):
        i, j = n % kind.columns, n // kind.columns
        step = np.array(size) * PIXEL_UM * (1 if kind.places else 1 - kind.overlap)
        grid = (i - (kind.columns - 1) / 2, j - (kind.rows - 1) / 2)
        place = np.array(kind.places[n] if kind.places else grid) * step
        place = place + rng.normal(0, 0.015, 2) * size[0] * PIXEL_UM
        pose = Pose(PIXEL_UM, float(rng.normal(0, 0.3)), (float(place[0]), float(place[1])))
        light = Lighting(level=float(np.exp(rng.normal(0, 0.05))), gradient=(0.04, -0.03))
        optics = Optics(
            na=0.4 / kind.softness, distortion_k1=kind.k1, vignetting=0.1, lighting=light
        )
        camera = Camera(width=size[0], height=size[1], exposure=0.75)
        path = folder / f"photo-{order[n]:03d}.jpg"
        shot = capture(die, pose, optics, camera, 100 * seed + n)
        shot.write(path)
        truths[path.name] = shot.truth.mapping
        paths.append(path)
    return Set(tuple(sorted(paths)), truths, size)


@dataclass(frozen=True)
class Outcome:
    """What became of a set: `errors` (tiles placed,) worst px of each tile; relative error of the
    longest length and whether its interval holds the truth; `held_share` of all lengths from tile to
    tile; seconds of processor time."""

    tiles: int
    errors: Points
    rms: float
    length: float
    held: bool
    seconds: float
    held_share: float = math.nan


def against_truth(places: dict[str, Points], own: Set) -> tuple[Points, Points]:
    """Points of all tiles in the mosaic and on the die (px of the photos), (tiles, points, 2)."""
    grid = _grid(own.size)
    truth = np.array([own.truths[name].to_um(grid) / PIXEL_UM for name in sorted(places)])
    return np.array([places[name] for name in sorted(places)]), truth


def _grid(size: tuple[int, int]) -> Points:
    axes = (np.linspace(0, side - 1, 5) for side in size)
    return np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)


def misplaced(seen: Points, true: Points, *, scaled: bool = False) -> Points:
    """Distances, px, after the one rigid motion (or similarity) that no photo can tell."""
    p, q = seen.reshape(-1, 2), true.reshape(-1, 2)
    pc, qc = p.mean(axis=0), q.mean(axis=0)
    u, s, vt = np.linalg.svd((p - pc).T @ (q - qc))
    turn = (u @ vt).T
    scale = s.sum() / ((p - pc) ** 2).sum() if scaled else 1.0
    rest = scale * (p - pc) @ turn.T - (q - qc)
    return np.asarray(np.hypot(*rest.T).reshape(len(seen), -1))


def run_own(own: Set) -> Outcome:
    """Our mosaic."""
    start = time.process_time()
    try:
        result = place_tiles(own.paths)
    except (NotMeasurable, Unusable):
        return Outcome(len(own.paths), np.empty(0), math.nan, math.nan, False, 0.0)
    seconds = time.process_time() - start
    places = {
        w.path.name: applied(w.matrix, result.camera.lens.undistorted(_grid(own.size)))
        for w in result.where if w.matrix is not None
    }  # fmt: skip
    seen, true = against_truth(places, own)
    off = misplaced(seen, true)
    lengths = _lengths(result, own)
    error, u = lengths[0]
    inside = float(np.mean([abs(e) <= 1.96 * each for e, each in lengths]))
    return Outcome(
        len(own.paths), off.max(axis=1), math.sqrt(float((off**2).mean())), error,
        abs(error) <= 1.96 * u, seconds, inside,
    )  # fmt: skip


def _lengths(result: MosaicResult, own: Set) -> list[tuple[float, float]]:
    """Relative error and standard uncertainty of lengths from middle to middle, the longest first."""
    lens, solution = result.camera.lens, result.solution
    middle = lens.middle
    names = [result.where[result.drawn[n][0]].path.name for n in range(len(result.order))]
    true = [own.truths[name].to_um(middle[None, :])[0] / PIXEL_UM for name in names]
    pairs = [(a, b) for a in range(len(names)) for b in range(a)]
    pairs.sort(key=lambda p: -math.dist(true[p[0]], true[p[1]]))
    out = []
    for a, b in pairs:
        ends = ((result.order[a], middle, lens), (result.order[b], middle, lens))
        length, placing, bent = solution.length_u(ends)
        real = math.dist(true[a], true[b])
        out.append((length / real - 1, math.hypot(placing, bent) / real))
    return out


def run_stitcher(own: Set) -> tuple[int, float]:
    """Tiles that OpenCV's stitcher in scan mode places, and seconds."""
    stitcher: Any = cv2.Stitcher.create(cv2.Stitcher_SCANS)
    pictures = [cv2.imread(str(path)) for path in own.paths]
    start = time.perf_counter()
    try:
        status = stitcher.estimateTransform(pictures)
        count = len(stitcher.component()) if status == cv2.Stitcher_OK else 0
    except cv2.error:
        count = 0
    return count, time.perf_counter() - start


def run_chain(own: Set) -> Outcome:
    """Features, a similarity for each pair by random sample consensus, the strongest pairs chained."""
    start = time.perf_counter()
    sift = cv2.SIFT.create(nfeatures=3000)
    found = [sift.detectAndCompute(cv2.imread(str(p), 0), None) for p in own.paths]
    pairs = []
    for a in range(len(found)):
        for b in range(a + 1, len(found)):
            matches = cv2.BFMatcher(cv2.NORM_L2).knnMatch(found[a][1], found[b][1], k=2)
            good = [m for m, n in matches if m.distance < 0.75 * n.distance]
            if len(good) < 8:
                continue
            here = np.array([found[a][0][m.queryIdx].pt for m in good])
            there = np.array([found[b][0][m.trainIdx].pt for m in good])
            matrix, inside = cv2.estimateAffinePartial2D(here, there, ransacReprojThreshold=3.0)
            if matrix is not None and inside.sum() >= 8 and np.linalg.det(matrix[:, :2]) > 0.1:
                pairs.append((int(inside.sum()), a, b, np.vstack([matrix, [0, 0, 1]])))
    groups = {n: {n: np.eye(3)} for n in range(len(found))}
    owner = {n: n for n in groups}
    for _, a, b, matrix in sorted(pairs, key=lambda p: -p[0]):
        one, two = owner[a], owner[b]
        if one == two:
            continue
        onto = groups[one][a] @ np.linalg.inv(matrix) @ np.linalg.inv(groups[two][b])
        for tile, own_matrix in groups.pop(two).items():
            groups[one][tile] = onto @ own_matrix
            owner[tile] = one
    largest = max(groups.values(), key=len)
    seconds = time.perf_counter() - start
    places = {own.paths[t].name: applied(m[:2], _grid(own.size)) for t, m in largest.items()}
    seen, true = against_truth(places, own)
    off = misplaced(seen, true, scaled=True)
    return Outcome(
        len(own.paths), off.max(axis=1), math.sqrt(float((off**2).mean())), math.nan, False, seconds
    )


def report(quick: bool = False) -> str:
    """The study as text."""
    cv2.setNumThreads(1)
    return "\n".join(
        [
            *_against_others(quick),
            "",
            *_lengths_held(SMALL, 2 if quick else SMALL_SETS),
            "",
            *_lengths_held(BRIDGED, 1 if quick else BRIDGED_SETS),
            "",
            *_in_memories(quick),
        ]
    )


def _against_others(quick: bool) -> list[str]:
    lines = [
        "Mosaics of 800 x 600 px photos: errors of placement in px against the truth",
        "  targets: rms 0.1, worst 0.5, length within 0.03 %; seconds of one core",
        f"  {'set':<24}{'tiles':>6}{'placed':>7}{'rms':>8}{'worst':>8}{'length %':>10}{'s':>7}"
        f"   {'stitcher':>9}{'s':>7}   {'chain':>6}{'rms':>8}{'worst':>9}{'s':>7}",
    ]
    for kind in KINDS[: 1 if quick else len(KINDS)]:
        for seed in range(1 if quick else 2):
            with tempfile.TemporaryDirectory() as folder:
                own = draw_set(kind, seed, Path(folder))
                done, chain = run_own(own), run_chain(own)
                count, seconds = run_stitcher(own)
            worst = float(done.errors.max()) if len(done.errors) else math.nan
            lines.append(
                f"  {kind.name:<24}{done.tiles:6d}{len(done.errors):7d}{done.rms:8.3f}{worst:8.3f}"
                f"{100 * done.length:10.4f}{done.seconds:7.1f}   "
                f"{count:9d}{seconds:7.1f}   {len(chain.errors):6d}{chain.rms:8.2f}"
                f"{chain.errors.max():9.2f}{chain.seconds:7.1f}"
            )
    return lines


def _lengths_held(kind: Kind, sets: int) -> list[str]:
    found = []
    for seed in range(sets):
        with tempfile.TemporaryDirectory() as folder:
            found.append(run_own(draw_set(kind, 50 + seed, Path(folder))))
    good = [one for one in found if len(one.errors)]
    placed, tiles = sum(len(one.errors) for one in good), sum(one.tiles for one in found)
    wrong = sum(int((one.errors > MISPLACED_PX).sum()) for one in good)
    if not good:
        return [f"Lengths from tile to tile, {len(found)} sets ({kind.name}): all refused"]
    errors = np.array([abs(one.length) for one in good])
    return [
        f"Lengths from tile to tile, {len(found)} sets ({kind.name})",
        f"  placed {placed} of {tiles}, in wrong places {wrong} (target 0), rms"
        f" {math.sqrt(float(np.mean([one.rms**2 for one in good]))):.3f} px",
        f"  longest length off by {100 * float(np.median(errors)):.4f} % (median),"
        f" {100 * float(errors.max()):.4f} % (worst; target 0.03 %)",
        f"  95 % intervals hold {100 * float(np.mean([one.held_share for one in good])):.1f} % of the"
        f" lengths, {sum(one.held for one in good)} of {len(good)} of the longest (target 92 to 98 %)",
    ]


def _in_memories(quick: bool) -> list[str]:
    lines = [f"Memories over 60 % of the die ({MEMORY.name}): tiles in wrong places, target 0"]
    for seed in range(1 if quick else MEMORY_SETS):
        rng = np.random.default_rng([seed, 60])
        period = (float(rng.uniform(4.5, 9)), float(rng.uniform(4.5, 9)))
        with tempfile.TemporaryDirectory() as folder:
            die = Die(width_um=1250, height_um=760, seed=90 + seed)
            done = run_own(draw_set(MEMORY, 90 + seed, Path(folder), MemoryDie(die, period)))
        wrong = int((done.errors > MISPLACED_PX).sum())
        lines.append(
            f"  period {period[0]:.1f} x {period[1]:.1f} um: placed {len(done.errors)} of {done.tiles},"
            f" in wrong places {wrong}, rms {done.rms:.3f} px"
        )
    return lines
