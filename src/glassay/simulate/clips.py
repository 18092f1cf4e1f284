"""Clips and focus runs: frames of one scene in time, with their truth, and as video files."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Literal

import av
import av.container
import numpy as np
import numpy.typing as npt

from glassay.simulate.camera import Camera, Stored, develop
from glassay.simulate.capture import Capture, Truth, photograph, truth_of
from glassay.simulate.geometry import Pose
from glassay.simulate.optics import Optics
from glassay.simulate.paint import Scene
from glassay.simulate.render import Moment, expected_moments

Codec = Literal["h264", "h265", "mjpeg"]

_ENCODERS: dict[Codec, str] = {"h264": "libx264", "h265": "libx265", "mjpeg": "mjpeg"}
_TICKS = 90_000
"""Time base of containers that keep a time for each frame, 1/s: divides all common rates."""


@dataclass(frozen=True)
class ClipPlan:
    """How a clip runs.

    The file has `frames` frames at `rate` per second. The sensor itself delivers `sensor_rate`
    (None: the same); a lower one makes the firmware repeat its last frame. `repeated` frames repeat
    their predecessor besides. `dropped` frames are taken but missing from the file, with a gap in
    time where the container can say so. `irregular_s` is the spread of the time stamps.

    The picture shakes by `shake_um` (standard deviation along each axis, with a band below
    `shake_hz`), drifts by `drift_um_s`, and flickers by the share `flicker` at `flicker_hz`.
    Focus goes evenly from `focus_um` first to last, while the picture walks along a circle of
    `walk_um`, `turns` times, as it does when a barrel is turned.
    """

    frames: int = 60
    rate: float = 30.0
    sensor_rate: float | None = None
    repeated: tuple[int, ...] = ()
    dropped: tuple[int, ...] = ()
    irregular_s: float = 0.0
    shake_um: float = 0.0
    shake_hz: float = 5.0
    drift_um_s: tuple[float, float] = (0.0, 0.0)
    flicker: float = 0.0
    flicker_hz: float = 6.0
    focus_um: tuple[float, float] = (0.0, 0.0)
    walk_um: float = 0.0
    turns: float = 1.0


@dataclass(frozen=True, eq=False)
class ClipTruth:
    """What is true of a clip, for the frames in the file, in their order.

    `exposures` says which exposure of the sensor each frame shows (equal numbers: repeated frames);
    `times_s` when it is shown; `shifts_px` the picture's displacement in stored px (columns, rows),
    `focus_um` and `levels` what held then. `still` is the truth of the scene without displacement.
    """

    still: Truth
    rate: float
    exposures: npt.NDArray[np.int64]
    times_s: npt.NDArray[np.float64]
    shifts_px: npt.NDArray[np.float64]
    focus_um: npt.NDArray[np.float64]
    levels: npt.NDArray[np.float64]

    @property
    def repeated(self) -> npt.NDArray[np.int64]:
        """Numbers of the frames that show the same exposure as the frame before."""
        return np.flatnonzero(np.diff(self.exposures) == 0) + 1

    @property
    def delivered_rate(self) -> float:
        """Different exposures per second of the file."""
        return float(len(np.unique(self.exposures)) / self.duration_s)

    @property
    def duration_s(self) -> float:
        """From the first frame to the end of the last."""
        return float(self.times_s[-1] - self.times_s[0] + 1 / self.rate)


@dataclass(frozen=True, eq=False)
class Clip:
    """A planned clip; `frames` makes its pictures anew each time, the same every time."""

    scene: Scene
    pose: Pose
    optics: Optics
    camera: Camera
    truth: ClipTruth
    seed: int
    _moments: tuple[Moment, ...] = field(repr=False)

    def frames(self) -> Iterator[Stored]:
        """The frames in the file before video compression, uint8, (height, width[, 3])."""
        camera = replace(self.camera, jpeg_quality=None)
        wanted, first = np.unique(self.truth.exposures, return_index=True)
        repeats = np.diff(np.append(first, self.truth.exposures.size))
        moments = [self._moments[int(e)] for e in wanted]
        lights = expected_moments(self.scene, self.pose, self.optics, camera, moments)
        for exposure, count, light in zip(wanted, repeats, lights, strict=True):
            stored, _ = develop(light, camera, 100_003 * self.seed + int(exposure))
            for _ in range(int(count)):
                yield stored

    def write(
        self,
        path: str | Path,
        codec: Codec = "h264",
        quality: int = 20,
        *,
        fragmented: bool = False,
        key_interval: int = 30,
        blends: bool = True,
    ) -> Path:
        """Encode the clip; the suffix (.mp4, .mov, .mkv, .avi) decides the container.

        `quality` is the encoder's constant quality: 0 to 51 for H.264 and H.265, 2 to 31 for MJPEG,
        smaller is better. `blends` lets H.264 and H.265 code frames as blends of earlier and later
        ones; cameras that encode while they film do without. `fragmented` MP4 and MOV can be read
        as far as they go when cut off. Odd sizes lose their last row or column with H.264 and
        H.265, whose chroma is halved.
        """
        path = Path(path)
        write_video(path, self.frames(), self.truth.times_s, self.truth.rate, codec, quality,
                    fragmented=fragmented, key_interval=key_interval, blends=blends)  # fmt: skip
        return path


def film(
    scene: Scene, pose: Pose, optics: Optics, camera: Camera, plan: ClipPlan, seed: int = 0
) -> Clip:
    """A clip of the scene. Motion and noise follow from `seed`."""
    rng = np.random.default_rng([seed, 53])
    span = np.arange(plan.frames)
    kept = span[~np.isin(span, plan.dropped)]
    shown = _exposure_numbers(plan)
    exposure_times = np.arange(shown.max() + 1) / (plan.sensor_rate or plan.rate)
    moments = _moments(plan, pose, exposure_times, rng)
    times = kept / plan.rate
    if plan.irregular_s:
        jitter = rng.normal(0, plan.irregular_s, kept.size).clip(
            -0.45 / plan.rate, 0.45 / plan.rate
        )
        times = times + jitter - jitter[0]
    exposures = shown[kept]
    zoom = np.asarray(camera.enlargements)
    chosen = [moments[int(e)] for e in exposures]
    truth = ClipTruth(
        still=truth_of(scene, pose, optics, camera),
        rate=plan.rate,
        exposures=exposures,
        times_s=times,
        shifts_px=np.array([m.shift_px for m in chosen]) * zoom,
        focus_um=np.array([optics.defocus_um + m.defocus_um for m in chosen]),
        levels=np.array([m.level for m in chosen]),
    )
    return Clip(scene, pose, optics, camera, truth, seed, tuple(moments))


def _exposure_numbers(plan: ClipPlan) -> npt.NDArray[np.int64]:
    """Which exposure each planned frame shows."""
    span = np.arange(plan.frames)
    share = (plan.sensor_rate or plan.rate) / plan.rate
    # a sensor faster than the file has exposures that no frame shows
    shown = np.floor(span * share + 1e-9).astype(np.int64)
    for frame in sorted(plan.repeated):
        if frame > 0:
            shown[frame] = shown[frame - 1]
    return np.asarray(shown)


def _moments(
    plan: ClipPlan, pose: Pose, times_s: npt.NDArray[np.float64], rng: np.random.Generator
) -> list[Moment]:
    shake = np.stack([_band_limited(times_s, plan.shake_hz, rng) for _ in range(2)], axis=1)
    way = plan.shake_um * shake + np.outer(times_s, plan.drift_um_s)
    progress = times_s / max(float(times_s[-1]), 1e-9)
    turn = 2 * math.pi * plan.turns * progress
    way += plan.walk_um * np.stack([np.cos(turn) - 1, np.sin(turn)], axis=1)
    focus = plan.focus_um[0] + (plan.focus_um[1] - plan.focus_um[0]) * progress
    light = 1 + plan.flicker * np.sin(2 * math.pi * plan.flicker_hz * times_s)
    shift = way / pose.pixel_size_um
    return [
        Moment((float(x), float(y)), float(z), float(level))
        for (x, y), z, level in zip(shift, focus, light, strict=True)
    ]


def _band_limited(
    times_s: npt.NDArray[np.float64], top_hz: float, rng: np.random.Generator
) -> npt.NDArray[np.float64]:
    """Unit-variance wobble of a dozen sines below `top_hz`, the slow ones stronger."""
    f = top_hz * (np.arange(12) + rng.uniform(0.2, 0.8, 12)) / 12
    weight = 1 / np.sqrt(0.2 * top_hz + f)
    weight *= math.sqrt(2) / np.sqrt((weight**2).sum())
    phase = rng.uniform(0, 2 * math.pi, 12)
    return np.asarray((weight * np.sin(2 * math.pi * np.outer(times_s, f) + phase)).sum(axis=1))


def write_video(
    path: Path,
    frames: Iterator[Stored],
    times_s: npt.NDArray[np.float64],
    rate: float,
    codec: Codec,
    quality: int,
    *,
    fragmented: bool = False,
    key_interval: int = 30,
    blends: bool = True,
) -> None:
    """Encode frames with their time stamps (AVI has none and keeps the rate only)."""
    options = {}
    if path.suffix.lower() in (".mp4", ".mov") and fragmented:
        options = {"movflags": "frag_keyframe+empty_moov"}
    with av.open(str(path), "w", options=options) as container:
        stream: av.VideoStream | None = None
        even = path.suffix.lower() == ".avi"
        for number, (frame, time_s) in enumerate(zip(frames, times_s, strict=True)):
            if stream is None:
                stream = _add_stream(container, frame, rate, codec, quality, key_interval, even)
                if not blends:
                    _forbid_blends(stream, codec)
            colours = frame if frame.ndim == 3 else np.repeat(frame[..., None], 3, axis=2)
            picture = av.VideoFrame.from_ndarray(
                np.ascontiguousarray(colours[: stream.height, : stream.width]), format="rgb24"
            )
            picture.time_base = stream.codec_context.time_base
            picture.pts = number if even else round(time_s * _TICKS)
            container.mux(stream.encode(picture))
        if stream is not None:
            container.mux(stream.encode(None))


def _add_stream(
    container: av.container.OutputContainer,
    frame: Stored,
    rate: float,
    codec: Codec,
    quality: int,
    key_interval: int,
    even: bool,
) -> av.VideoStream:
    per_second = Fraction(rate).limit_denominator(1001)
    stream = container.add_stream(_ENCODERS[codec], rate=per_second)
    assert isinstance(stream, av.VideoStream)
    height, width = frame.shape[:2]
    if codec != "mjpeg":
        height, width = height - height % 2, width - width % 2
    stream.width, stream.height = width, height
    stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
    stream.codec_context.time_base = 1 / per_second if even else Fraction(1, _TICKS)
    if codec == "mjpeg":
        stream.codec_context.qmin = stream.codec_context.qmax = quality
    else:
        quiet = {"x265-params": "log-level=none"} if codec == "h265" else {}
        stream.options = {"crf": str(quality), "preset": "veryfast", **quiet}
        stream.codec_context.gop_size = key_interval
    return stream


def _forbid_blends(stream: av.VideoStream, codec: Codec) -> None:
    if codec == "h264":
        stream.options = {**stream.options, "bf": "0"}
    elif codec == "h265":
        stream.options = {**stream.options, "x265-params": "log-level=none:bframes=0"}


def cut_off(path: str | Path, share: float, target: str | Path) -> Path:
    """A copy that ends after the given share of the file's bytes, as after a crash."""
    data = Path(path).read_bytes()
    target = Path(target)
    target.write_bytes(data[: int(len(data) * share)])
    return target


