"""How well two photos of one chip are registered, beside what general libraries make of the same.

Simulated pairs with known truth: bright field with a few hundred shared pixels; dark field and
oblique light against bright field; soft focus; magnifications 6 and 12 times apart; with the
calibrations as prior and without. Then pairs that must be refused: different chips, no overlap,
structure that only repeats. On the bright-field pairs OpenCV and scikit-image run beside, both with
the calibrations as prior: the finer photo is first reduced to the coarser one's sampling, features
are matched, and a similarity is found by random sample consensus.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging import Photo
from glassay.match import match
from glassay.simulate import Camera, Capture, Die, Lit, Optics, Pose, Scene, capture

BRIGHT, HARD, REFUSED = 12, 4, 3
CONFIDENT_ERROR = 0.02
"""A scale ratio this far off that was not refused is a confident error: another place, or no chip."""
BESIDE_SCIKIT = 4
"""Bright-field pairs on which scikit-image runs as well; its features take seconds a pair."""

FloatImage = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Kind:
    """One row of the study. `ratio` is the range of pixel size ratios, `target` the largest relative
    error of the scale that is allowed."""

    name: str
    target: float
    ratio: tuple[float, float]
    fine_um: tuple[float, float]
    size: tuple[int, int] = (640, 480)
    fine_light: str = "bright"
    coarse_light: str = "bright"
    soft: float = 1.0
    prior: bool = True


KINDS = (
    Kind("bright field, 250 to 600 shared px", 1e-4, (1.05, 2.5), (0.8, 1.2)),
    Kind("the same without calibrations", 1e-4, (1.05, 2.5), (0.8, 1.2), prior=False),
    Kind("coarser one in dark field", 2e-3, (1.3, 2.8), (0.8, 1.2), coarse_light="dark"),
    Kind("finer one in dark field", 2e-3, (1.3, 2.8), (0.8, 1.2), fine_light="dark"),
    Kind("coarser one in oblique light", 2e-3, (1.3, 2.8), (0.8, 1.2), coarse_light="oblique"),
    Kind("both in soft focus", 2e-3, (1.3, 2.8), (0.8, 1.2), soft=0.25),
    Kind("6 times apart", 2e-3, (5.5, 6.5), (0.35, 0.45), (960, 720)),
    Kind("12 times apart, no calibrations", 2e-3, (11, 13), (0.3, 0.4), (1440, 1080), prior=False),
)


@dataclass(frozen=True)
class Outcome:
    """One pair. `error` is the relative error of the scale ratio (None: refused), `covered` whether
    the 95 % interval holds the truth, `residual` what was stated and `off` how far points of the
    overlap really are from where the mapping puts them, both in px of the finer photo."""

    error: float | None = None
    covered: bool = False
    residual: float = 0.0
    off: float = 0.0
    seconds: float = 0.0


def light_of(shot: Capture) -> FloatImage:
    """The linear luminance that the command compares."""
    return Photo(Path("simulated"), shot.stored, "srgb").linear_grey()


def _shot(die: Die, light: str, size: tuple[int, int], pose: Pose, na: float, seed: int) -> Capture:
    scene: Scene = die
    exposure = 0.8
    if light != "bright":
        scene = Lit(die, "dark" if light == "dark" else "oblique")
        exposure = 2.0
    camera = Camera(width=size[0], height=size[1], exposure=exposure)
    return capture(scene, pose, Optics(na=na), camera, seed)


def draw_pair(kind: Kind, index: int) -> tuple[Capture, Capture]:
    """Pair `index` of a kind: the finer photo and the coarser one."""
    rng = np.random.default_rng([1877, index, len(kind.name)])
    die = Die(seed=int(rng.integers(1000)))
    ratio = math.exp(rng.uniform(*np.log(kind.ratio)))
    fine_um = float(rng.uniform(*kind.fine_um))
    place = rng.uniform(-1, 1, 2) * (430, 300)
    aside = rng.uniform(-1, 1, 2) * (120 if ratio > 4 else 40)
    turns = rng.uniform(-180, 180, 2)
    shots = []
    for number, (size_um, centre, light) in enumerate(
        [(fine_um, place, kind.fine_light), (fine_um * ratio, place + aside, kind.coarse_light)]
    ):
        pose = Pose(size_um, float(turns[number]), (float(centre[0]), float(centre[1])))
        # a cut-off of 0.8 cycles/px: about what a matched camera sees
        na = min(0.5, 0.22 / size_um) * kind.soft
        shots.append(_shot(die, light, kind.size, pose, na, 2 * index + number))
    return shots[0], shots[1]


def _off_px(fine: Capture, coarse: Capture, mapping: Callable[..., Any]) -> float:
    """Rms distance between mapped and true places over the overlap, px of the finer photo."""
    shape = fine.stored.shape
    grid = np.stack(np.meshgrid(*(np.linspace(0, s - 1, 12) for s in shape[1::-1])), axis=-1)
    points = grid.reshape(-1, 2)
    true = coarse.truth.mapping.to_px(fine.truth.mapping.to_um(points))
    inside = ((true > 0) & (true < np.array(coarse.stored.shape[1::-1]) - 1)).all(axis=1)
    apart = mapping(points[inside]) - true[inside]
    ratio = coarse.truth.pixel_size_um / fine.truth.pixel_size_um
    return float(np.sqrt((apart**2).sum(axis=1).mean()) * ratio)


def run_pair(task: tuple[Kind, int]) -> Outcome:
    """Match one pair."""
    kind, index = task
    cv2.setNumThreads(1)
    fine, coarse = draw_pair(kind, index)
    sizes = [shot.truth.pixel_size_um for shot in (fine, coarse)]
    known = dict(zip(("pixel_size_1", "pixel_size_2"), sizes, strict=True)) if kind.prior else {}
    pictures = light_of(fine), light_of(coarse)
    start = time.perf_counter()
    try:
        found = match(*pictures, **known)
    except NotMeasurable:
        return Outcome(seconds=time.perf_counter() - start)
    seconds = time.perf_counter() - start
    true = sizes[1] / sizes[0]
    low, high = found.scale_ratio.interval
    return Outcome(
        found.scale_ratio.value / true - 1, low <= true <= high, found.residual.value,
        _off_px(fine, coarse, found.mapping), seconds,
    )  # fmt: skip


Registration = Callable[[npt.NDArray[np.uint8], npt.NDArray[np.uint8]], npt.NDArray[np.float64]]


def by_opencv(
    one: npt.NDArray[np.uint8], two: npt.NDArray[np.uint8]
) -> npt.NDArray[np.float64] | None:
    """Similarity from one 8-bit picture to another by OpenCV's features; None when it finds none."""
    sift = cv2.SIFT.create()
    (k1, d1), (k2, d2) = (sift.detectAndCompute(p, None) for p in (one, two))
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(d1, d2, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < 0.75 * p[1].distance]
    if len(good) < 4:
        return None
    a = np.array([k1[m.queryIdx].pt for m in good])
    b = np.array([k2[m.trainIdx].pt for m in good])
    matrix, _ = cv2.estimateAffinePartial2D(a, b, ransacReprojThreshold=1.5, maxIters=5000)
    return None if matrix is None else np.vstack([matrix, [0, 0, 1]])


