"""Clips by PyAV: known repeats, motion, standing still, and copies that an encoder blurred again."""

from __future__ import annotations

from fractions import Fraction
from functools import partial
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from studies.attack.case import CRASH, LOST, REFUSED, RIGHT, WRONG, Answer, Kind, Outcome, ask
from studies.attack.scenes import PHOTOS, library_photo

WIDE, HIGH, RATE = 256, 192, 30
Rng = np.random.Generator
Frames = list[NDArray[np.uint8]]


def scene(rng: Rng) -> NDArray[np.uint8]:
    image = library_photo(PHOTOS[int(rng.integers(len(PHOTOS)))])
    grey = image.mean(2) if image.ndim == 3 else image
    return cv2.resize(grey.astype(np.float32), (WIDE * 2, HIGH * 2), interpolation=cv2.INTER_AREA)  # type: ignore[return-value]


def exposures(rng: Rng, path: NDArray[np.float64], noise: float) -> Frames:
    """The scene looked at from each place of `path` (frames, 2), px."""
    still, frames = scene(rng), []
    for x, y in path:
        move = np.array([[1, 0, -WIDE / 2 - x], [0, 1, -HIGH / 2 - y]])
        seen = cv2.warpAffine(still, move, (WIDE, HIGH), borderMode=cv2.BORDER_REFLECT)
        frames.append(np.clip(seen + rng.normal(0, noise, seen.shape), 0, 255).astype(np.uint8))
    return frames


def written(frames: Frames, path: Path, *, codec: str = "h264", crf: int = 23, b: int = 0,
            rate: int = RATE) -> Path:  # fmt: skip
    """The frames as a clip of constant rate."""
    with av.open(str(path), "w") as out:
        options = {"crf": str(crf), "bf": str(b), "x265-params": "log-level=none"}
        stream = out.add_stream(codec, rate=rate, options=options if codec != "mjpeg" else {})
        stream.width, stream.height = WIDE, HIGH
        stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        stream.time_base = Fraction(1, rate)
        if codec == "mjpeg":
            stream.codec_context.bit_rate = 3_000_000
        stream.codec_context.thread_count = 1
        for n, grey in enumerate(frames):
            frame = av.VideoFrame.from_ndarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB), "rgb24")
            frame.pts = n
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return path


def read(path: Path) -> Frames:
    with av.open(str(path)) as clip:
        return [frame.to_ndarray(format="gray") for frame in clip.decode(video=0)]


