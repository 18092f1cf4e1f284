"""Repeat exposures: where ring correlation says that detail ends, against where it does.

The scenes are random textures with a known power spectrum S(f) in noise N(f), so that the
correlation S / (S + N) and the frequency at which it is 1/7 are known exactly: soft and fine
textures, white noise and noise smoothed as demosaicing smooths it, still and moved by up to 8 px.
"""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.detail.correlation import repeat_exposures
from glassay.errors import NotMeasurable

PAIRS, STRANGERS = 120, 30


@dataclass(frozen=True)
class Outcome:
    """Relative error of the cut-off and of the noise, whether the interval covers, movement error
    in px; `reason` for a refusal."""

    cutoff: float = math.nan
    noise: float = math.nan
    covered: bool = False
    movement: float = math.nan
    moved: bool = False
    coloured: bool = False
    reason: str = ""


def _texture(
    rng: np.random.Generator, shape: tuple[int, int], amplitude: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    return np.asarray(fft.irfft2(fft.rfft2(rng.standard_normal(shape)) * amplitude, s=shape))


def pair(index: int) -> Outcome:
    """One pair with known truth."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([7001, index])
    shape = (int(rng.integers(320, 640)), int(rng.integers(320, 640)))
    fy, fx = fft.fftfreq(shape[0])[:, None], fft.rfftfreq(shape[1])[None, :]
    f = np.hypot(fx, fy)
    decay = float(rng.uniform(0.03, 0.09))
    cutoff = float(rng.uniform(0.08, 0.42))
    coloured = bool(index % 2)
    softness = 0.6 if coloured else 0.0  # px, sigma of the smoothing of the noise

    def noise_power(at: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.asarray(np.exp(-((2 * np.pi * softness * at) ** 2)))

    signal = float(noise_power(np.array(cutoff))) / 6 * math.exp(cutoff / decay)
    light = _texture(rng, shape, np.sqrt(signal * np.exp(-f / decay)))
    dx, dy = rng.uniform(-8, 8, 2) if index % 3 == 0 else (0.0, 0.0)
    turn = np.exp(-2j * np.pi * (fx * dx + fy * dy))
    other = fft.irfft2(fft.rfft2(light) * turn, s=shape)
    frames = [
        (picture + _texture(rng, shape, np.sqrt(noise_power(f)))).astype(np.float32)
        for picture in (light, other)
    ]
    try:
        found = repeat_exposures(frames)
    except NotMeasurable as error:
        return Outcome(coloured=coloured, moved=bool(dx), reason=str(error))
    low, high = found.frc_cutoff.interval
    # Mean of the noise power over the band of the transform, Parseval.
    weights = np.full(f.shape, 2.0)
    weights[:, 0] = 1.0
    true_noise = math.sqrt(float(np.average(noise_power(f), weights=weights)))
    return Outcome(
        found.frc_cutoff.value / cutoff - 1, found.temporal_noise.value / true_noise - 1,
        low <= cutoff <= high, math.hypot(found.shifts[0].dx - dx, found.shifts[0].dy - dy),
        bool(dx), coloured,
    )  # fmt: skip


def strangers(index: int) -> bool:
    """Whether two pictures of different scenes were accepted as a pair."""
    rng = np.random.default_rng([7002, index])
    shape = (400, 480)
    f = np.hypot(fft.fftfreq(400)[:, None], fft.rfftfreq(480)[None, :])
    amplitude = np.sqrt(float(rng.uniform(20, 2000)) * np.exp(-f / 0.05))
    frames = [
        (_texture(rng, shape, amplitude) + rng.standard_normal(shape)).astype(np.float32)
        for _ in range(2)
    ]
    try:
        repeat_exposures(frames)
    except NotMeasurable:
        return False
    return True


def _row(name: str, outcomes: list[Outcome]) -> str:
    told = [o for o in outcomes if not o.reason]
    cutoff = np.array([o.cutoff for o in told])
    return (
        f"  {name:<26}{len(outcomes):4d} {len(outcomes) - len(told):4d} {np.mean(cutoff):+8.2%}"
        f" {np.median(np.abs(cutoff)):7.2%} {np.percentile(np.abs(cutoff), 95):7.2%}"
        f" {np.abs(cutoff).max():7.2%} {np.mean([o.covered for o in told]):6.0%}"
        f" {np.median([abs(o.noise) for o in told]):8.2%}"
        f" {np.percentile([o.movement for o in told], 95):9.3f}"
    )


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    share = 5 if quick else 1
    with ProcessPoolExecutor(2) as pool:
        pairs = list(pool.map(pair, range(PAIRS // share), chunksize=5))
        accepted = list(pool.map(strangers, range(STRANGERS // share), chunksize=5))
    lines = [
        "Repeat exposures: cut-off of ring correlation (1/7), temporal noise, registration",
        f"  {'':<26}   n ref.     bias  median     p95   worst  cover    noise  px (p95)",
        _row("all", pairs),
        _row("  still", [o for o in pairs if not o.moved]),
        _row("  moved by up to 8 px", [o for o in pairs if o.moved]),
        _row("  white noise", [o for o in pairs if not o.coloured]),
        _row("  smoothed noise", [o for o in pairs if o.coloured]),
        f"  different scenes taken for a pair: {sum(accepted)} of {len(accepted)}",
        *sorted({f"  refused: {o.reason}" for o in pairs if o.reason}),
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    print(report())