def turn_clip(path: str | Path, quarter_turns: int, target: str | Path) -> Path:
    """A copy of an MP4 or MOV file that asks to be shown turned clockwise, as phones write it.

    Sets the matrix of every track header (ISO/IEC 14496-12, tkhd); the frames stay as they are.
    """
    data = bytearray(Path(path).read_bytes())
    c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[quarter_turns % 4]
    one, unity = 1 << 16, 1 << 30
    matrix = struct.pack(">9i", c * one, s * one, 0, -s * one, c * one, 0, 0, 0, unity)
    place = data.find(b"tkhd")
    if place < 0:
        raise ValueError(f"{path} has no track header")
    while place >= 0:
        long_times = data[place + 4] == 1
        start = place + 4 + 40 + (12 if long_times else 0)
        data[start : start + 36] = matrix
        place = data.find(b"tkhd", start)
    target = Path(target)
    target.write_bytes(data)
    return target


def write_sound(path: str | Path, seconds: float = 1.0) -> Path:
    """A file with a quiet tone and no picture."""
    path = Path(path)
    rate = 48_000
    wave = np.sin(2 * math.pi * 440 * np.arange(int(seconds * rate)) / rate) * 1000
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=rate, layout="mono")
        assert isinstance(stream, av.AudioStream)
        for start in range(0, wave.size, 1024):
            part = wave[start : start + 1024].astype(np.int16)[None, :]
            frame = av.AudioFrame.from_ndarray(part, format="s16", layout="mono")
            frame.sample_rate = rate
            frame.pts = start
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


