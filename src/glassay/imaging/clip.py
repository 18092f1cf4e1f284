"""Reading a clip: what its container states, and its frames one after the other, upright.

Decoding is PyAV's. Only one frame is held at a time, so a clip may be of any length. A file that
was cut off is read as far as it goes; whether it was is told from its own structure, from what it
states about itself, and from how decoding ends.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Generator, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.container
import av.error
import av.logging
import numpy as np
import numpy.typing as npt
from av.video.frame import PictureType

from glassay.errors import Unusable
from glassay.imaging.outline import Outline, outline_of
from glassay.imaging.photo import Photo
from glassay.imaging.tone import FloatImage, linear_table

av.logging.set_level(None)  # decoders tell of damage on the console; it is counted here instead

MAX_FRAME_PIXELS = 140_000_000
"""Largest frame that is decoded. 16K video has 133 million pixels; no microscope comes near it, and
three frames of that size still fit into 1 GB."""

_CONTAINERS = {
    "mov": "QuickTime or MP4", "matroska": "Matroska or WebM", "avi": "AVI", "mpegts": "MPEG-TS",
    "mpeg": "MPEG-PS", "asf": "ASF",
}  # fmt: skip

_PLANAR_8_BIT = ("yuv420p", "yuv422p", "yuv444p", "yuvj420p", "yuvj422p", "yuvj444p", "nv12",
                 "yuv411p", "yuvj411p", "yuv440p", "yuvj440p", "gray")  # fmt: skip
"""Pixel formats whose first plane is the luma as it was coded."""

_FULL_RANGE = 2
"""libav's number for luma that uses all levels (AVCOL_RANGE_JPEG)."""


@dataclass(frozen=True)
class ClipFacts:
    """What a clip's container states. Sizes are of the upright picture, px.

    `rotation_deg` is by how much the stored frames are turned clockwise to be upright.
    `average_rate` and `base_rate` (1/s) are the container's frames over time and the rate of its
    time grid, `frames` and `duration_s` what its header promises; None where nothing is stated.
    `keeps_times` is False for containers (AVI) that number frames instead of timing them,
    `duration_is_shared` True where sound may be what lasts so long.
    """

    container: str
    codec: str
    pixel_format: str
    width: int
    height: int
    rotation_deg: int
    pixel_aspect: float
    average_rate: float | None
    base_rate: float | None
    frames: int | None
    duration_s: float | None
    bytes: int
    has_sound: bool
    keeps_times: bool
    duration_is_shared: bool


@dataclass(frozen=True)
class Frame:
    """One decoded frame, upright. `luma` (height, width) holds levels as coded, uint8 or uint16;
    `time_s` is when it is shown, None when the file does not say. `is_key` frames are coded without
    reference to others, `is_between` ones as a blend of earlier and later ones. `is_full_range`
    tells whether luma uses all levels or those of studio video (16 to 235 of 255)."""

    luma: npt.NDArray[Any]
    time_s: float | None
    is_key: bool
    is_between: bool
    is_full_range: bool
    _picture: Any = field(default=None, repr=False, compare=False)
    _turns: int = 0

    def linear_grey(self) -> FloatImage:
        """Linear light of the luma, (height, width), 0..1, as if coded by the sRGB curve."""
        return np.asarray(luma_table(self)[self.luma], dtype=np.float32)

    def stored(self) -> npt.NDArray[np.uint8]:
        """R, G, B levels, (height, width, 3); chroma is usually enlarged twofold."""
        return np.ascontiguousarray(
            np.rot90(self._picture.to_ndarray(format="rgb24"), -self._turns)
        )


def luma_table(frame: Frame) -> FloatImage:
    """Linear light for each level of the frame's luma, (256,) or (65536,)."""
    bits = 8 * frame.luma.dtype.itemsize
    if frame.is_full_range:
        return linear_table(bits, "srgb")
    levels = np.arange(2**bits) / (2**bits - 1) * 255
    shown = np.clip((levels - 16) / 219, 0, 1)  # ITU-R BT.601 and BT.709
    table = linear_table(16, "srgb")
    return np.asarray(table[np.rint(shown * 65535).astype(np.int64)], dtype=np.float32)


