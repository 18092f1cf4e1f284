"""Focus stacks: picture, depth and its uncertainty against the relief that was simulated.

Runs of 11 to 19 photos of two to four heights (floor, dies upon each other, bond wires of other heights
besides) that breathe, walk, turn, shake and drift in light, clean and noisy, raw and JPEG. Beside
ours: a plain script with OpenCV on the same photos (features and RANSAC from neighbour to neighbour;
at each px the photo with the highest absolute Laplacian), judged at the same px.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage, linear_table
from glassay.simulate import Camera, Optics, Pose, StackRun, develop, stacked_dies
from glassay.stack import StackResult, blend, measure_stack

Array = npt.NDArray[np.float64]

CASES = 8
WIDTH, HEIGHT, PIXEL_UM = 420, 320, 0.8
TABLE = linear_table(8, "srgb")
STEP_OF_HEIGHT = 1.5
"""Photos between two neighbours in truth from which there is a step of height."""
RIM_PX = (2.0, 24.0)
"""Distance from such a step within which halos are looked for."""
FLAT_GRADIENT = 0.0015
"""Change of truth from px to px below which it is flat: what differs there is noise."""


def run_of(index: int) -> StackRun:
    """One of the simulated runs."""
    rng = np.random.default_rng([9907, index])
    heights = [0.0]
    for _ in range(1 + index % 3):
        heights.append(heights[-1] + float(rng.uniform(22, 38)))
    field = (WIDTH * PIXEL_UM, HEIGHT * PIXEL_UM)
    slope = (float(rng.uniform(-4, 4)), float(rng.uniform(-4, 4))) if index % 4 == 3 else (0.0, 0.0)
    relief = stacked_dies(heights, field, wires=index % 4, loop_um=float(rng.uniform(8, 20)),
                          slope_um=slope, seed=index)  # fmt: skip
    na = float(rng.uniform(0.17, 0.22))
    step = float(rng.uniform(0.35, 0.6)) * 0.54 / na**2  # of the depth of field wavelength / NA^2
    camera = Camera(width=WIDTH, height=HEIGHT, colour="grey",
                    jpeg_quality=[None, 92, 85][(index // 2) % 3],
                    full_well_e=float(np.exp(rng.uniform(np.log(4000), np.log(20_000)))),
                    exposure=float(rng.uniform(0.7, 1.0)))  # fmt: skip
    top = heights[-1] + (20 if index % 4 else 0)
    focus = tuple(np.arange(-2.3 * step, top + 2.5 * step, step).tolist())
    return StackRun(
        relief, Pose(PIXEL_UM), Optics(na=na, residual_blur_um=0.5), camera, focus,
        breathing=float(rng.uniform(-1.5e-4, 1.5e-4)),
        walk=(float(rng.uniform(-0.06, 0.06)), float(rng.uniform(-0.06, 0.06))),
        turn_deg=float(rng.uniform(-0.001, 0.001)), shake_px=0.3,
        drift=float(rng.uniform(-0.06, 0.06)), seed=index,
    )  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """What one run gave. Errors of depth in steps of focus at px of known depth; `noise` (of two runs'
    difference where truth is flat) over that of one photo of the same light; `halo` (mean,
    95th percentile) in shares of the range of the truth."""

    photos: int
    known: float
    errors: Array
    script_errors: Array
    covered: float
    noise: float
    script_noise: float
    halo: tuple[float, float]
    script_halo: tuple[float, float]
    magnification: float
    u_magnification: float
    worst_px: float


def case(index: int) -> Outcome | str:
    """One run, or why it was refused."""
    cv2.setNumThreads(1)
    run = run_of(index)
    lights = list(run.lights())
    photos = [develop(light, run.camera, 1000 * index + n)[0] for n, light in enumerate(lights)]
    try:
        found = measure_stack([np.asarray(TABLE[photo]) for photo in photos])
    except NotMeasurable as error:
        return str(error)
    reference = found.alignment.reference
    sharp, places = run.truth(reference)
    sharp = sharp * (1 + run.drift * reference / (len(photos) - 1))
    picture, chosen = plain_script(photos, reference)
    known = np.isfinite(found.places)
    error = found.places - places
    flat, rim = _flat(sharp, places), _rim(places)
    clean = TABLE[develop(sharp, run.camera, None)[0]]
    one, other = (TABLE[develop(sharp, run.camera, seed)[0]] for seed in (77, 78))
    again = [develop(light, run.camera, 500_000 + n)[0] for n, light in enumerate(lights)]
    noise = found.picture - blend([np.asarray(TABLE[photo]) for photo in again], found.plan)
    script_noise = picture - plain_script(again, reference)[0]
    usual = (one - other)[flat].std()
    span = float(np.ptp(np.percentile(sharp, (1, 99))))
    first, last = (run.matrix(n)[:, 0] for n in (0, -1 + len(photos)))
    change = float(np.hypot(*last) / np.hypot(*first)) - 1
    stated = found.findings()["magnification_change"].quantity
    return Outcome(
        len(photos), float(known.mean()), np.abs(error[known]),
        np.abs(chosen - places)[known],
        float(np.mean(np.abs(error[known]) < 1.96 * found.u_places[known])),
        float(noise[flat].std() / usual), float(script_noise[flat].std() / usual),
        _halo(found.picture - clean, rim, span), _halo(picture - clean, rim, span),
        stated.value - change, stated.u, _misplaced(found, run),
    )  # fmt: skip


def plain_script(photos: list[npt.NDArray[np.uint8]], reference: int) -> tuple[FloatImage, Array]:
    """A stack as a plain script makes it: linear light of the picture, and the photo at each px."""
    finder = cv2.SIFT_create(2000)
    seen = [finder.detectAndCompute(photo, None) for photo in photos]
    steps = []
    for (one, first), (other, second) in pairwise(seen):
        pairs = cv2.BFMatcher().knnMatch(first, second, k=2)
        good = [m for m, n in pairs if m.distance < 0.75 * n.distance]
        matrix = None
        if len(good) >= 4:
            matrix, _ = cv2.estimateAffinePartial2D(
                np.array([one[m.queryIdx].pt for m in good]),
                np.array([other[m.trainIdx].pt for m in good]),
                ransacReprojThreshold=2.0,
            )
        steps.append(np.eye(3) if matrix is None else np.vstack([matrix, [0, 0, 1]]))
    whole = [np.eye(3)]
    for step in steps:
        whole.append(step @ whole[-1])
    back = np.linalg.inv(whole[reference])
    size = (photos[0].shape[1], photos[0].shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = [
        cv2.warpAffine(
            photo, (matrix @ back)[:2], size, flags=flags, borderMode=cv2.BORDER_REPLICATE
        )
        for photo, matrix in zip(photos, whole, strict=True)
    ]
    sharpness = [
        np.abs(cv2.Laplacian(cv2.GaussianBlur(photo, (5, 5), 0), cv2.CV_32F, ksize=5))
        for photo in moved
    ]
    best = np.argmax(np.stack(sharpness), axis=0)
    picture = np.take_along_axis(np.stack(moved), best[None], axis=0)[0]
    return np.asarray(TABLE[picture]), best.astype(np.float64)


def _flat(sharp: Array, places: Array) -> npt.NDArray[np.bool_]:
    smooth = cv2.GaussianBlur(sharp.astype(np.float32), (0, 0), 1.0)
    steep = np.maximum(np.abs(np.gradient(smooth, axis=0)), np.abs(np.gradient(smooth, axis=1)))
    even = cv2.dilate(steep.astype(np.float32), np.ones((5, 5))) < FLAT_GRADIENT
    return np.asarray(even & (_from_step(places) > RIM_PX[1]))


def _rim(places: Array) -> npt.NDArray[np.bool_]:
    away = _from_step(places)
    return np.asarray((away >= RIM_PX[0]) & (away < RIM_PX[1]))


def _from_step(places: Array) -> FloatImage:
    """Distance of each px from the nearest step of height, px."""
    at = places.astype(np.float32)
    jump = cv2.dilate(at, np.ones((3, 3))) - cv2.erode(at, np.ones((3, 3)))
    return np.asarray(
        cv2.distanceTransform((jump < STEP_OF_HEIGHT).astype(np.uint8), cv2.DIST_L2, 5)
    )


def _halo(error: FloatImage, rim: npt.NDArray[np.bool_], span: float) -> tuple[float, float]:
    """Light that is too much or too little beside steps, noise averaged out, over the truth's range."""
    wrong = np.abs(cv2.GaussianBlur(error.astype(np.float32), (0, 0), 2.0))[rim] / span
    return float(wrong.mean()), float(np.percentile(wrong, 95))