def by_scikit(
    one: npt.NDArray[np.uint8], two: npt.NDArray[np.uint8]
) -> npt.NDArray[np.float64] | None:
    """The same by scikit-image's features and random sample consensus."""
    from skimage.feature import SIFT, match_descriptors
    from skimage.measure import ransac
    from skimage.transform import SimilarityTransform

    found = []
    for picture in (one, two):
        sift = SIFT()
        try:
            sift.detect_and_extract(picture / 255.0)
        except RuntimeError:  # no features
            return None
        found.append((sift.keypoints, sift.descriptors))
    pairs = match_descriptors(found[0][1], found[1][1], max_ratio=0.75, cross_check=True)
    if len(pairs) < 4:
        return None
    a, b = (points[0][pairs[:, n]][:, ::-1] for n, points in enumerate(found))
    model, _ = ransac(
        (a, b), SimilarityTransform, min_samples=3, residual_threshold=1.5, max_trials=2000, rng=0
    )
    return None if model is None else np.asarray(model.params)


def run_beside(task: tuple[Kind, int, bool]) -> dict[str, Outcome]:
    """The same pair by OpenCV and scikit-image, given the calibrations."""
    kind, index, scikit = task
    cv2.setNumThreads(1)
    fine, coarse = draw_pair(kind, index)
    ratio = coarse.truth.pixel_size_um / fine.truth.pixel_size_um
    outcomes = {}
    for name, register in (("OpenCV", by_opencv), ("scikit-image", by_scikit)):
        if name == "scikit-image" and not scikit:
            continue
        start = time.perf_counter()
        pictures = [np.rint(255 * np.sqrt(light_of(s).clip(0, 1))) for s in (fine, coarse)]
        size = [round(side / ratio) for side in pictures[0].shape[::-1]]
        small = cv2.resize(pictures[0], size, interpolation=cv2.INTER_AREA)
        matrix = register(small.astype(np.uint8), pictures[1].astype(np.uint8))
        seconds = time.perf_counter() - start
        if matrix is None:
            outcomes[name] = Outcome(seconds=seconds)
            continue
        step = np.array(pictures[0].shape[::-1]) / size  # px of the finer photo per reduced px
        onto = np.array([[1 / step[0], 0, 0.5 / step[0] - 0.5], [0, 1 / step[1], 0.5 / step[1] - 0.5],
                         [0, 0, 1]])  # fmt: skip
        whole = matrix @ onto

        def mapping(points: Any, m: npt.NDArray[np.float64] = whole) -> npt.NDArray[np.float64]:
            return np.asarray(points @ m[:2, :2].T + m[:2, 2])

        scale = math.sqrt(abs(float(np.linalg.det(whole[:2, :2]))))
        off = _off_px(fine, coarse, mapping)
        outcomes[name] = Outcome(1 / scale / ratio - 1, False, 0.0, off, seconds)
    return outcomes