@dataclass(frozen=True, eq=False)
class FocusRun:
    """Photos at a series of distances from focus, with where the picture had walked to."""

    captures: tuple[Capture, ...]
    focus_um: npt.NDArray[np.float64]
    shifts_px: npt.NDArray[np.float64]


def focus_run(
    scene: Scene,
    pose: Pose,
    optics: Optics,
    camera: Camera,
    focus_um: Sequence[float],
    *,
    walk_um: Sequence[tuple[float, float]] | None = None,
    seed: int = 0,
) -> FocusRun:
    """A photo at each distance from focus; `walk_um` is the picture's displacement at each."""
    walk = np.zeros((len(focus_um), 2)) if walk_um is None else np.asarray(walk_um, dtype=float)
    moments = [
        Moment((float(x) / pose.pixel_size_um, float(y) / pose.pixel_size_um), float(z))
        for z, (x, y) in zip(focus_um, walk, strict=True)
    ]
    captures = []
    lights = expected_moments(scene, pose, optics, camera, moments)
    for number, (light, moment) in enumerate(zip(lights, moments, strict=True)):
        there = replace(optics, defocus_um=optics.defocus_um + moment.defocus_um)
        captures.append(photograph(light, scene, pose, there, camera, 100_003 * seed + number))
    shifts = walk / pose.pixel_size_um * np.asarray(camera.enlargements)
    return FocusRun(tuple(captures), np.asarray(focus_um, dtype=np.float64), shifts)
