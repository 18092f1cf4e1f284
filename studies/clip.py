"""How well clips are measured: repeated frames, delivered rate, drift and shake, cut-off files.

Clips are simulated, encoded by the real library in the containers and codecs of cheap microscopes
and phones, and decoded again. "As recorded" are codings without blends of earlier and later frames
at ordinary quality, which is what cameras write that encode while they film; the harder groups are
strong compression, and blends as a desktop program would write them.
"""

from __future__ import annotations

import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import cv2
import numpy as np

from glassay.errors import GlassayError
from glassay.imaging.clip import open_clip
from glassay.motion import measure_clip
from glassay.simulate import Camera, ClipPlan, Die, Optics, Pose, Texture, cut_off, film

FRAMES = 90
CLIPS = 32
CUT = 8

Group = Literal["as recorded", "strongly compressed", "with blends"]
_CODINGS: dict[Group, list[tuple[str, str, int, bool]]] = {
    "as recorded": [
        ("avi", "mjpeg", 3, True), ("avi", "mjpeg", 8, True), ("mov", "mjpeg", 5, True),
        ("mp4", "h264", 18, False), ("mp4", "h264", 22, False), ("mkv", "h265", 20, False),
    ],
    "strongly compressed": [("mp4", "h264", 28, False), ("mkv", "h265", 28, False),
                            ("avi", "mjpeg", 20, True)],
    "with blends": [("mp4", "h264", 18, True), ("mp4", "h264", 23, True)],
}  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """One clip: wrong decisions among frames, whether all were decided, errors of the numbers."""

    group: Group
    moving: bool
    frames: int
    wrong: int
    told: bool
    rate_error: float
    rate_covered: bool
    shake_error: float | None
    drift_error: float | None


def draw_plan(rng: np.random.Generator, frames: int) -> tuple[ClipPlan, bool]:
    """A plan, and whether the scene moves."""
    moving = bool(rng.random() < 0.7)
    sensor = [None, 15.0, 20.0, 24.0, 10.0][rng.integers(5)]
    repeated = tuple(int(k) for k in np.flatnonzero(rng.random(frames) < rng.choice([0, 0.05])))
    plan = ClipPlan(
        frames=frames,
        rate=30.0,
        sensor_rate=sensor,
        repeated=repeated,
        shake_um=float(rng.choice([1.0, 3.0])) if moving else 0.0,
        drift_um_s=(float(rng.uniform(-6, 6)), float(rng.uniform(-6, 6))) if moving else (0.0, 0.0),
        flicker=float(rng.choice([0.0, 0.02])),
    )
    return plan, moving