def _misplaced(found: StackResult, run: StackRun) -> float:
    """Worst corner of the photos that are sharp somewhere, px."""
    row = np.array([0, 0, 1.0])
    nominal = np.linalg.inv(np.vstack([run.matrix(found.alignment.reference), row]))
    corners = np.array([(0, 0, 1), (WIDTH, 0, 1), (0, HEIGHT, 1), (WIDTH, HEIGHT, 1.0)]).T
    known = found.places[np.isfinite(found.places)]
    low, high = np.percentile(known, (1, 99))
    worst = 0.0
    for number in range(int(low), int(np.ceil(high)) + 1):
        true = np.vstack([run.matrix(number), row]) @ nominal @ corners
        mine = found.alignment.matrices[number] @ corners
        worst = max(worst, float(np.abs(true[:2] - mine).max()))
    return worst


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    every = range(0, CASES, 4 if quick else 1)
    with ProcessPoolExecutor(2) as pool:
        outcomes = list(pool.map(case, every))
    found = [one for one in outcomes if isinstance(one, Outcome)]
    refused = [one for one in outcomes if isinstance(one, str)]
    lines = [
        f"Focus stacks ({WIDTH} x {HEIGHT} px): {len(found)} runs, {len(refused)} refused",
        "run photos known    depth error, steps    u covers  noise    halo        placed",
        "                    median  p95 (script)     95 %  (script)  mean p95    worst px",
    ]
    for index, one in zip(every, outcomes, strict=True):
        lines.append(f"{index:3d} {_row(one)}" if isinstance(one, Outcome) else f"{index:3d} {one}")
    if found:
        lines += _sums(found)
    return "\n".join(lines)


