"""Frames of the live picture that come as planes, against readers that we did not write."""

from __future__ import annotations

import av
import cv2
import numpy as np
import numpy.typing as npt
import pytest
from fastapi.testclient import TestClient
from PIL import Image

from glassay.web import limits
from glassay.web.live_frames import FrameOfJpeg, FrameOfPlanes, Planes
from glassay.web.watch import Watch

Stored = npt.NDArray[np.uint8]
WIDTH, HEIGHT = 96, 64


def smooth_planes(width: int = WIDTH, height: int = HEIGHT) -> tuple[Stored, Stored, Stored]:
    """Y, U, V of a picture whose colours change slowly and stay within those that can be shown."""
    y, x = np.mgrid[0:height, 0:width]
    rows, columns = np.mgrid[0 : (height + 1) // 2, 0 : (width + 1) // 2]
    luma = 110 + 40 * np.sin(x / 20) * np.cos(y / 15)
    u = 128 + 22 * np.cos(columns / 12)
    v = 128 + 22 * np.sin(rows / 10)
    return tuple(np.rint(one).astype(np.uint8) for one in (luma, u, v))  # type: ignore[return-value]


def sent(layout: str, planes: tuple[Stored, Stored, Stored]) -> bytes:
    luma, u, v = planes
    if layout == "NV12":
        return luma.tobytes() + np.dstack([u, v]).tobytes()
    return luma.tobytes() + u.tobytes() + v.tobytes()


def swscale(planes: tuple[Stored, Stored, Stored], matrix: str, span: str) -> Stored:
    """B, G, R by FFmpeg's own converter."""
    stacked = np.concatenate([one.ravel() for one in planes]).reshape(HEIGHT * 3 // 2, WIDTH)
    frame = av.VideoFrame.from_ndarray(stacked, format="yuv420p")
    how = {"bt601": "ITU601", "bt709": "ITU709"}[matrix]
    ranges = {"limited": "MPEG", "full": "JPEG"}[span]
    shown = frame.reformat(
        format="bgr24", src_colorspace=how, src_color_range=ranges, dst_color_range="JPEG",
        interpolation="BILINEAR",
    )  # fmt: skip
    return np.asarray(shown.to_ndarray(), np.uint8)


@pytest.mark.parametrize("layout", ["I420", "NV12"])
@pytest.mark.parametrize("span", ["limited", "full"])
@pytest.mark.parametrize("matrix", ["bt601", "bt709"])
def test_planes_are_the_colours_that_ffmpeg_gives(matrix: str, span: str, layout: str) -> None:
    planes = smooth_planes()
    frame = FrameOfPlanes(sent(layout, planes), Planes(layout, WIDTH, HEIGHT, f"{matrix}-{span}"))
    theirs = swscale(planes, matrix, span).astype(float)
    kept = cv2.imdecode(np.frombuffer(frame.jpeg(), np.uint8), cv2.IMREAD_COLOR).astype(float)
    assert np.abs(kept - theirs).mean() < 1.5  # what JPEG of quality 95 changes
    sample = frame.every_second().astype(float)
    # FFmpeg's quick converter cuts off where ours rounds, and lays colours between samples otherwise.
    assert np.abs(sample - theirs[::2, ::2]).max() <= 4
    assert np.abs(sample - theirs[::2, ::2]).mean() < 1.5


def test_luma_of_planes_is_that_of_a_jpeg_of_the_same_picture() -> None:
    planes = smooth_planes()
    picture = Image.merge(
        "YCbCr",
        [Image.fromarray(one).resize((WIDTH, HEIGHT), Image.Resampling.BILINEAR) for one in planes],
    )
    encoded = cv2.imencode(".jpg", np.asarray(picture.convert("RGB"))[..., ::-1],
                           [cv2.IMWRITE_JPEG_QUALITY, 98])[1]  # fmt: skip
    plain = FrameOfPlanes(sent("I420", planes), Planes("I420", WIDTH, HEIGHT, "bt601-full"))
    again = FrameOfJpeg(encoded.tobytes())
    assert np.abs(plain.luma.astype(float) - again.luma).max() <= 3
    limited = tuple(
        np.rint(low + (one.astype(float) - base) * by).astype(np.uint8)
        for one, low, base, by in zip(planes, (16, 128, 128), (0, 128, 128),
                                      (219 / 255, 224 / 255, 224 / 255), strict=True)
    )  # fmt: skip
    narrow = FrameOfPlanes(sent("I420", limited), Planes("I420", WIDTH, HEIGHT, "bt601-limited"))  # type: ignore[arg-type]
    assert np.abs(plain.luma.astype(float) - narrow.luma).max() <= 1


def test_what_is_at_full_scale_counts_as_clipped_in_either_form() -> None:
    luma = np.full((HEIGHT, WIDTH), 120, np.uint8)
    luma[:16] = 235  # white in limited range (ITU-R BT.601-7, 2.5.3)
    half = np.full((HEIGHT // 2, WIDTH // 2), 128, np.uint8)
    frame = FrameOfPlanes(
        sent("I420", (luma, half, half)), Planes("I420", WIDTH, HEIGHT, "bt709-limited")
    )
    assert Watch().look(frame, None).clipped == pytest.approx(0.25)
    assert Watch().look(FrameOfJpeg(frame.jpeg()), None).clipped == pytest.approx(0.25)


def test_odd_sizes_have_their_last_column_and_row() -> None:
    planes = smooth_planes(33, 17)
    frame = FrameOfPlanes(sent("NV12", planes), Planes("NV12", 33, 17, "bt601-full"))
    assert frame.luma.shape == (17, 33)
    assert frame.every_second().shape == (9, 17, 3)
    assert np.array_equal(frame.luma, planes[0])
    kept = cv2.imdecode(np.frombuffer(frame.jpeg(), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert np.abs(kept.astype(float) - planes[0]).max() <= 6


def test_what_is_no_whole_frame_is_refused_in_words(client: TestClient) -> None:
    client.headers["accept"] = "application/json"
    whole = sent("I420", smooth_planes())
    how = {"layout": "I420", "width": WIDTH, "height": HEIGHT, "colour": "bt601-limited"}

    def told(data: bytes = whole, **other: object) -> tuple[int, str]:
        asked = {"session": "0123456789abcdef", **how, **other}
        answer = client.post("/live/frame", params=asked, content=data)  # type: ignore[arg-type]
        return answer.status_code, answer.json().get("error", "")

    assert told() == (200, "")
    assert told(whole[:-1]) == (400, "the live frame is not whole")
    assert told(whole + b"0")[0] == 400
    assert "I420 or NV12" in told(layout="I444")[1]
    assert "I420 or NV12" in told(colour="bt2020-full")[1]
    assert "without a size" in told(b"", width=0)[1]
    assert "without a size" in told(width=-96, height=-64)[1]
    assert "too large" in told(width=90_000, height=90_000)[1]


def test_the_largest_frame_that_is_judged_may_come_as_planes() -> None:
    side = int(limits.MAX_FRAME_PIXELS**0.5)
    assert Planes("I420", side - side % 2, side - side % 2, "bt601-full").size <= (
        limits.MAX_FRAME_BYTES
    )