def measure_case(index: int) -> Outcome:
    """Clip `index` of the study."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([8001, index])
    group: Group = ("as recorded", "as recorded", "strongly compressed", "with blends")[index % 4]
    codings = _CODINGS[group]
    suffix, codec, quality, blends = codings[rng.integers(len(codings))]
    plan, moving = draw_plan(rng, FRAMES)
    camera = Camera(
        width=320, height=240, exposure=float(rng.choice([1.5, 0.8])), jpeg_quality=None,
        full_well_e=float(rng.choice([2000, 5000, 12000])),
    )  # fmt: skip
    scene = Die() if rng.random() < 0.5 else Texture("cloud", detail_um=3, contrast=0.25)
    clip = film(scene, Pose(2.0), Optics(na=0.08), camera, plan, seed=index)
    with tempfile.TemporaryDirectory() as folder:
        path = clip.write(
            Path(folder) / f"clip.{suffix}",
            codec,
            quality,
            blends=blends,  # type: ignore[arg-type]
        )
        found = measure_clip(open_clip(path))
    truth = np.zeros(found.frames, dtype=bool)
    truth[clip.truth.repeated] = True
    rate = found.rate
    assert rate is not None
    shake = drift = None
    if moving and found.steadiness is not None:
        shake, drift = _motion_errors(found, clip.truth.times_s, clip.truth.shifts_px)
    return Outcome(
        group, moving, found.frames, int((found.repeats != truth).sum()), found.doubtful == 0,
        rate.value / clip.truth.delivered_rate - 1,
        abs(rate.value - clip.truth.delivered_rate) <= rate.expanded + 1e-9, shake, drift,
    )  # fmt: skip


def _motion_errors(found, times, shifts) -> tuple[float, float]:  # type: ignore[no-untyped-def]
    """Relative error of the shake, and error of the drift in px/s, against the true path."""
    shown = ~found.repeats
    t = times[shown] - times[shown].mean()
    path = shifts[shown] - shifts[shown].mean(axis=0)
    slope = t @ path / (t @ t)
    sway = path - np.outer(t, slope)
    true_shake = float(np.sqrt((sway**2).sum() / (t.size - 2)))
    measured = np.array([found.steadiness.drift_x.value, found.steadiness.drift_y.value])
    return found.steadiness.shake.value / true_shake - 1, float(np.abs(measured - slope).max())


def cut_case(index: int) -> str:
    """What becomes of a file cut off at a share of its bytes: "read", "refused", or what failed."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([8002, index])
    kind = [("avi", "mjpeg", 5, False), ("mkv", "h264", 20, False), ("mp4", "h264", 20, True),
            ("mp4", "h264", 20, False)][index % 4]  # fmt: skip
    suffix, codec, quality, fragmented = kind
    camera = Camera(width=160, height=120, jpeg_quality=None)
    clip = film(Texture(contrast=0.25), Pose(2.0), Optics(na=0.08), camera, ClipPlan(frames=40))
    with tempfile.TemporaryDirectory() as folder:
        whole = clip.write(Path(folder) / f"a.{suffix}", codec, quality,  # type: ignore[arg-type]
                           fragmented=fragmented, key_interval=6, blends=False)  # fmt: skip
        part = cut_off(whole, float(rng.uniform(0.4, 0.95)), Path(folder) / f"b.{suffix}")
        try:
            found = measure_clip(open_clip(part))
            if measure_clip(open_clip(whole)).truncated:
                return "whole file called cut off"
        except GlassayError as error:
            plain = "never finished" in str(error) or "before its first frame" in str(error)
            return "refused" if plain else str(error)
    return "read" if found.truncated and 0 < found.frames < 40 else "not noticed"


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    with ProcessPoolExecutor(2) as pool:
        outcomes = list(pool.map(measure_case, range(CLIPS // 5 if quick else CLIPS)))
        cuts = list(pool.map(cut_case, range(4 if quick else CUT)))
    lines = [
        f"Clips: repeated frames and rates (320 x 240 px, {FRAMES} frames)",
        f"  {'':<34}clips  decided  frames right    rate error: median    worst  covered",
    ]
    for group in _CODINGS:
        for moving in (True, False):
            lines += _row(group, moving, outcomes)
    told = [o for o in outcomes if o.told and o.group == "as recorded"]
    right = 1 - sum(o.wrong for o in told) / max(1, sum(o.frames for o in told))
    near = sum(abs(o.rate_error) <= 0.01 for o in told)
    lines += [
        f"  as recorded, decided: {right:.2%} of repeated-frame decisions right   target 99 %",
        f"  as recorded, decided: delivered rate within 1 % in {near} of {len(told)} clips of"
        f" {FRAMES / 30:.0f} s",
        "  (one frame of the slowest, 10 pictures a second, is"
        f" {1 / (FRAMES / 3):.1%} of such a clip's count)",
    ]
    shake = np.array([o.shake_error for o in outcomes if o.shake_error is not None])
    drift = np.array([o.drift_error for o in outcomes if o.drift_error is not None])
    lines += [
        f"  shake: median |error| {np.median(np.abs(shake)):.2%}, worst {np.abs(shake).max():.2%}",
        f"  drift: median |error| {np.median(drift):.3f} px/s, worst {drift.max():.3f} px/s",
        f"  cut-off files: {cuts.count('read')} read as far as they go and said so,"
        f" {cuts.count('refused')} refused (no index, or no frame),"
        f" {len(cuts) - cuts.count('read') - cuts.count('refused')} not noticed",
    ]
    return "\n".join(lines)


def _row(group: Group, moving: bool, outcomes: list[Outcome]) -> list[str]:
    chosen = [o for o in outcomes if o.group == group and o.moving == moving]
    if not chosen:
        return []
    name = f"{group}, {'moving' if moving else 'still'}"
    told = [o for o in chosen if o.told]
    covered = np.mean([o.rate_covered for o in chosen])
    if not told:
        return [f"  {name:<34}{len(chosen):5d} {0:8d} {'-':>13} {'-':>21} {'-':>8} {covered:8.0%}"]
    right = 1 - sum(o.wrong for o in told) / sum(o.frames for o in told)
    error = np.abs([o.rate_error for o in told])
    return [
        f"  {name:<34}{len(chosen):5d} {len(told):8d} {right:13.2%} {np.median(error):21.2%}"
        f" {error.max():8.2%} {covered:8.0%}"
    ]


if __name__ == "__main__":
    print(report())
