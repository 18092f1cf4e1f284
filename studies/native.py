"""How many pixels are real: pairs enlarged by known factors, and native ones left alone.

Part one: factors drawn evenly (in their logarithm) from 1.3 to 4, one in eight with a different
factor along the height. Part two: the factors that firmware likes, among them those whose traces
coincide with the 8 px compression grid (4/3, 8/5, 2, 8/3, 4). Part three: native pairs, denoised
ones among them. Part four: photographs that come with scikit-image and scikit-learn, reduced by
whole factors so that they are truly native, alone and as pairs with a sensor's noise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging import srgb_to_linear
from glassay.sampling.native import native
from glassay.simulate import Camera, develop
from studies._enlarged import (
    KERNELS,
    LIBRARIES,
    Firmware,
    any_camera,
    blocks_and_lines,
    compress,
    exposures,
    facts_of,
)

ENLARGED, ROUND, NATIVE = 160, 84, 80
WIDTH, HEIGHT = 1296, 972
ROUND_FACTORS = (4 / 3, 3 / 2, 8 / 5, 2.0, 8 / 3, 3.0, 4.0)
QUALITIES = (85, 90, 95, None)
REDUCTIONS = (2, 3)
LEAST_SIDE = 256


@dataclass(frozen=True)
class Outcome:
    """One case: verdict, relative error of the count (None if not told), whether both intervals
    cover the truth, and how it was made."""

    verdict: str
    error: float | None
    covered: bool | None
    kernel: str
    quality: int | None
    factor: float
    least: float = 0.0


def _judge(
    frames: list[npt.NDArray[np.uint8]], true: tuple[int, int], kernel: str,
    quality: int | None, factor: float,
) -> Outcome:  # fmt: skip
    result = native(frames, facts=facts_of(quality))
    least = min(result.between[0][0] / true[0], result.between[1][0] / true[1])
    w, h = result.native_width, result.native_height
    if w is None or h is None:
        return Outcome(result.verdict, None, None, kernel, quality, factor, least)
    error = w.value * h.value / (true[0] * true[1]) - 1
    covered = all(
        low <= size <= high
        for size, (low, high) in zip(true, (w.interval, h.interval), strict=True)
    )
    return Outcome(result.verdict, error, covered, kernel, quality, factor, least)


def _enlarged(rng: np.random.Generator, factors: tuple[float, float], seed: int) -> Outcome:
    width, height = round(WIDTH / factors[0]), round(HEIGHT / factors[1])
    stored = (WIDTH, HEIGHT)
    if factors in [(f, f) for f in ROUND_FACTORS]:  # an exact ratio: let the stored size give way
        width, height = round(WIDTH / factors[0] / 8) * 8, round(HEIGHT / factors[1] / 8) * 8
        stored = (round(width * factors[0]), round(height * factors[1]))
    quality = QUALITIES[int(rng.integers(len(QUALITIES)))]
    firmware = Firmware(
        stored, KERNELS[int(rng.integers(4))], LIBRARIES[int(rng.integers(3))],
        float(rng.choice([0.0, 0.0, 0.3, 0.6])), quality,
    )  # fmt: skip
    light = blocks_and_lines(width, height, seed, float(rng.uniform(0.5, 1.5)))
    frames = exposures(light, any_camera(rng, width, height), firmware, seed)
    return _judge(frames, (width, height), firmware.kernel, quality, factors[0])


def evenly_drawn(index: int) -> Outcome:
    """A pair of part one."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([6001, index])
    first, second = np.exp(rng.uniform(math.log(1.3), math.log(4.0), 2))
    return _enlarged(rng, (float(first), float(second if index % 8 == 7 else first)), index)


def round_factor(index: int) -> Outcome:
    """A pair of part two."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([6002, index])
    factor = ROUND_FACTORS[index % len(ROUND_FACTORS)]
    return _enlarged(rng, (factor, factor), 1000 + index)


def native_pair(index: int) -> Outcome:
    """A pair of part three."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([6003, index])
    denoise = str(rng.choice(["none", "none", "gaussian", "median", "bilateral"]))
    quality = QUALITIES[int(rng.integers(len(QUALITIES)))]
    camera = any_camera(
        rng, WIDTH, HEIGHT, denoise=denoise, denoise_px=float(rng.uniform(0.5, 1.2))
    )
    light = blocks_and_lines(WIDTH, HEIGHT, 2000 + index, float(rng.uniform(0.5, 1.5)))
    firmware = Firmware((WIDTH, HEIGHT), sharpening=float(rng.choice([0, 0.5])), quality=quality)
    frames = exposures(light, camera, firmware, 2000 + index)
    return _judge(frames, (WIDTH, HEIGHT), denoise, quality, 1.0)


def photographs() -> list[tuple[str, int]]:
    """Names of photographs and the whole factors by which each is reduced."""
    return [(name, factor) for name in (*_PHOTOS, *_SAMPLES) for factor in REDUCTIONS]


def _reduced(name: str, factor: int) -> npt.NDArray[np.float32]:
    """Luma of a photograph, reduced with an area mean."""
    import skimage.data
    from sklearn.datasets import load_sample_image

    if name in _SAMPLES:
        colours = load_sample_image(name)[..., ::-1]
    else:
        colours = cv2.imread(str(Path(skimage.data.__file__).parent / name))
    grey = cv2.cvtColor(colours, cv2.COLOR_BGR2GRAY).astype(np.float32)
    height, width = (n // factor for n in grey.shape)
    whole = np.ascontiguousarray(grey[: height * factor, : width * factor])
    small = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float32)