@dataclass
class ClipReader:
    """An open clip. `frames` yields them once; afterwards `ending` tells how reading ended."""

    path: Path
    facts: ClipFacts
    outline: Outline
    damaged_frames: int = 0
    """Frames that could not be decoded, or only in part; they are left out."""
    ended_by_error: bool = False

    def frames(self) -> Generator[Frame, None, None]:
        """The frames in the order in which they are shown. May be called again."""
        self.damaged_frames = 0
        self.ended_by_error = False
        with _open(self.path) as container:
            stream = container.streams.video[0]
            turns = self.facts.rotation_deg // 90
            for picture in self._decoded(container, stream):
                yield _upright(picture, turns)

    def _decoded(
        self, container: av.container.InputContainer, stream: av.VideoStream
    ) -> Iterator[av.VideoFrame]:
        packets = container.demux(stream)
        while True:
            try:
                packet = next(packets, None)
            except av.error.FFmpegError:
                self.ended_by_error = True
                packet = None
            if packet is None:
                return
            if packet.is_corrupt:  # the file ends within it
                self.damaged_frames += 1
                self.ended_by_error = True
                continue
            try:
                pictures = packet.decode()
            except av.error.FFmpegError:
                self.damaged_frames += 1
                continue
            for picture in pictures:
                if isinstance(picture, av.VideoFrame):
                    if picture.is_corrupt:
                        self.damaged_frames += 1
                    else:
                        yield picture


def open_clip(path: str | Path) -> ClipReader:
    """Open a clip (MP4, MOV, AVI, MKV, WebM, and whatever else the library reads).

    The content decides, not the name. Raises `Unusable` with one sentence when the file is missing,
    empty, no clip, sound only, or was never given the index without which nothing can be found.
    """
    path = Path(path)
    _check_file(path)
    outline = outline_of(path)
    try:
        with _open(path) as container:
            _refuse_stills(path, container)
            facts = _facts(path, container)
    except av.error.FFmpegError as error:
        raise Unusable(f"{path.name}: {_why_unreadable(outline, error)}") from None
    return ClipReader(path, facts, outline)


def first_frame(path: str | Path) -> Photo:
    """The first whole frame of a clip as a photo. Raises `Unusable` when there is none."""
    reader = open_clip(path)
    with contextlib.closing(reader.frames()) as frames:
        frame = next(frames, None)
    if frame is None:
        raise Unusable(f"{reader.path.name}: not one frame of the clip can be decoded")
    facts = {"format": reader.facts.codec, "bits": 8, "bytes": reader.facts.bytes}
    return Photo(reader.path, frame.stored(), "srgb", facts)


def _why_unreadable(outline: Outline, error: av.error.FFmpegError) -> str:
    if outline.lacks_index:
        return (
            "the recording was never finished: the index that is written at its end is missing, so"
            " no frame can be found"
        )
    if outline.is_cut:
        return "the file is cut off before its first frame is complete"
    return f"this is not a clip that can be read ({error.strerror})"


def _check_file(path: Path) -> None:
    try:
        if path.is_dir():
            raise Unusable(f"{path.name} is a folder, not a clip")
        if path.stat().st_size == 0:
            raise Unusable(f"{path.name}: the file is empty")
        with path.open("rb"):
            pass
    except FileNotFoundError:
        raise Unusable(f"{path}: there is no such file") from None
    except OSError as error:
        raise Unusable(f"{path}: cannot be read ({error.strerror})") from None


def _refuse_stills(path: Path, container: av.container.InputContainer) -> None:
    """The library reads single pictures and plain text as clips of one frame; they are none."""
    kind = container.format.name
    if kind in _TEXT:
        raise Unusable(f"{path.name}: this is text, not a clip")
    if kind == "image2" or kind.endswith("_pipe"):
        shown = any(s.codec_context.width > 0 for s in container.streams.video)
        what = "a photo, not a clip" if shown else "no clip"
        raise Unusable(f"{path.name}: this is {what}")
    with path.open("rb") as file:
        start = file.read(12)
    if start[4:8] == b"ftyp" and start[8:12] in _STILL_BRANDS:
        raise Unusable(f"{path.name}: this is a photo, not a clip")


_TEXT = ("tty", "ansi")
_STILL_BRANDS = (b"heic", b"heix", b"mif1", b"avif")
"""Brands of ISO base media files that hold a picture (ISO/IEC 23008-12, from memory)."""