def _unlike(index: int) -> tuple[FloatImage, FloatImage, str]:
    """Pair `index` that must be refused, and why."""
    rng = np.random.default_rng([77, index])
    why = ("different chips", "no overlap", "only pads in view")[index % 3]
    seeds = rng.choice(500, 2, replace=False)
    turns = rng.uniform(-180, 180, 2)
    if why == "different chips":
        dies, places = [Die(seed=int(s)) for s in seeds], rng.uniform(-200, 200, (2, 2))
        sizes = [float(rng.uniform(0.7, 1.1)), float(rng.uniform(1.2, 4))]
    elif why == "no overlap":
        dies, places = [Die(seed=int(seeds[0]))] * 2, np.array([[-480.0, -330], [480, 330]])
        sizes = [0.8, 1.1]
    else:  # a row of pads without bonds, scrub marks out of reach of the optics
        dies = [Die(seed=int(seeds[0]), width_um=24000, wires=False, feature_um=0.2)] * 2
        places, sizes = np.array([[-1500.0, -630], [1500, -630]]), [1.0, 1.3]
    shots = [
        _shot(d, "bright", (480, 160) if why.startswith("only") else (640, 480),
              Pose(s, float(0 if why.startswith("only") else t), (float(p[0]), float(p[1]))),
              0.2 / s, n)
        for n, (d, s, t, p) in enumerate(zip(dies, sizes, turns, places, strict=True))
    ]  # fmt: skip
    return light_of(shots[0]), light_of(shots[1]), why


def run_unlike(index: int) -> tuple[str, str, float]:
    """Why a pair must be refused, what was said, and the time."""
    cv2.setNumThreads(1)
    first, second, why = _unlike(index)
    start = time.perf_counter()
    try:
        found = match(first, second)
    except NotMeasurable as refusal:
        return why, str(refusal).split(":")[0], time.perf_counter() - start
    return why, f"MATCHED at {found.scale_ratio.value:.4g}", time.perf_counter() - start


def _row(name: str, outcomes: Sequence[Outcome], target: float | None) -> str:
    right = [o for o in outcomes if o.error is not None]
    errors = np.abs([o.error for o in outcomes if o.error is not None] or [math.nan])
    wrong = int((errors > CONFIDENT_ERROR).sum())
    aim = "" if target is None else f"{100 * target:.2g}"
    residual = f"{np.median([o.residual for o in right]):8.3f}" if target and right else 8 * " "
    off = f"{np.median([o.off for o in right]):8.3f}" if right else 8 * " "
    covered = f"{sum(o.covered for o in right):5d}" if target else 5 * " "
    seconds = float(np.median([o.seconds for o in outcomes]))
    return (
        f"{name:<36}{len(outcomes):6d}{len(outcomes) - len(right):8d}{wrong:6d}"
        f"{100 * np.median(errors):10.4f}{100 * errors.max():10.4f}{aim:>7}{residual}{off}"
        f"{covered}{seconds:7.2f}"
    )


HEAD = (
    f"{'pairs':<36}{'count':>6}{'refused':>8}{'wrong':>6}{'median':>10}{'worst':>10}{'target':>7}"
    f"{'resid':>8}{'off':>8}{'held':>5}{'s':>7}"
)


def report(quick: bool = False) -> str:
    """The study as text."""
    bright, hard, refused, scikit = (
        (2, 1, 3, 1) if quick else (BRIGHT, HARD, REFUSED, BESIDE_SCIKIT)
    )
    tasks = [
        (kind, index)
        for kind in KINDS
        for index in range(bright if kind.target < 1e-3 and kind.prior else hard)
    ]
    with ProcessPoolExecutor(2) as pool:
        own = list(pool.map(run_pair, tasks))
        beside = list(pool.map(run_beside, [(KINDS[0], n, n < scikit) for n in range(bright)]))
        unlike = list(pool.map(run_unlike, range(refused)))
    lines = [
        "Two photos of one chip registered: relative error of the scale ratio in % against the truth;",
        "resid: the stated residual, off: the true misplacement over the overlap (medians, px of the",
        "finer photo, target 0.3); held: true ratios within the stated 95 % interval.",
        "",
        HEAD,
    ]
    for kind in KINDS:
        lines.append(
            _row(
                kind.name, [o for o, t in zip(own, tasks, strict=True) if t[0] == kind], kind.target
            )
        )
        if kind is KINDS[0]:
            for name in ("OpenCV", "scikit-image"):
                there = [o[name] for o in beside if name in o]
                lines.append(_row(f"  {name} features, calibrated", there, None))
    lines += ["", "Pairs that must be refused:"]
    for why in dict.fromkeys(w for w, _, _ in unlike):
        said = [s for w, s, _ in unlike if w == why]
        slow = max(t for w, _, t in unlike if w == why)
        lines.append(
            f"  {why:<20} {len(said)} pairs: {'; '.join(sorted(set(said)))} (at most {slow:.1f} s)"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    print(report())
