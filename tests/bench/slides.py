"""Photos of ruled scales drawn with Pillow, so that the bench is tested on pictures of known scale
that its own simulator had no hand in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

SUPERSAMPLING = 8


def draw_slide(
    path: Path,
    *,
    pixel_size_um: float,
    size: tuple[int, int] = (640, 480),
    division_um: float = 10.0,
    seed: int = 0,
    round_field_um: float | None = None,
) -> Path:
    """Save a photo of a 1 mm scale in 100 divisions, `pixel_size_um` at the object.

    Longer 5th and 10th lines, a little noise, a small shift that depends on `seed`. With
    `round_field_um` the field is a disc of that diameter on black.
    """
    rng = np.random.default_rng(seed)
    width, height = size[0] * SUPERSAMPLING, size[1] * SUPERSAMPLING
    canvas = Image.new("L", (width, height), 235)
    draw = ImageDraw.Draw(canvas)
    step = division_um / pixel_size_um * SUPERSAMPLING
    start = width / 2 - 50 * step + rng.uniform(0, 1) * step
    for line in range(101):
        x = start + line * step
        long = 9.0 if line % 10 == 0 else 7.0 if line % 5 == 0 else 5.0
        top = height / 2 - long * step / 2
        draw.rectangle([x - 0.1 * step, top, x + 0.1 * step, top + long * step], fill=40)
    if round_field_um is not None:
        radius = round_field_um / pixel_size_um * SUPERSAMPLING / 2
        mask = Image.new("L", canvas.size, 0)
        box = [width / 2 - radius, height / 2 - radius, width / 2 + radius, height / 2 + radius]
        ImageDraw.Draw(mask).ellipse(box, fill=255)
        canvas = Image.composite(canvas, Image.new("L", canvas.size, 4), mask)
    small = np.asarray(canvas.resize(size, Image.Resampling.BOX), dtype=np.float64)
    noisy = np.clip(small + rng.normal(0, 1.5, small.shape), 0, 255).astype(np.uint8)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(noisy).save(path, quality=92)
    return path