_SAMPLES = ("china.jpg", "flower.jpg")
_PHOTOS = (
    "astronaut.png", "brick.png", "camera.png", "cell.png", "chelsea.png", "coffee.png",
    "coins.png", "grass.png", "gravel.png", "hubble_deep_field.jpg", "ihc.png", "moon.png",
    "motorcycle_left.png", "motorcycle_right.png", "retina.jpg", "rocket.jpg",
)  # fmt: skip


def photograph(case: tuple[str, int]) -> list[tuple[str, str]]:
    """Verdicts on one reduced photograph: alone, and as pairs, plain and compressed.

    Nothing where reduction leaves too little of it.
    """
    cv2.setNumThreads(1)
    grey = _reduced(*case)
    name = f"{case[0]}/{case[1]}"
    height, width = grey.shape
    if min(height, width) < LEAST_SIDE:
        return []
    light = srgb_to_linear(np.clip(grey, 0, 255) / 255).astype(np.float32)
    out = []
    for quality in (85, 95, None):
        alone = compress(np.clip(np.rint(grey), 0, 255).astype(np.uint8), quality)
        out.append((f"{name} alone {quality}", _verdict([alone], quality)))
        for well in (1500.0, 8000.0):
            camera = Camera(
                width=width, height=height, colour="grey", full_well_e=well, exposure=1.0,
                jpeg_quality=None,
            )  # fmt: skip
            pair = [compress(develop(light, camera, seed)[0], quality) for seed in (1, 2)]
            out.append((f"{name} pair {quality} {well:.0f} e", _verdict(pair, quality)))
    return out


def _verdict(frames: Sequence[npt.NDArray[np.uint8]], quality: int | None) -> str:
    try:
        return native(frames, facts=facts_of(quality)).verdict
    except NotMeasurable as error:
        return f"refused: {error}"


def _row(name: str, outcomes: Sequence[Outcome]) -> str:
    told = [o for o in outcomes if o.error is not None]
    right = sum(abs(o.error) <= 0.1 for o in told if o.error is not None)
    median = np.median([abs(o.error or 0.0) for o in told]) if told else math.nan
    covered = np.mean([bool(o.covered) for o in told]) if told else math.nan
    return (
        f"  {name:<34}{len(outcomes):4d} {right / max(len(outcomes), 1):9.1%}"
        f" {len(told) - right:6d} {len(outcomes) - len(told):7d} {median:9.2%} {covered:9.0%}"
    )


def _native_row(name: str, outcomes: Sequence[Outcome]) -> str:
    false = sum(o.verdict == "enlarged" for o in outcomes)
    told = sum(o.verdict == "native" for o in outcomes)
    least = np.median([o.least for o in outcomes if o.verdict == "cannot tell"] or [math.nan])
    return (
        f"  {name:<34}{len(outcomes):4d} {false:6d} {told:8d} {len(outcomes) - told - false:9d}"
        f" {least:10.0%}"
    )


def report(quick: bool = False) -> str:
    """The study as printed tables."""
    share = 8 if quick else 1
    photos = photographs()[:: 4 if quick else 1]
    with ProcessPoolExecutor(2) as pool:
        even = list(pool.map(evenly_drawn, range(ENLARGED // share), chunksize=4))
        rounds = list(pool.map(round_factor, range(ROUND // share), chunksize=4))
        natives = list(pool.map(native_pair, range(NATIVE // share), chunksize=4))
        verdicts = [v for some in pool.map(photograph, photos) for v in some]
    grid = [o for o in rounds if o.factor not in (1.5, 3.0)]
    lines = [
        "Native sampling from a repeat pair: native count (width x height) against the truth",
        f"  {'':<34}   n within10%  wrong no answer  median err  95 % cover",
        _row("factors 1.3 to 4, all", even),
        *(_row(f"  {k}", [o for o in even if o.kernel == k]) for k in KERNELS),
        *(_row(f"  JPEG {q}" if q else "  lossless", [o for o in even if o.quality == q])
          for q in QUALITIES),
        _row("round factors, all", rounds),
        _row("  4/3 8/5 2 8/3 4, JPEG", [o for o in grid if o.quality]),
        _row("  4/3 8/5 2 8/3 4, lossless", [o for o in grid if not o.quality]),
        _row("  3/2 and 3", [o for o in rounds if o.factor in (1.5, 3.0)]),
        "  target: within 10 % in 95 % of cases, JPEG 85 and better",
        "  native pairs                           n  false   native no answer  proven share",
        _native_row("simulated, all", natives),
        *(_native_row(f"  JPEG {q}" if q else "  lossless", [o for o in natives if o.quality == q])
          for q in QUALITIES),
        _photo_lines(verdicts),
        "  target: false alarm at most 2 % on native photographs",
    ]  # fmt: skip
    return "\n".join(lines)


def _photo_lines(verdicts: Sequence[tuple[str, str]]) -> str:
    out = []
    for kind in ("alone", "pair"):
        some = [(name, verdict) for name, verdict in verdicts if f" {kind} " in name]
        false = [name for name, verdict in some if verdict == "enlarged"]
        refused = sum(verdict.startswith("refused") for _, verdict in some)
        proven = sum(verdict == "native" for _, verdict in some)
        out.append(
            f"  photographs, {kind:<21}{len(some):4d} {len(false):6d} {proven:8d}"
            f" {len(some) - len(false) - proven:9d}   ({refused} of them refused)"
        )
        out += [f"    false: {name}" for name in false]
    return "\n".join(out)


if __name__ == "__main__":
    print(report())