def _row(one: Outcome) -> str:
    median, far = np.percentile(one.errors, (50, 95))
    plain, plain_far = np.percentile(one.script_errors, (50, 95))
    return (
        f"{one.photos:5d} {one.known:6.0%}   {median:5.3f} {far:5.2f} ({plain:4.2f} {plain_far:5.2f})"
        f" {one.covered:6.1%}  {one.noise:4.2f} ({one.script_noise:4.2f})"
        f"  {one.halo[0]:5.2%} {one.halo[1]:5.2%}  {one.worst_px:5.2f}"
    )


def _sums(found: list[Outcome]) -> list[str]:
    ours = np.concatenate([one.errors for one in found])
    plain = np.concatenate([one.script_errors for one in found])
    inside = [abs(one.magnification) < 1.96 * one.u_magnification for one in found]
    halo, script = (
        np.array([getattr(one, name) for one in found]).mean(axis=0)
        for name in ("halo", "script_halo")
    )
    return [
        "",
        f"depth error, median  {np.median(ours):6.3f} steps (target 0.15)"
        f"   script {np.median(plain):.2f}",
        f"  95th percentile    {np.percentile(ours, 95):6.3f} steps (target 0.50)"
        f"   script {np.percentile(plain, 95):.2f}",
        f"  beyond 0.5 steps   {np.mean(ours > 0.5):6.1%}, beyond 2 steps {np.mean(ours > 2):.1%}"
        f"   script {np.mean(plain > 0.5):.1%}, {np.mean(plain > 2):.1%}",
        f"u of depth covers    {np.mean([one.covered for one in found]):6.1%} (95 % is stated)",
        f"noise over one photo {np.mean([one.noise for one in found]):6.2f} mean,"
        f" {max(one.noise for one in found):.2f} worst (target 1.05)"
        f"   script {np.mean([one.script_noise for one in found]):.2f}",
        f"halo beside steps    {halo[0]:6.2%} mean (target 2 %), {halo[1]:.2%} 95th percentile"
        f"   script {script[0]:.2%}, {script[1]:.2%}",
        f"magnification change {np.mean([abs(one.magnification) for one in found]):.2%} off (mean);"
        f" interval covers {sum(inside)} of {len(inside)}",
    ]


if __name__ == "__main__":
    print(report())
