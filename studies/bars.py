"""How well a bar target is found, named and measured: scale, contrast, finest element, refusals.

Simulated captures with known truth, at any rotation and both polarities, sharp and soft, clean and
noisy, raw and compressed, with several fonts; then targets cut off, and pictures that show none.
The truth of a contrast is the contrast of the noiseless capture at the element's true place; that of
the finest element follows from these.
"""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.detail.bars import CONTRAST, measure_bars
from glassay.detail.bars_contrast import read_contrast
from glassay.detail.bars_fit import Site
from glassay.detail.bars_result import BarResult
from glassay.errors import NotMeasurable
from glassay.imaging.tone import LUMINANCE_WEIGHTS, linear_table
from glassay.simulate import (
    FONTS,
    BarTarget,
    Camera,
    Capture,
    Die,
    Edge,
    Lighting,
    Optics,
    Pose,
    RuledScale,
    Texture,
    capture,
)

CAPTURES = 24
CUT = 8
WITHOUT = 8


@dataclass(frozen=True)
class Outcome:
    """One capture: relative errors of both pixel sizes and whether their intervals hold the truth,
    whether the groups were named rightly, errors of all contrasts above 0.1, and the finest element
    found against the true one, in steps. `reason` when refused."""

    errors: tuple[float, float] | None
    covered: tuple[bool, bool] = (False, False)
    named: bool = False
    contrast_errors: tuple[float, ...] = ()
    steps: int | None = None
    reason: str = ""
    label: str = ""


def light_of(stored: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
    """Linear luminance of an 8-bit sRGB picture."""
    linear = linear_table(8, "srgb")[stored]
    if linear.ndim == 3:
        linear = linear @ np.array(LUMINANCE_WEIGHTS, dtype=np.float32)
    return np.asarray(linear, dtype=np.float32)


def draw_case(index: int) -> tuple[BarTarget, Pose, Optics, Camera]:
    """Capture `index`."""
    rng = np.random.default_rng([5001, index])
    dark = index % 3 == 0
    first = int(rng.choice([0, 2, 4]))
    target = BarTarget(
        first_group=first, layers=2, font=str(rng.choice(sorted(FONTS))),  # type: ignore[arg-type]
        bars=float(rng.uniform(0.03, 0.15)) if dark else float(rng.uniform(0.6, 0.9)),
        ground=float(rng.uniform(0.6, 0.85)) if dark else float(rng.uniform(0.02, 0.15)),
    )  # fmt: skip
    width, height = 800, 640
    # The outer layer is 27 by 39 widths of its element 1; it fills 55 to 85 % of the height.
    pixel = 39 * target.elements()[0].bar_width_um / (height * float(rng.uniform(0.55, 0.85)))
    cutoff = float(np.exp(rng.uniform(math.log(0.15), math.log(1.2))))
    optics = Optics(
        na=min(cutoff / pixel * 0.54 / 2, 1.4),
        lighting=Lighting(gradient=(float(rng.uniform(-0.2, 0.2)), float(rng.uniform(-0.2, 0.2)))),
    )
    camera = Camera(
        width=width, height=height, colour="grey" if index % 2 else "mosaic",
        exposure=float(rng.choice([0.8, 0.5])), full_well_e=float(rng.choice([1500, 10_000])),
        jpeg_quality=int(rng.choice([0, 95, 80])) or None,
    )  # fmt: skip
    centre = (float(rng.uniform(-20, 20)) * pixel, float(rng.uniform(-20, 20)) * pixel)
    return target, Pose(pixel, float(rng.uniform(-180, 180)), centre), optics, camera


def true_contrasts(
    target: BarTarget, shot: Capture, light: npt.NDArray[np.float32]
) -> dict[tuple[int, int], float]:
    """The smaller contrast of every element of the noiseless capture, by (group, element)."""
    turn = math.radians(shot.truth.tilt_deg)
    right, down = (math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))
    out = {}
    for number, element in enumerate(target.elements()):
        period = 2 * element.bar_width_um / shot.truth.pixel_size_um
        values = []
        for kind, across, along in (("upright", right, down), ("level", down, right)):
            x, y = shot.truth.marks_px[kind][number]
            site = Site(float(x), float(y), across, along, period, 2.5 * period)
            read = read_contrast(light, site, target.bars < target.ground)
            values.append(math.nan if read is None else read.contrast)
        out[element.group, element.element] = min(values)
    return out


def _finest(contrasts: dict[tuple[int, int], float]) -> int | None:
    passed, fails = None, 0
    for (group, element), value in sorted(contrasts.items()):
        if value >= CONTRAST:
            passed, fails = 6 * group + element, 0
        elif passed is not None:
            fails += 1
            if fails == 2:
                break
    return passed


