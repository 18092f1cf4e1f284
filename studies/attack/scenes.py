"""What is no scale: drawn patterns and photographs shipped with libraries. Any number is wrong."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np
import skimage.data
import sklearn.datasets

from studies.attack.case import Kind, Outcome, ask, nothing_there
from studies.attack.drawing import (
    Image,
    canvas,
    disc,
    exposed,
    fill,
    line,
    saved,
    some_quality,
    to_light,
    turned,
    words,
)

WIDE, HIGH = 640, 480
Rng = np.random.Generator


def sheet_of(draw: str, rng: Rng) -> Image:
    sheet, step = canvas(WIDE, HIGH), float(rng.uniform(7, 26))
    DRAWN[draw](sheet, rng, step)
    return sheet


def rings(sheet: Image, rng: Rng, step: float) -> None:
    middle = (float(rng.uniform(0, WIDE)), float(rng.uniform(0, HIGH)))
    for n in range(1, int(700 / step)):
        disc(sheet, middle, n * step, 0.15, step * 0.3)


def fence(sheet: Image, rng: Rng, step: float) -> None:
    jitter = float(rng.uniform(0.03, 0.08))
    for n in range(-1, int(WIDE / step) + 2):
        x = (n + rng.normal(0, jitter)) * step
        line(sheet, (x, 100), (x, 400), step * 0.4, float(rng.uniform(0.1, 0.2)))
    line(sheet, (0, 180), (WIDE, 180), step * 0.5, 0.15)


def even_fence(sheet: Image, rng: Rng, step: float) -> None:
    for n in range(-1, int(WIDE / step) + 2):
        line(sheet, (n * step, 90), (n * step, 390), step * 0.4)


def brick(sheet: Image, rng: Rng, step: float) -> None:
    for row in range(int(HIGH / step) + 2):
        for n in range(-1, int(WIDE / (2.5 * step)) + 2):
            x, y = (n + 0.5 * (row % 2)) * 2.5 * step, row * step
            w, h = 2.3 * step, 0.82 * step
            corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
            fill(sheet, corners + rng.normal(0, 0.02 * step, (4, 2)), float(rng.uniform(0.2, 0.4)))


def halftone(sheet: Image, rng: Rng, step: float) -> None:
    step = max(6.0, step * 0.6)
    shade = cv2.resize(rng.uniform(0.15, 0.5, (4, 5)).astype(np.float32), (WIDE, HIGH),
                       interpolation=cv2.INTER_CUBIC)  # fmt: skip
    for row in range(int(HIGH / step)):
        for n in range(int(WIDE / step)):
            x, y = (n + 0.5) * step, (row + 0.5) * step
            disc(sheet, (x, y), step * float(shade[int(y), int(x)]))


def type_of(sheet: Image, rng: Rng, step: float, *, text: str) -> None:
    size = float(rng.uniform(12, 26))
    for row in range(int(HIGH / (1.5 * size))):
        words(sheet, (text * 40)[: int(2 * WIDE / size)], (4, (row + 1) * 1.5 * size), size)


def digits(sheet: Image, rng: Rng, step: float) -> None:
    size = float(rng.uniform(9, 20))
    for row in range(int(HIGH / (1.6 * size))):
        text = " ".join(str(one) for one in rng.integers(0, 10, int(WIDE / size)))
        words(sheet, text, (4, (row + 1) * 1.6 * size), size, face="DejaVuSansMono.ttf")


def hatching(sheet: Image, rng: Rng, step: float) -> None:
    for n in range(-60, 120):
        x = n * step + float(rng.normal(0, 0.01 * step))
        line(sheet, (x, 0), (x + HIGH, HIGH), step * 0.15, 0.2)


def comb(sheet: Image, rng: Rng, step: float) -> None:
    fill(sheet, np.array([[30, 100], [610, 100], [610, 150], [30, 150]]))
    for n in range(int(580 / step)):
        line(sheet, (32 + n * step, 145), (32 + n * step, 380), step * 0.5)


def barcode(sheet: Image, rng: Rng, step: float) -> None:
    x, module = 40.0, step * 0.25
    while x < WIDE - 40:
        wide = module * int(rng.integers(1, 5))
        line(sheet, (x + wide / 2, 80), (x + wide / 2, 380), wide, 0.05)
        x += wide + module * int(rng.integers(1, 5))


def keyboard(sheet: Image, rng: Rng, step: float) -> None:
    step = max(18.0, 1.6 * step)
    for row in range(int(HIGH / step)):
        for n in range(int(WIDE / step)):
            x, y = (n + 0.25 * (row % 3)) * step, row * step
            fill(sheet, np.array([[x, y], [x + 0.85 * step, y], [x + 0.85 * step, y + 0.85 * step],
                                  [x, y + 0.85 * step]]), 0.12)  # fmt: skip
            words(sheet, chr(65 + int(rng.integers(26))), (x + 0.2 * step, y + 0.6 * step),
                  0.4 * step, 0.8)  # fmt: skip


def piano(sheet: Image, rng: Rng, step: float) -> None:
    for n in range(int(WIDE / step) + 1):
        line(sheet, (n * step, 60), (n * step, 420), 1.2, 0.2)
        if n % 7 in (0, 1, 3, 4, 5):
            line(sheet, ((n + 1) * step, 60), ((n + 1) * step, 290), step * 0.55, 0.05)


def blinds(sheet: Image, rng: Rng, step: float) -> None:
    for n in range(int(HIGH / step) + 1):
        for k in range(12):  # each slat is shaded round
            y = (n + k / 12) * step
            line(sheet, (0, y), (WIDE, y), step / 11, float(0.2 + 0.6 * np.sin(np.pi * k / 12)))
    for x in (150, 480):
        line(sheet, (x, 0), (x, HIGH), 3, 0.6)


def fabric(sheet: Image, rng: Rng, step: float) -> None:
    step = max(6.0, 0.6 * step)
    y, x = np.mgrid[0 : HIGH * 4, 0 : WIDE * 4] / 4
    wave = cv2.resize(rng.normal(0, 0.25, (6, 8)).astype(np.float32), (WIDE * 4, HIGH * 4),
                      interpolation=cv2.INTER_CUBIC)  # fmt: skip
    u, v = x / step + wave, y / step + wave.T[0, 0]
    over = (np.floor(u) + np.floor(v)) % 2 > 0
    sheet[...] = 0.15 + 0.6 * np.where(over, np.sin(np.pi * (u % 1)), np.sin(np.pi * (v % 1)))


def chessboard(sheet: Image, rng: Rng, step: float) -> None:
    y, x = np.mgrid[0 : HIGH * 4, 0 : WIDE * 4] / 4
    sheet[...] = np.where((np.floor(x / step) + np.floor(y / step)) % 2 > 0, 0.1, 0.85)


def pads(sheet: Image, rng: Rng, step: float) -> None:
    """Bond pads in a row along the edge of a die, with wires."""
    fill(sheet, np.array([[0, 200], [WIDE, 200], [WIDE, HIGH], [0, HIGH]]), 0.3)
    for n in range(int(WIDE / step)):
        x = (n + 0.2) * step
        fill(sheet, np.array([[x, 210], [x + 0.6 * step, 210], [x + 0.6 * step, 210 + 0.6 * step],
                              [x, 210 + 0.6 * step]]), 0.95)  # fmt: skip
        line(sheet, (x + 0.3 * step, 212), (x + 0.3 * step + float(rng.normal(0, 9)), 20), 1.5, 0.9)


def bus(sheet: Image, rng: Rng, step: float) -> None:
    """Parallel wires of a chip, which turn a corner."""
    for n in range(16):
        x = 120 + n * step
        line(sheet, (x, 0), (x, 240 + n * step), step * 0.5, 0.9)
        line(sheet, (x, 240 + n * step), (WIDE, 240 + n * step), step * 0.5, 0.9)


def staff(sheet: Image, rng: Rng, step: float) -> None:
    """Music paper and ruled writing paper."""
    wide = int(rng.integers(2))
    for n in range(int(HIGH / step)):
        if wide or n % 8 < 5:
            line(sheet, (30, n * step), (610, n * step), max(1.0, 0.08 * step), 0.3)


def bar_target(sheet: Image, rng: Rng, step: float) -> None:
    """Groups of five bars that grow finer: no two groups share a period."""
    x = 20.0
    while step > 2.5 and x < WIDE - 6 * step:
        for n in range(5):
            line(sheet, (x + n * step, 120), (x + n * step, 340), step / 2)
        x, step = x + 6.5 * step, step / 1.12


def tiles(sheet: Image, rng: Rng, step: float) -> None:
    """A tiled wall, a net or squared paper: thin lines both ways, as even as a grid's."""
    thick = step * float(rng.uniform(0.06, 0.2))
    for n in range(-8, int(WIDE / step) + 9):
        line(sheet, (n * step, -99), (n * step, HIGH + 99), thick, 0.3)
        line(sheet, (-99, n * step), (WIDE + 99, n * step), thick, 0.3)