def _open(path: Path) -> av.container.InputContainer:
    # "file:" keeps a name with a colon in it from being taken for a network address; nothing but
    # the file itself may be opened, whatever it refers to.
    return av.open(f"file:{path}", options={"protocol_whitelist": "file"}, metadata_errors="ignore")


def _facts(path: Path, container: av.container.InputContainer) -> ClipFacts:
    if not container.streams.video:
        what = "sound only" if container.streams.audio else "no picture"
        raise Unusable(f"{path.name}: the file holds {what}")
    stream = container.streams.video[0]
    codec = stream.codec_context
    if codec is None:  # whatever the stubs say
        raise Unusable(f"{path.name}: the picture is coded in a way that is not read")
    if codec.width * codec.height > MAX_FRAME_PIXELS:
        raise Unusable(f"{path.name}: frames of {codec.width} x {codec.height} px are not read")
    if codec.width < 1 or codec.height < 1:
        raise Unusable(f"{path.name}: the picture has no size; the file is damaged")
    turn = _rotation(container, stream)
    width, height = codec.width, codec.height
    if turn in (90, 270):
        width, height = height, width
    first = container.format.name.split(",")[0]
    duration, shared = _duration(container, stream)
    return ClipFacts(
        container=_CONTAINERS.get(first, container.format.name),
        codec=_codec_name(stream),
        pixel_format=codec.pix_fmt or "",
        width=width,
        height=height,
        rotation_deg=turn,
        pixel_aspect=float(stream.sample_aspect_ratio or 1),
        average_rate=_rate(stream.average_rate),
        base_rate=_rate(stream.base_rate),
        frames=stream.frames or None,
        duration_s=duration,
        bytes=path.stat().st_size,
        has_sound=bool(container.streams.audio),
        keeps_times=first != "avi",
        duration_is_shared=shared and bool(container.streams.audio),
    )


def _duration(
    container: av.container.InputContainer, stream: av.VideoStream
) -> tuple[float | None, bool]:
    """How long the picture is said to last, s, and whether that is said of all streams together.

    Matroska (RFC 9559) states where its last stamp lies, counted from 0 and not from the first; what
    wrote the file may have put the same of each track into a tag.
    """
    if stream.duration is not None and stream.time_base is not None:
        return float(stream.duration * stream.time_base), False
    tag = re.fullmatch(r"(\d+):(\d\d):(\d\d(?:\.\d+)?)", stream.metadata.get("DURATION", ""))
    if tag is not None:
        first = float((stream.start_time or 0) * (stream.time_base or 0))
        return int(tag[1]) * 3600 + int(tag[2]) * 60 + float(tag[3]) - first, False
    if container.duration is None:
        return None, True
    first = (container.start_time or 0) if container.format.name.startswith("matroska") else 0
    return (container.duration - first) / av.time_base, True


def _codec_name(stream: av.VideoStream) -> str:
    """The standard's short name ("h264"), whichever decoder is at work."""
    return str(stream.codec_context.codec.canonical_name or stream.codec_context.name)


def _rotation(container: av.container.InputContainer, stream: av.VideoStream) -> int:
    """Clockwise quarter turns that the file asks for, in degrees; known from the first frame."""
    with contextlib.suppress(av.error.FFmpegError, StopIteration):
        frame = next(container.decode(stream))
        return round(-frame.rotation / 90) * 90 % 360
    return 0


def _rate(value: Fraction | None) -> float | None:
    return float(value) if value else None


def _upright(picture: av.VideoFrame, turns: int) -> Frame:
    if picture.format.name in _PLANAR_8_BIT:
        plane = picture.planes[0]
        rows = np.frombuffer(memoryview(plane), np.uint8).reshape(plane.height, plane.line_size)
        luma: npt.NDArray[Any] = rows[:, : plane.width].copy()
        always = picture.format.name.startswith(("yuvj", "gray"))
        full = always or picture.color_range == _FULL_RANGE
    else:
        deep = any(part.bits > 8 for part in picture.format.components)
        luma = picture.to_ndarray(format="gray16le" if deep else "gray")
        full = True
    return Frame(
        luma=np.ascontiguousarray(np.rot90(luma, -turns)),
        time_s=picture.time,
        is_key=bool(picture.key_frame),
        is_between=picture.pict_type == PictureType.B,
        is_full_range=full,
        _picture=picture,
        _turns=turns,
    )
