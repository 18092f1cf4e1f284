"""Words and numerals as small masks, in fonts that matplotlib brings along, or engraved strokes."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Literal

import cv2
import matplotlib
import numpy as np
import numpy.typing as npt
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

from glassay.simulate.geometry import Image
from glassay.simulate.paint import View, stamp

Font = Literal["sans", "bold", "serif", "typewriter", "times", "roman", "engraved"]

_FILES = {
    "sans": "DejaVuSans.ttf",
    "bold": "DejaVuSans-Bold.ttf",
    "serif": "DejaVuSerif.ttf",
    "typewriter": "DejaVuSansMono.ttf",
    "times": "STIXGeneral.ttf",
    "roman": "cmr10.ttf",
}
FONTS: tuple[Font, ...] = ("sans", "bold", "serif", "typewriter", "times", "roman", "engraved")


@lru_cache(maxsize=512)
def lettering_mask(text: str, font: Font, height_texels: int) -> npt.NDArray[np.float32]:
    """Coverage 0..1 of the text; capitals and numerals are `height_texels` high, and fill the mask
    from top to bottom except for descenders."""
    tight = _engraved(text) if font == "engraved" else _printed(text, font)
    # numerals fill the master from `_MASTER` high; descenders and commas reach below
    scale = height_texels / _MASTER
    size = (max(1, round(tight.shape[1] * scale)), max(1, round(tight.shape[0] * scale)))
    kind = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(tight, size, interpolation=kind), dtype=np.float32)


_MASTER = 240
"""Height in texels at which letters are drawn, large enough that hinting does not bend them."""


@lru_cache(maxsize=256)
def _printed(text: str, font: Font) -> npt.NDArray[np.float32]:
    path = str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / _FILES[font])
    probe = ImageFont.truetype(path, 400).getbbox("0")
    face = ImageFont.truetype(path, 400 * _MASTER / (probe[3] - probe[1]))
    left, top, right, bottom = face.getbbox(text)
    size = (int(right - left) + 2, int(bottom - top) + 2)
    picture = PillowImage.new("L", size, 0)
    ImageDraw.Draw(picture).text((1 - left, 1 - top), text, font=face, fill=255)
    return np.asarray(picture, dtype=np.float32) / np.float32(255)


@lru_cache(maxsize=256)
def _engraved(text: str) -> npt.NDArray[np.float32]:
    scale = _MASTER / 21  # 21 units is the height of a capital of these single-stroke letters
    canvas = np.zeros((2 * _MASTER, int(30 * scale * (len(text) + 1))), np.uint8)
    place = (_MASTER // 2, _MASTER + _MASTER // 2)
    cv2.putText(canvas, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, 255, 23, cv2.LINE_AA)
    rows, columns = np.nonzero(canvas.max(axis=1))[0], np.nonzero(canvas.max(axis=0))[0]
    if not rows.size:
        return np.zeros((_MASTER, 1), np.float32)
    tight = canvas[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    return np.asarray(tight, dtype=np.float32) / np.float32(255)


def add_lettering(
    view: View,
    cover: Image,
    text: str,
    middle_um: tuple[float, float],
    height_um: float,
    font: Font = "sans",
    turn_deg: float = 0.0,
) -> None:
    """Join `text`, centred at `middle_um`, with numerals `height_um` high, to `cover`, in place."""
    texels = int(np.clip(2.0 * height_um / view.sigma_um, 16, 400))
    mask = lettering_mask(text, font, texels)
    texel_um = height_um / texels
    half = np.array([mask.shape[1], mask.shape[0]]) * texel_um / 2
    angle = np.radians(turn_deg)
    dx = half[0] * np.cos(angle) - half[1] * np.sin(angle)
    dy = half[0] * np.sin(angle) + half[1] * np.cos(angle)
    corner = (middle_um[0] - float(dx), middle_um[1] - float(dy))
    stamp(view, cover, mask, corner, texel_um, turn_deg)
