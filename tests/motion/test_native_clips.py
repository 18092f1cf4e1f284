"""Clips whose frames are the camera's own are not said to be enlarged from fewer pixels."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image, ImageDraw
from scipy import ndimage

from glassay.bench.measuring.joined import native_verdict
from glassay.finding import Finding
from glassay.imaging.clip import open_clip
from glassay.imaging.tone import linear_to_srgb
from glassay.motion import measure_clip
from glassay.sampling.native import native

SIZE = (400, 320)


def frames_of(seed: int, shake: float, factor: float = 1.0) -> list[np.ndarray]:
    """Eight frames of blocks and wires drawn by Pillow, soft, shaken by exact shifts (px a frame), each
    with fresh photon noise, as 8-bit sRGB; with a `factor` made from so many fewer px."""
    rng = np.random.default_rng(seed)
    picture = Image.new("F", (420, 340), 0.18)
    pen = ImageDraw.Draw(picture)
    for sides, count in (((20, 120), 60), ((3, 12), 200)):
        for _ in range(count):
            x, y = rng.uniform(0, picture.size)
            wide, high = rng.uniform(*sides, 2)
            if sides[0] == 3:
                wide = rng.uniform(30, 200)
                if rng.random() < 0.5:
                    wide, high = high, wide
            light = float(rng.uniform(0.06, 0.6))
            pen.rectangle([x, y, x + wide, y + high], fill=light)
    spectrum = np.fft.fft2(ndimage.gaussian_filter(np.asarray(picture, np.float64), 0.8))
    rng = np.random.default_rng(seed)
    place, frames = np.zeros(2), []
    for _ in range(8):
        place = place + rng.normal(0, 1, 2) * shake
        moved = np.fft.ifft2(ndimage.fourier_shift(spectrum, place)).real[10:330, 10:410]
        light = rng.poisson(np.clip(moved, 0, None) * 3000) / 3000
        frame = Image.fromarray(np.rint(255 * linear_to_srgb(light)).astype(np.uint8))
        if factor > 1:
            own = round(SIZE[0] / factor), round(SIZE[1] / factor)
            frame = frame.crop((0, 0, *own)).resize(SIZE, Image.Resampling.BICUBIC)
        frames.append(np.asarray(frame))
    return frames


def filmed(path: Path, frames: list[np.ndarray], quality: int = 3) -> Path:
    with av.open(str(path), "w") as file:
        stream = file.add_stream("mjpeg", rate=30, options={"q:v": str(quality)})
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuvj420p"
        for frame in frames:
            picture = av.VideoFrame.from_ndarray(frame, format="gray")
            file.mux(stream.encode(picture.reformat(format="yuvj420p")))
        file.mux(stream.encode(None))
    return path


def test_traces_of_a_codecs_blocks_do_not_make_a_native_clip_an_enlarged_one(
    tmp_path: Path,
) -> None:
    path = filmed(tmp_path / "native.avi", frames_of(12, shake=0.35))
    seen: list[Sequence[np.ndarray]] = []

    def look(frames: Sequence[np.ndarray]) -> dict[str, Finding]:
        seen.append(frames)
        return native_verdict(frames)

    assert "native_verdict" not in measure_clip(open_clip(path), look_at_still=look).findings()
    # by 2, as the traces of blocks alone would have it
    assert native(seen[0]).verdict == "enlarged"


@pytest.mark.parametrize("factor", [2.5, 8 / 3])
def test_a_clip_whose_detail_ends_where_fewer_pixels_end_is_enlarged(factor: float) -> None:
    found = native_verdict(frames_of(3, 0.0, factor))
    assert found["native_verdict"].value == "enlarged"