def gated_fence(sheet: Image, rng: Rng, step: float) -> None:
    """An even fence with a few taller posts, at no 5th or 10th place."""
    every = int(rng.choice([3, 6, 7, 8, 9]))
    for n in range(-1, int(WIDE / step) + 2):
        top = 60 if n % every == 0 else 120
        line(sheet, (n * step, top), (n * step, 390), step * 0.4)


def facade(sheet: Image, rng: Rng, step: float) -> None:
    """Upright bars with a wider one at every 4th or 5th place, and storeys across them."""
    every, storey = int(rng.choice([4, 5])), step * float(rng.uniform(1.3, 2.6))
    for n in range(-1, int(WIDE / step) + 2):
        thick = step * (0.5 if n % every == 0 else 0.25)
        line(sheet, (n * step, -99), (n * step, HIGH + 99), thick, 0.3)
    for n in range(int(HIGH / storey) + 1):
        line(sheet, (-99, n * storey), (WIDE + 99, n * storey), step * 0.3, 0.3)


def railway(sheet: Image, rng: Rng, step: float) -> None:
    """Sleepers across two rails, one in seven longer where a cable crosses."""
    long_at = int(rng.choice([6, 7, 9]))
    for n in range(-1, int(WIDE / step) + 2):
        more = 40 if n % long_at == 0 else 0
        line(sheet, (n * step, 150 - more), (n * step, 330 + more), step * 0.35, 0.3)
    for y in (190, 290):
        line(sheet, (-9, y), (WIDE + 9, y), 5, 0.7)


