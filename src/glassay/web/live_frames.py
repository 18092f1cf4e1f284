"""A frame of the live picture as the browser hands it over: the camera's own planes, or a JPEG.

Planes cost the browser nothing, where encoding a JPEG of 1920 x 1080 px takes it longer than the
workbench takes to judge one.
"""

from __future__ import annotations

import io
from abc import ABC, abstractmethod
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, UnidentifiedImageError

from glassay.errors import Unusable
from glassay.web import limits

LUMA_OF = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722)}
"""Shares of red and blue in luma (ITU-R BT.601-7, 2.5.1; ITU-R BT.709-6, 3.2)."""
LEVELS = {"limited": (16.0, 219.0, 224.0), "full": (0.0, 255.0, 255.0)}
"""Black, and the spans of luma and of colour difference in 8 bit (the same, 2.5.3 and 4; full:
ISO/IEC 10918-5, 7)."""
COLOURS = tuple(f"{matrix}-{span}" for matrix in LUMA_OF for span in LEVELS)
"""How planes tell colours, as the live page calls it."""
LAYOUTS = ("I420", "NV12")
"""Planes in 4:2:0 (W3C WebCodecs, pixel formats): luma, then U and V apart or by turns."""
KEPT_QUALITY = 95
"""JPEG quality of a frame that came as planes and is kept."""

Stored = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Planes:
    """How a frame's planes are laid out in what was sent. Raises `Unusable` for what is none."""

    layout: str
    width: int
    height: int
    colour: str

    def __post_init__(self) -> None:
        if self.layout not in LAYOUTS or self.colour not in COLOURS:
            raise Unusable("a live frame comes as planes of I420 or NV12, or as a JPEG")
        _refuse_size(self.width, self.height)

    @property
    def half(self) -> tuple[int, int]:
        """Height and width of the planes of colour difference."""
        return (self.height + 1) // 2, (self.width + 1) // 2

    @property
    def size(self) -> int:
        """Bytes of a whole frame."""
        rows, columns = self.half
        return self.width * self.height + 2 * rows * columns

    def split(self, data: bytes) -> tuple[Stored, tuple[Stored, Stored]]:
        """Luma (height, width), and colour difference U and V (half of both each)."""
        if len(data) != self.size:
            raise Unusable("the live frame is not whole")
        stored = np.frombuffer(data, np.uint8)
        luma, rest = np.split(stored, [self.width * self.height])
        if self.layout == "NV12":
            pairs = rest.reshape(*self.half, 2)
            u, v = pairs[..., 0], pairs[..., 1]
        else:
            u, v = rest.reshape(2, *self.half)
        return luma.reshape(self.height, self.width), (u, v)

    @property
    def to_bgr(self) -> npt.NDArray[np.float64]:
        """B, G, R from Y, U, V, 1 as stored: 3 x 4."""
        matrix, span = self.colour.split("-")
        red, blue = LUMA_OF[matrix]
        black, luma, difference = LEVELS[span]
        green = 1 - red - blue
        from_v, from_u = 2 * (1 - red), 2 * (1 - blue)
        to = np.array(
            [[1, from_u, 0], [1, -blue * from_u / green, -red * from_v / green], [1, 0, from_v]]
        )
        to *= 255 / np.array([luma, difference, difference])
        return np.column_stack([to, -to @ np.array([black, 128.0, 128.0])])

    def full_range(self, luma: Stored) -> Stored:
        """Luma with black at 0 and white at 255."""
        black, span, _ = LEVELS[self.colour.split("-")[1]]
        table = np.clip(np.rint((np.arange(256) - black) * 255 / span), 0, 255)
        return np.asarray(cv2.LUT(luma, table.astype(np.uint8)), dtype=np.uint8)


class LiveFrame(ABC):
    """A frame with its `luma` (height, width; black 0, white 255)."""

    def __init__(self, luma: Stored) -> None:
        self.luma = luma

    @abstractmethod
    def every_second(self) -> Stored:
        """Colours of every second px of every second row (half of both, 3; B, G, R)."""

    @abstractmethod
    def jpeg(self) -> bytes:
        """The frame as a file."""


class FrameOfPlanes(LiveFrame):
    """A frame that came as planes; kept, it is encoded at high quality. Raises `Unusable`."""

    def __init__(self, data: bytes, planes: Planes) -> None:
        self._planes = planes
        self._stored, self._differences = planes.split(data)
        super().__init__(planes.full_range(self._stored))

    def every_second(self) -> Stored:
        return self._colours(self._stored[::2, ::2], *self._differences)

    def jpeg(self) -> bytes:
        size = self._stored.shape[::-1]
        wide = (
            np.asarray(cv2.resize(np.ascontiguousarray(one), size), np.uint8)
            for one in self._differences
        )
        picture = self._colours(self._stored, *wide)
        return bytes(
            cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, KEPT_QUALITY])[1].tobytes()
        )

    def _colours(self, luma: Stored, u: Stored, v: Stored) -> Stored:
        stored = cv2.merge([np.ascontiguousarray(one) for one in (luma, u, v)])
        return np.asarray(cv2.transform(stored, self._planes.to_bgr), dtype=np.uint8)


class FrameOfJpeg(LiveFrame):
    """A frame that came as a JPEG; kept, it is what came. Raises `Unusable`."""

    def __init__(self, data: bytes) -> None:
        Image.MAX_IMAGE_PIXELS = None  # our own limit, checked before anything is decoded
        try:
            head = Image.open(io.BytesIO(data), formats=("JPEG",))
        except (UnidentifiedImageError, OSError, SyntaxError):
            raise Unusable("a live frame must be a JPEG") from None
        _refuse_size(head.width, head.height)
        frame = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
        if frame is None:
            raise Unusable("the live frame is damaged")
        self._sent, self._frame = data, np.asarray(frame, dtype=np.uint8)
        super().__init__(np.asarray(cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY), dtype=np.uint8))

    def every_second(self) -> Stored:
        return np.ascontiguousarray(self._frame[::2, ::2])

    def jpeg(self) -> bytes:
        return self._sent


def _refuse_size(width: int, height: int) -> None:
    if width < 1 or height < 1:
        raise Unusable("a live frame without a size cannot be watched")
    if width * height > limits.MAX_FRAME_PIXELS:
        raise Unusable(f"a frame of {width} x {height} px is too large to watch")