def repeated(kept: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Which exposure each frame shows; `kept` marks new ones, the first is."""
    return np.cumsum(np.concatenate([[True], kept[1:]])) - 1


def pattern(rng: Rng, count: int) -> NDArray[np.bool_]:
    """New exposures: every second, third; three of four; at random; all."""
    n, kind = np.arange(count), int(rng.integers(5))
    if kind < 2:
        return n % (2 + kind) == 0
    if kind == 2:
        return n % 4 != 3
    if kind == 3:
        return rng.uniform(size=count) < rng.uniform(0.3, 0.8)
    return np.ones(count, bool)


def rate_told(answer: Answer, true: float, *, good: bool) -> Outcome:
    """Pictures a second that differ, within 3 u (rectangular doubt included) or 1 %."""
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    rate = answer.value("delivered_rate") if answer.measured else None
    if rate is None:
        return Outcome(LOST if good else REFUSED, answer.reason[:120])
    u = answer.u("delivered_rate")
    says = f"delivered_rate {rate:.4g} (u {u:.2g}), truth {true:.4g} /s"
    return Outcome(RIGHT if abs(rate - true) <= max(3 * u, 0.01 * true) else WRONG, says)


def stops(rng: Rng, folder: Path) -> Outcome:
    """A clip that moves and then stands still (or begins so): every frame is new all the time."""
    count = int(rng.integers(70, 100))
    moving = int(count * rng.uniform(0.25, 0.6))
    steps = np.zeros((count, 2))
    steps[:moving] = rng.normal(0, 1, 2) * rng.uniform(0.5, 2)
    if rng.integers(2):
        steps = steps[::-1]
    frames = exposures(rng, steps.cumsum(0), noise=float(rng.choice([0.3, 1.0, 2.0])))
    codec = "mjpeg" if rng.integers(4) == 0 else "h264"
    path = written(frames, folder / "c.mp4", codec=codec, crf=int(rng.integers(18, 34)),
                   b=int(rng.integers(3)))  # fmt: skip
    return rate_told(ask("clip", path), RATE, good=False)


def still(rng: Rng, folder: Path) -> Outcome:
    frames = exposures(rng, np.zeros((60, 2)), noise=float(rng.choice([0.0, 0.5, 2.0])))
    path = written(frames, folder / "c.mp4", crf=int(rng.integers(18, 34)), b=int(rng.integers(3)))
    return rate_told(ask("clip", path), RATE, good=False)


def known(
    rng: Rng, folder: Path, *, speed: tuple[float, float], again: bool, good: bool
) -> Outcome:
    """Known repeats while the scene moves by `speed` px an exposure; encoded, perhaps twice."""
    count = 90
    kept = pattern(rng, count)
    which = repeated(kept)
    angle = rng.uniform(0, 2 * np.pi)
    way = np.array([np.cos(angle), np.sin(angle)]) * rng.uniform(*speed)
    n = np.arange(which.max() + 1)[:, None]
    path = 25 * np.sin(n * way / 25) + rng.normal(0, 0.15, (len(n), 2))
    shots = exposures(rng, path, noise=float(rng.uniform(0.5, 2.5)))
    codec = ["h264", "h264", "hevc", "mjpeg"][int(rng.integers(4))]
    clip = written(
        [shots[i] for i in which], folder / "a.mp4", codec=codec, crf=int(rng.integers(18, 28))
    )
    if again:
        clip = written(
            read(clip), folder / "b.mp4", crf=int(rng.integers(23, 34)), b=int(rng.integers(4))
        )
    true = RATE * (which.max() + 1) / count
    return rate_told(ask("clip", clip), true, good=good)


def dark_or_flat(rng: Rng, folder: Path) -> Outcome:
    """A lens cap: noise, or nothing at all once encoded."""
    frames = [
        np.clip(rng.normal(18, 1.0, (HIGH, WIDE)), 0, 255).astype(np.uint8) for _ in range(50)
    ]
    path = written(frames, folder / "c.mp4", crf=int(rng.integers(20, 36)))
    return rate_told(ask("clip", path), RATE, good=False)


def native_shaken(rng: Rng, folder: Path) -> Outcome:
    """The camera's own pixels, held nearly still, by exact shifts, each with fresh photon noise."""
    still = scene(rng).astype(np.float64)
    still = ndimage.gaussian_filter(still + rng.normal(0, 6, still.shape), rng.uniform(0.6, 1.2))
    spectrum, place, frames = np.fft.fft2(still), np.zeros(2), []
    full = float(rng.uniform(2000, 6000))
    for _ in range(8):
        place = place + rng.normal(0, rng.uniform(0.1, 0.5), 2)
        seen = np.fft.ifft2(ndimage.fourier_shift(spectrum, place)).real[
            20 : 20 + HIGH, 20 : 20 + WIDE
        ]
        linear = (np.clip(seen, 0, 255) / 255) ** 2.2
        value = 255 * (rng.poisson(linear * full) / full) ** (1 / 2.2)
        frames.append(np.clip(np.rint(value), 0, 255).astype(np.uint8))
    codec = "h264" if rng.integers(4) == 0 else "mjpeg"
    answer = ask(
        "clip", written(frames, folder / "c.avi", codec=codec, crf=int(rng.integers(16, 24)))
    )
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    told = answer.value("native_verdict") if answer.measured else None
    return Outcome(
        WRONG if told == "enlarged" else RIGHT if told else REFUSED, f"pixels are {told}"
    )


KINDS: dict[str, Kind] = {
    "moves, then stands still": (24, stops),
    "stands still": (8, still),
    "known repeats, slow": (14, partial(known, speed=(0.6, 1.5), again=False, good=True)),
    "known repeats, strong motion": (14, partial(known, speed=(3, 9), again=False, good=True)),
    "known repeats, strong motion, encoded again": (24, partial(known, speed=(3, 9), again=True,
                                                               good=False)),
    "dark": (6, dark_or_flat),
    "native pixels, shaken": (16, native_shaken),
}  # fmt: skip