def ladder(sheet: Image, rng: Rng, step: float) -> None:
    for x in (220, 420):
        line(sheet, (x, -9), (x, HIGH + 9), 9, 0.15)
    for n in range(int(HIGH / step) + 1):
        line(sheet, (220, n * step), (420, n * step), step * 0.2, 0.2)


def zip_teeth(sheet: Image, rng: Rng, step: float) -> None:
    """Teeth from either side that mesh half a step apart."""
    for n in range(int(WIDE / step) + 1):
        line(sheet, (n * step, 130), (n * step, 250), step * 0.4)
        line(sheet, ((n + 0.5) * step, 230), ((n + 0.5) * step, 350), step * 0.4)
    for y in (125, 355):
        line(sheet, (0, y), (WIDE, y), 14, 0.4)


def film(sheet: Image, rng: Rng, step: float) -> None:
    """Perforations along both rims of a film, and frame lines at every fourth or eighth."""
    step, every = max(step, 14.0), int(rng.choice([4, 8]))
    fill(sheet, np.array([[0, 60], [WIDE, 60], [WIDE, 420], [0, 420]]), 0.12)
    for n in range(int(WIDE / step) + 1):
        for y in (75, 385):
            x, w, h = n * step, 0.5 * step, 22.0
            fill(sheet, np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]), 0.9)
        if n % every == 0:
            line(sheet, (n * step, 110), (n * step, 370), 4, 0.7)


def fins(sheet: Image, rng: Rng, step: float) -> None:
    """A heat sink seen from above: fins with a bright and a dark flank, the outer ones longer."""
    for n in range(2, int(WIDE / step) - 2):
        top = 90 if n in (2, int(WIDE / step) - 3) else 130
        line(sheet, (n * step, top), (n * step, 350), step * 0.3, 0.2)
        line(sheet, (n * step + 0.3 * step, top), (n * step + 0.3 * step, 350), step * 0.2, 0.95)


def ribbon(sheet: Image, rng: Rng, step: float) -> None:
    """A flat cable, with a stripe on its first wire and every tenth one darker."""
    for n in range(int(WIDE / step)):
        for k in range(8):
            shade = 0.25 + 0.5 * float(np.sin(np.pi * (k + 0.5) / 8)) - 0.12 * (n % 10 == 0)
            line(sheet, ((n + k / 8) * step, 0), ((n + k / 8) * step, HIGH), step / 7.5, shade)


def books(sheet: Image, rng: Rng, step: float) -> None:
    x = 0.0
    while x < WIDE:
        wide, top = step * float(rng.uniform(0.9, 1.1)), float(rng.uniform(90, 130))
        fill(sheet, np.array([[x, top], [x + 0.93 * wide, top], [x + 0.93 * wide, 400], [x, 400]]),
             float(rng.uniform(0.15, 0.6)))  # fmt: skip
        x += wide


def stairs(sheet: Image, rng: Rng, step: float) -> None:
    """Treads that grow nearer towards the top, as seen from below."""
    y, high = float(HIGH), step * 1.6
    while y > 0 and high > 3:
        line(sheet, (100, y), (540, y), high * 0.25, 0.2)
        y, high = y - high, high * 0.985


def pin_rows(sheet: Image, rng: Rng, step: float) -> None:
    """Pins of two rows in line, some bent."""
    for n in range(int(WIDE / step)):
        for y in (200, 200 + 2.2 * step):
            x = (n + 0.5 + 0.02 * float(rng.normal())) * step
            line(sheet, (x, y), (x, y + step), step * 0.35, 0.9 if n % 2 else 0.8)
    fill(sheet, np.array([[0, 196], [WIDE, 196], [WIDE, 204], [0, 204]]), 0.1)