def whole(index: int) -> Outcome:
    """A whole target."""
    cv2.setNumThreads(1)
    target, pose, optics, camera = draw_case(index)
    shot = capture(target, pose, optics, camera, seed=index)
    label = f"#{index} {target.font} {pose.tilt_deg:.0f} deg, NA {optics.na:.3f}"
    try:
        found = measure_bars(light_of(shot.stored))
    except NotMeasurable as error:
        return Outcome(None, reason=str(error), label=label)
    return _judge(target, pose, optics, camera, shot, found, label)


def _judge(
    target: BarTarget, pose: Pose, optics: Optics, camera: Camera, shot: Capture,
    found: BarResult, label: str,
) -> Outcome:  # fmt: skip
    noiseless = light_of(capture(target, pose, optics, camera, seed=None).stored)
    truth = true_contrasts(target, shot, noiseless)
    true_size = shot.truth.pixel_size_um
    sizes = found.pixel_size_x, found.pixel_size_y
    errors = tuple(q.value / true_size - 1 for q in sizes)
    # The target of the simulation is exact: its tolerance is no part of what can be off.
    held = tuple(
        abs(q.value - true_size)
        <= 2 * math.hypot(*(p.u for p in q.contributions if "tolerance" not in p.source))
        for q in sizes
    )
    differences = tuple(
        e.contrast - truth[e.group, e.number]
        for e in found.elements
        if e.contrast is not None and truth.get((e.group, e.number), math.nan) > 0.1
    )
    finest = None if found.finest is None else 6 * found.finest.group + found.finest.number
    true_finest = _finest(truth)
    steps = None if finest is None or true_finest is None else finest - true_finest
    named = abs(errors[0]) < 0.05
    return Outcome((errors[0], errors[1]), (held[0], held[1]), named, differences, steps, "", label)


def cut_off(index: int) -> str:
    """A target cut in half: "refused", or what was claimed, "right" within 1 % or "wrong"."""
    cv2.setNumThreads(1)
    target, pose, optics, camera = draw_case(1000 + index)
    shot = capture(target, pose, optics, camera, seed=index)
    light = light_of(shot.stored)
    height, width = light.shape
    halves = (
        light[:, : width // 2], light[:, width // 2 :], light[: height // 2], light[height // 2 :],
    )  # fmt: skip
    try:
        found = measure_bars(np.ascontiguousarray(halves[index % 4]))
    except NotMeasurable:
        return "refused"
    off = abs(found.pixel_size_x.value / shot.truth.pixel_size_um - 1)
    return "right" if off < 0.01 else "wrong"


def without(index: int) -> bool:
    """Whether a target was claimed in a picture that shows none."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([5003, index])
    scenes = (Texture(), RuledScale(division_um=20), Die(), Edge())
    scene = scenes[index % len(scenes)]
    pose = Pose(float(rng.uniform(0.5, 3)), float(rng.uniform(-90, 90)))
    shot = capture(scene, pose, Optics(na=0.2), Camera(width=640, height=480), seed=index)
    try:
        measure_bars(light_of(shot.stored), group=2)
    except NotMeasurable:
        return False
    return True


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    share = 5 if quick else 1
    with ProcessPoolExecutor(2) as pool:
        outcomes = list(pool.map(whole, range(CAPTURES // share)))
        cuts = list(pool.map(cut_off, range(CUT // share)))
        claimed = list(pool.map(without, range(WITHOUT // share)))
    measured = [o for o in outcomes if o.errors is not None]
    named = [o for o in measured if o.named]
    error = np.abs([e for o in named for e in o.errors or ()])
    covered = np.mean([c for o in named for c in o.covered])
    contrast = np.abs([c for o in named for c in o.contrast_errors])
    steps = np.array([o.steps for o in named if o.steps is not None])
    lines = [
        f"Bar target: {len(outcomes)} captures, {len(outcomes) - len(measured)} refused,"
        f" {len(measured) - len(named)} with a wrong group",
        f"  pixel size      |error| median {np.median(error):.3%}, p95"
        f" {np.percentile(error, 95):.3%}, worst {error.max():.3%}; 95 % interval covers"
        f" {covered:.0%}",
        f"  contrast > 0.1  |error| median {np.median(contrast):.3f}, p95"
        f" {np.percentile(contrast, 95):.3f}, worst {contrast.max():.3f}",
        f"  finest element  exact {np.mean(steps == 0):.0%}, within one step"
        f" {np.mean(np.abs(steps) <= 1):.0%}",
        f"  cut in half     {cuts.count('refused')} refused, {cuts.count('right')} right,"
        f" {cuts.count('wrong')} wrong of {len(cuts)}",
        f"  no target       {sum(claimed)} of {len(claimed)} taken for one",
    ]
    lines += [f"  refused: {o.label}: {o.reason}" for o in outcomes if o.reason]
    lines += [f"  wrong group: {o.label}" for o in measured if not o.named]
    return "\n".join(lines)


rows = report

if __name__ == "__main__":
    print(report())
