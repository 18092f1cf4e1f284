"""Clips whose frames are the camera's own are not said to be enlarged from fewer pixels."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image, ImageDraw
from scipy import ndimage

from glassay.bench.measuring.joined import clip_with_sampling
from glassay.imaging.clip import open_clip
from glassay.imaging.tone import linear_to_srgb
from glassay.motion import clip

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


def test_what_moves_a_little_between_frames_is_not_taken_for_enlarged_noise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = filmed(tmp_path / "native.avi", frames_of(12, shake=0.35))
    assert "native_verdict" not in clip_with_sampling(open_clip(path)).findings()
    monkeypatch.setattr(clip, "STILL_PX", 0.4)
    assert clip_with_sampling(open_clip(path)).findings()["native_verdict"].value == "enlarged"


@pytest.mark.parametrize("factor", [2.0, 2.5, 8 / 3])
def test_a_clip_on_a_stand_made_from_fewer_pixels_is_enlarged(
    tmp_path: Path, factor: float
) -> None:
    path = filmed(tmp_path / "enlarged.avi", frames_of(3, 0.0, factor), quality=2)
    assert clip_with_sampling(open_clip(path)).findings()["native_verdict"].value == "enlarged"