def spreadsheet(sheet: Image, rng: Rng, step: float) -> None:
    """Rows of numbers between rules."""
    step = max(step, 14.0)
    for row in range(int(HIGH / step)):
        line(sheet, (0, row * step), (WIDE, row * step), 1.0, 0.5)
        for column in range(8):
            words(sheet, f"{rng.integers(10, 9999)}", (10 + 80 * column, (row + 0.75) * step),
                  0.6 * step)  # fmt: skip
    for column in range(9):
        line(sheet, (80 * column, 0), (80 * column, HIGH), 1.0, 0.5)


DRAWN = {
    "rings": rings, "jittered fence": fence, "even fence": even_fence, "brick": brick,
    "halftone": halftone, "type, l l l": partial(type_of, text="l l "),
    "type, illi": partial(type_of, text="illi"), "type, words": partial(type_of, text="die pad row "),
    "digits": digits, "hatching": hatching, "comb": comb, "barcode": barcode, "keyboard": keyboard,
    "piano": piano, "blinds": blinds, "fabric": fabric, "chessboard": chessboard, "bond pads": pads,
    "wires of a bus": bus, "ruled paper": staff, "bar target": bar_target, "tiles": tiles,
    "fence with taller posts": gated_fence, "facade": facade, "railway": railway, "ladder": ladder,
    "zip": zip_teeth, "film": film, "fins": fins, "ribbon cable": ribbon, "books": books,
    "stairs": stairs, "pin rows": pin_rows, "spreadsheet": spreadsheet,
}  # fmt: skip

PHOTOS = ("astronaut", "brick", "camera", "cell", "chelsea", "clock", "coffee", "coins", "grass",
          "gravel", "hubble_deep_field", "immunohistochemistry", "moon", "page", "retina", "rocket",
          "text", "china.jpg", "flower.jpg")  # fmt: skip


def drawn(rng: Rng, folder: Path, *, what: str) -> Outcome:
    photo = exposed(turned(sheet_of(what, rng), float(rng.uniform(-12, 12))), rng,
                    blur=float(rng.uniform(0.4, 1.2)))  # fmt: skip
    path = saved(photo, folder / "p", some_quality(rng))
    return nothing_there(ask("scale", path, "--division", "10um"), what, "pixel_size")


def library_photo(name: str) -> np.ndarray:
    """A photograph shipped with scikit-image or scikit-learn, BGR or grey."""
    if name.endswith(".jpg"):
        return sklearn.datasets.load_sample_image(name)[..., ::-1]  # type: ignore[no-any-return]
    image = getattr(skimage.data, name)()
    if image.dtype != np.uint8:
        image = (255 * (image / image.max())).astype(np.uint8)
    return image[..., ::-1] if image.ndim == 3 else image  # type: ignore[no-any-return]


def photograph(rng: Rng, folder: Path) -> Outcome:
    """A piece of a photograph, turned, in another size and quality."""
    name = PHOTOS[int(rng.integers(len(PHOTOS)))]
    image = library_photo(name)
    side = int(min(image.shape[:2]) * rng.uniform(0.4, 1))
    y, x = (int(rng.integers(n - side + 1)) for n in image.shape[:2])
    piece = np.rot90(image[y : y + side, x : x + side], int(rng.integers(4)))
    to = int(rng.integers(300, 640))
    piece = cv2.resize(np.ascontiguousarray(piece), (to, to), interpolation=cv2.INTER_AREA)
    path = saved(piece, folder / "p", some_quality(rng))
    return nothing_there(ask("scale", path, "--division", "10um"), name, "pixel_size")


def of_many(rng: Rng, folder: Path) -> Outcome:
    """One small piece of a photograph repeated as a wallpaper."""
    image = to_light(library_photo(PHOTOS[int(rng.integers(len(PHOTOS)))]))
    step = int(rng.integers(12, 40))
    piece = (image.mean(2) if image.ndim == 3 else image)[60 : 60 + step, 40 : 40 + step]
    sheet = np.tile(piece, (HIGH // step + 1, WIDE // step + 1))[:HIGH, :WIDE]
    big = cv2.resize(sheet.astype(np.float32), (WIDE * 4, HIGH * 4), interpolation=cv2.INTER_LINEAR)
    path = saved(
        exposed(turned(big, float(rng.uniform(-9, 9))), rng), folder / "p", some_quality(rng)
    )
    return nothing_there(ask("scale", path, "--division", "10um"), "wallpaper", "pixel_size")


KINDS: dict[str, Kind] = {
    **{f"no scale, {name}": (6, partial(drawn, what=name)) for name in DRAWN},
    "no scale, fence with taller posts": (12, partial(drawn, what="fence with taller posts")),
    "library photographs": (24, photograph),
    "wallpaper": (8, of_many),
}
