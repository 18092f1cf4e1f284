"""Dies whose size and pads are known, and what is no die, before surrounds that mislead."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np

from studies.attack.case import (
    CRASH,
    LOST,
    REFUSED,
    RIGHT,
    WRONG,
    Answer,
    Kind,
    Outcome,
    ask,
    nothing_there,
)
from studies.attack.drawing import (
    FINER,
    Image,
    canvas,
    disc,
    exposed,
    fill,
    line,
    rectangle,
    saved,
    some_quality,
    turned,
    words,
)
from studies.attack.scenes import PHOTOS, library_photo

WIDE, HIGH = 640, 480
Rng = np.random.Generator
Box = tuple[float, float, float, float]


def some_box(rng: Rng) -> Box:
    w, h = float(rng.uniform(230, 380)), float(rng.uniform(180, 290))
    x = WIDE / 2 - w / 2 + float(rng.uniform(-30, 30))
    return x, HIGH / 2 - h / 2 + float(rng.uniform(-20, 20)), w, h


def draw_die(sheet: Image, rng: Rng, box: Box, ground: float = 0.35) -> int:
    """Ground, blocks, wires, and pads along the rim. Returns the number of pads."""
    x, y, w, h = box
    rectangle(sheet, box, ground)
    for _ in range(120):
        bw, bh = (float(v) for v in rng.uniform(3, 40, 2))
        bx, by = (
            float(rng.uniform(a + 28, a + n - 30 - s)) for a, n, s in ((x, w, bw), (y, h, bh))
        )
        rectangle(sheet, (bx, by, bw, bh), float(rng.uniform(0.1, 0.75)))
    side, pads = float(rng.uniform(10, 14)), 0
    step = side * float(rng.uniform(1.6, 2.2))
    for top in (y + 7, y + h - 7 - side):
        for n in range(int((w - 2 * 30) / step)):
            rectangle(sheet, (x + 30 + n * step, top, side, side), 0.95)
            pads += 1
    return pads


def said(answer: Answer, box: Box, pads: int | None = None, *, good: bool = False) -> Outcome:
    """Sort width and height (3 u, or 0.3 px of this drawing), and pads, all of which must be found."""
    if answer.status == 1:
        return Outcome(CRASH, answer.err[-160:])
    if not answer.measured:
        return Outcome(LOST if good else REFUSED, answer.reason[:140])
    for key, true in zip(("width", "height"), box[2:], strict=True):
        told = float(answer.value(key))
        if abs(told - true) > max(3 * answer.u(key), 0.3):
            return Outcome(
                WRONG, f"{key} {told:.5g} (u {answer.u(key):.2g}), truth {true:.5g}; {answer.notes}"
            )
    if pads is not None and answer.value("pads") != pads:
        return Outcome(WRONG, f"pads {answer.value('pads')}, truth {pads}; {answer.notes}")
    return Outcome(RIGHT)


def photo_of(sheet: Image, rng: Rng, folder: Path, tilt: float = 5.0) -> Path:
    seen = turned(sheet, float(rng.uniform(-tilt, tilt)), fill=float(sheet[8, 8]))
    photo = exposed(seen, rng, blur=float(rng.uniform(0.4, 1.3)), noise=0.01)
    return saved(photo, folder / "p", some_quality(rng))


def plain(rng: Rng, folder: Path) -> Outcome:
    sheet, box = canvas(WIDE, HIGH, float(rng.choice([0.05, 0.9]))), some_box(rng)
    pads = draw_die(sheet, rng, box)
    return said(ask("die", photo_of(sheet, rng, folder)), box, pads, good=True)


def on_paddle(rng: Rng, folder: Path) -> Outcome:
    """Glued on a rectangle of metal, larger than the die, in a darker package."""
    sheet, box = canvas(WIDE, HIGH, 0.06), some_box(rng)
    more = float(rng.uniform(14, 70))
    x, y, w, h = box
    rectangle(sheet, (x - more, y - more, w + 2 * more, h + 2 * more), float(rng.uniform(0.5, 0.8)))
    draw_die(sheet, rng, box, 0.3)
    return said(ask("die", photo_of(sheet, rng, folder)), box)


def in_cavity(rng: Rng, folder: Path) -> Outcome:
    """In the pit of a ceramic package: ledge with fingers of metal around the die."""
    sheet, box = canvas(WIDE, HIGH, 0.75), some_box(rng)
    more = float(rng.uniform(30, 55))
    x, y, w, h = box
    outer = (x - more, y - more, w + 2 * more, h + 2 * more)
    rectangle(sheet, outer, 0.2)
    for n in range(int(outer[2] / 24)):
        for top in (outer[1], outer[1] + outer[3] - 16):
            rectangle(sheet, (outer[0] + 6 + 24 * n, top, 13, 16), 0.9)
    draw_die(sheet, rng, box, 0.45)
    return said(ask("die", photo_of(sheet, rng, folder)), box)


def beside_shadow(rng: Rng, folder: Path) -> Outcome:
    """Light from one side: a shadow on two sides, darker or lighter than the die's ground (0.35)."""
    sheet, box = canvas(WIDE, HIGH, 0.8), some_box(rng)
    off = float(rng.uniform(4, 20))
    x, y, w, h = box
    shade = float(rng.choice([rng.uniform(0.12, 0.27), rng.uniform(0.43, 0.6)]))
    rectangle(sheet, (x + off, y + off, w, h), shade)
    draw_die(sheet, rng, box, 0.35)
    return said(ask("die", photo_of(sheet, rng, folder)), box)


def in_glue(rng: Rng, folder: Path) -> Outcome:
    """A fillet of glue around the die, of uneven width."""
    sheet, box = canvas(WIDE, HIGH, 0.8), some_box(rng)
    x, y, w, h = box
    wide = float(rng.uniform(4, 16))
    for t in np.linspace(0, 1, 60):
        for px, py in ((x + t * w, y), (x + t * w, y + h), (x, y + t * h), (x + w, y + t * h)):
            disc(sheet, (px, py), wide * float(rng.uniform(0.7, 1.3)), 0.5)
    draw_die(sheet, rng, box, 0.3)
    return said(ask("die", photo_of(sheet, rng, folder)), box)


def leaning(rng: Rng, folder: Path) -> Outcome:
    """Looked at from one side: opposite sides differ by percents. The mean of both is the truth."""
    sheet, box = canvas(WIDE, HIGH, 0.05), some_box(rng)
    draw_die(sheet, rng, box)
    lean = float(rng.uniform(0.01, 0.06)) / WIDE / FINER
    m = np.array([[1, 0, 0], [0, 1, 0], [lean, 0, 1]], np.float64)
    high, wide = sheet.shape
    middle = np.array([[1, 0, wide / 2], [0, 1, high / 2], [0, 0, 1.0]])
    seen = cv2.warpPerspective(
        sheet, middle @ m @ np.linalg.inv(middle), (wide, high), borderValue=0.05
    )
    photo = saved(exposed(seen, rng, blur=0.7), folder / "p", some_quality(rng))
    x, y, w, h = box
    corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]) - (WIDE / 2, HIGH / 2)
    a, b, c, d = corners / (1 + lean * FINER * corners[:, :1])
    size = (
        (np.hypot(*(b - a)) + np.hypot(*(c - d))) / 2,
        (np.hypot(*(d - a)) + np.hypot(*(c - b))) / 2,
    )
    return said(ask("die", photo), (x, y, float(size[0]), float(size[1])))


def among_neighbours(rng: Rng, folder: Path) -> Outcome:
    """Not yet sawn: neighbours on all sides beyond narrow streets. No die is wholly alone."""
    sheet = canvas(WIDE, HIGH, 0.85)
    w, h, street = (
        float(rng.uniform(190, 260)),
        float(rng.uniform(150, 200)),
        float(rng.uniform(6, 14)),
    )
    for i in range(-1, 2):
        for j in range(-1, 2):
            box = (WIDE / 2 + (i - 0.5) * (w + street), HIGH / 2 + (j - 0.5) * (h + street), w, h)
            draw_die(sheet, rng, box)
    answer = ask("die", photo_of(sheet, rng, folder))
    x, y = WIDE / 2 - (w + street) / 2, HIGH / 2 - (h + street) / 2
    return said(answer, (x, y, w, h))


def cut_off(rng: Rng, folder: Path) -> Outcome:
    """A side lies beyond the picture's border."""
    sheet = canvas(WIDE, HIGH, float(rng.choice([0.05, 0.9])))
    draw_die(sheet, rng, (float(rng.uniform(250, 420)), 110, 380, 260))
    return nothing_there(ask("die", photo_of(sheet, rng, folder, 1.0)), "cut off", "width")


def no_pads(answer: Answer, what: str) -> Outcome:
    """No pads there; to say so, or to doubt those that were found, is right."""
    if answer.measured and answer.value("pads") == 0:
        return Outcome(REFUSED, "no pads found")
    return nothing_there(answer, what, "pads", warning="pads are few")


def sheet_of_type(rng: Rng, folder: Path) -> Outcome:
    """A label or a page on a table: a rectangle with lines of type."""
    sheet, box = canvas(WIDE, HIGH, 0.12), some_box(rng)
    rectangle(sheet, box, 0.85)
    size = float(rng.uniform(9, 18))
    for row in range(int((box[3] - 20) / size / 1.5)):
        text = "".join(rng.choice(list("ABDEHIKLMN 0123456789"), int((box[2] - 24) / size)))
        words(sheet, text, (box[0] + 10, box[1] + 14 + (row + 0.8) * 1.5 * size), size)
    return no_pads(ask("die", photo_of(sheet, rng, folder)), "a page of type")


def photograph(rng: Rng, folder: Path, *, framed: bool) -> Outcome:
    """A library photograph, or a print of it on a table."""
    image = library_photo(PHOTOS[int(rng.integers(len(PHOTOS)))])
    if not framed:
        small = cv2.resize(np.ascontiguousarray(image), (WIDE, HIGH), interpolation=cv2.INTER_AREA)
        return nothing_there(ask("die", saved(small, folder / "p", 90)), "a photograph", "width")
    sheet, box = canvas(WIDE, HIGH, float(rng.choice([0.05, 0.9]))), some_box(rng)
    grey = (image.mean(2) if image.ndim == 3 else image).astype(np.float32) / 255
    x, y, w, h = (round(v * FINER) for v in box)
    sheet[y : y + h, x : x + w] = cv2.resize(
        0.05 + 0.8 * grey**2, (w, h), interpolation=cv2.INTER_AREA
    )
    return no_pads(ask("die", photo_of(sheet, rng, folder)), "a print")


def keys(rng: Rng, folder: Path) -> Outcome:
    """A keypad, a tray of tiles, a window with panes: bright squares in rows, on a rectangle."""
    sheet, box = canvas(WIDE, HIGH, 0.08), some_box(rng)
    rectangle(sheet, box, 0.25)
    x, y, w, h = box
    across, down = int(rng.integers(3, 9)), int(rng.integers(3, 7))
    for i in range(across):
        for j in range(down):
            key = (
                x + (i + 0.15) * w / across,
                y + (j + 0.15) * h / down,
                0.7 * w / across,
                0.7 * h / down,
            )
            rectangle(sheet, key, 0.8)
    return no_pads(ask("die", photo_of(sheet, rng, folder)), "keys")


def in_glass(rng: Rng, folder: Path) -> Outcome:
    """Under a cover that mirrors it: a fainter image some px aside."""
    sheet, box = canvas(WIDE, HIGH, 0.05), some_box(rng)
    draw_die(sheet, rng, box)
    off = (float(rng.uniform(6, 18)) * FINER, float(rng.uniform(3, 12)) * FINER)
    ghost = cv2.warpAffine(sheet, np.array([[1, 0, off[0]], [0, 1, off[1]]]), sheet.shape[::-1],
                           borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    seen = sheet + float(rng.uniform(0.1, 0.3)) * ghost
    return said(ask("die", photo_of(seen.astype(np.float32), rng, folder)), box)


def street_of(rng: Rng, folder: Path) -> Outcome:
    """A bare street around the seal ring, nearly as dark as the surround: the cut is its outer end."""
    sheet, box = canvas(WIDE, HIGH, 0.05), some_box(rng)
    x, y, w, h = box
    rectangle(sheet, box, float(rng.uniform(0.1, 0.2)))
    wide = float(rng.uniform(4, 10))
    inner = (x + wide, y + wide, w - 2 * wide, h - 2 * wide)
    draw_die(sheet, rng, inner, 0.4)
    for a, b in (((x + wide, y + wide), (x + w - wide, y + wide)),
                 ((x + wide, y + h - wide), (x + w - wide, y + h - wide))):  # fmt: skip
        line(sheet, a, b, 2.0, 0.9)
    return said(ask("die", photo_of(sheet, rng, folder)), box)


def shade(sheet: Image, box: Box, off: tuple[float, float], soft: float, by: float) -> None:
    """A soft (px, standard deviation) box moved by `off`: the sheet's light there times 1 - by."""
    body = canvas(WIDE, HIGH, 0.0)
    rectangle(body, (box[0] + off[0], box[1] + off[1], box[2], box[3]), 1.0)
    sheet *= 1 - by * cv2.GaussianBlur(body, (0, 0), soft * FINER)


def grown(box: Box, by: float) -> Box:
    x, y, w, h = box
    return x - by, y - by, w + 2 * by, h + 2 * by


def rim(sheet: Image, box: Box, wide: float, light: float) -> None:
    """A ring along the inside of a box."""
    x, y, w, h = box
    for part in (
        (x, y, w, wide),
        (x, y + h - wide, w, wide),
        (x, y, wide, h),
        (x + w - wide, y, wide, h),
    ):
        rectangle(sheet, part, light)


def soft_photo(sheet: Image, rng: Rng, folder: Path) -> Path:
    """In or somewhat out of focus, JPEG 70 to 95 or raw."""
    seen = turned(sheet, float(rng.uniform(-6, 6)), fill=float(sheet[8, 8]))
    blur = float(rng.uniform(0.4, 1.4) if rng.random() < 0.65 else rng.uniform(1.4, 2.6))
    photo = exposed(seen, rng, blur=blur, noise=float(rng.uniform(0.004, 0.015)))
    return saved(photo, folder / "p", [None, 95, 88, 80, 70][int(rng.integers(5))])


def in_focus_or_not(rng: Rng, folder: Path) -> Outcome:
    """Nothing around the die, in a soft picture: pads close to the edge must not pull it."""
    sheet, box = canvas(WIDE, HIGH, float(rng.choice([0.05, 0.9]))), some_box(rng)
    draw_die(sheet, rng, box, float(rng.uniform(0.25, 0.5)))
    return said(ask("die", soft_photo(sheet, rng, folder)), box, good=True)


def soft_shadow(rng: Rng, folder: Path, *, ringed: bool = False) -> Outcome:
    """A shadow with a penumbra, from any direction, beside a die without or with a seal ring."""
    sheet, box = canvas(WIDE, HIGH, float(rng.uniform(0.55, 0.88))), some_box(rng)
    turn = float(rng.uniform(0, 360)) if rng.random() < 0.5 else 90.0 * int(rng.integers(4))
    way = np.radians(turn)
    far = float(rng.uniform(2, 22))
    off = (far * float(np.cos(way)), far * float(np.sin(way)))
    shade(sheet, box, off, float(rng.uniform(0.5, 8)), float(rng.uniform(0.15, 0.85)))
    inner = box
    if ringed:
        rectangle(sheet, box, float(rng.uniform(0.3, 0.6)))
        inner = grown(box, -float(rng.uniform(1.5, 9)))
    draw_die(sheet, rng, inner, float(rng.uniform(0.15, 0.5)))
    if ringed:
        rim(sheet, inner, float(rng.uniform(1, 2.5)), 0.9)
    return said(ask("die", soft_photo(sheet, rng, folder)), box)


def shadow_all_round(rng: Rng, folder: Path) -> Outcome:
    """Even light from all sides: darker on the ground all along the foot of the die."""
    sheet, box = canvas(WIDE, HIGH, float(rng.uniform(0.5, 0.85))), some_box(rng)
    around = grown(box, float(rng.uniform(0, 4)))
    shade(sheet, around, (0, 0), float(rng.uniform(1, 6)), float(rng.uniform(0.2, 0.7)))
    draw_die(sheet, rng, box, float(rng.uniform(0.15, 0.45)))
    return said(ask("die", soft_photo(sheet, rng, folder)), box)


def beside_glow(rng: Rng, folder: Path) -> Outcome:
    """Light that the die throws on a dark ground."""
    sheet, box = canvas(WIDE, HIGH, float(rng.uniform(0.04, 0.1))), some_box(rng)
    off = (float(rng.uniform(-10, 10)), float(rng.uniform(-10, 10)))
    shade(sheet, box, off, float(rng.uniform(0.7, 6)), -float(rng.uniform(1, 5)))
    draw_die(sheet, rng, box, float(rng.uniform(0.25, 0.5)))
    return said(ask("die", soft_photo(sheet, rng, folder)), box)


def ringed(rng: Rng, folder: Path, *, uneven: bool = False) -> Outcome:
    """A seal ring or a bare street 1 to 14 px wide, all around alike or left so by the saw."""
    dark = bool(rng.random() < 0.6)
    sheet, box = canvas(WIDE, HIGH, 0.05 if dark else 0.8), some_box(rng)
    rectangle(sheet, box, float(rng.uniform(0.08, 0.25) if dark else rng.uniform(0.3, 0.7)))
    left, top, right, bottom = (
        (float(v) for v in rng.uniform(1, 12, 4)) if uneven else [float(rng.uniform(1, 14))] * 4
    )
    x, y, w, h = box
    inner = (x + left, y + top, w - left - right, h - top - bottom)
    draw_die(sheet, rng, inner, float(rng.uniform(0.2, 0.45)))
    if rng.random() < 0.7:
        rim(sheet, inner, float(rng.uniform(0.8, 3.5)), float(rng.uniform(0.5, 0.95)))
    return said(ask("die", soft_photo(sheet, rng, folder)), box)


def chipped(rng: Rng, folder: Path) -> Outcome:
    """Bites out of the edge of 1 to 6 px on 5 to 40 % of its length; the cut is the truth."""
    ground = float(rng.choice([0.05, 0.85]))
    sheet, box = canvas(WIDE, HIGH, ground), some_box(rng)
    draw_die(sheet, rng, box, float(rng.uniform(0.25, 0.5)))
    x, y, w, h = box
    share, size = float(rng.uniform(0.05, 0.4)), float(rng.uniform(1, 6))
    for side, long in enumerate((w, h, w, h)):
        at = 0.0
        while at < long - 4 * size:
            wide, deep = size * float(rng.uniform(1.5, 4)), size * float(rng.uniform(0.2, 1))
            at += wide / share * float(rng.uniform(0.3, 1.7))
            bite = np.array(
                [
                    (at, -0.6),
                    (at + 0.2 * wide, 0.7 * deep),
                    (at + 0.6 * wide, deep),
                    (at + wide, -0.6),
                ]
            )
            if side % 2:
                bite = bite[:, ::-1]
            bite = np.abs(np.array([w if side == 1 else 0, h if side == 2 else 0]) - bite)
            fill(sheet, bite * [1, 1] + [x, y], ground)
    return said(ask("die", soft_photo(sheet, rng, folder)), box)


def with_wall(rng: Rng, folder: Path) -> Outcome:
    """Seen askew: a sawn wall, lighter or darker than the die, beside one or two of its sides."""
    ground, light = float(rng.choice([0.05, 0.85])), float(rng.uniform(0.25, 0.5))
    sheet, box = canvas(WIDE, HIGH, ground), some_box(rng)
    off = [float(rng.choice([-1, 1]) * rng.uniform(1.5, 8)) for _ in range(2)]
    off[1] *= float(rng.random() < 0.5)
    wall = max(0.03, light + 0.3 * float(rng.choice([-1, 1])) * abs(light - ground))
    for t in np.linspace(0, 1, 25):
        rectangle(sheet, (box[0] + t * off[0], box[1] + t * off[1], box[2], box[3]), wall)
    draw_die(sheet, rng, box, light)
    return said(ask("die", soft_photo(sheet, rng, folder)), box)


KINDS: dict[str, Kind] = {
    "die on an even ground": (8, plain),
    "die on a paddle of metal": (10, on_paddle),
    "die in a cavity": (6, in_cavity),
    "die beside its shadow": (10, beside_shadow),
    "die in a fillet of glue": (6, in_glue),
    "die that leans": (8, leaning),
    "die not yet sawn": (6, among_neighbours),
    "die cut off by the border": (6, cut_off),
    "die under glass": (6, in_glass),
    "die with a bare street": (8, street_of),
    "die, soft focus": (8, in_focus_or_not),
    "die beside a soft shadow": (8, soft_shadow),
    "die with ring and shadow": (8, partial(soft_shadow, ringed=True)),
    "die, shadow all round": (8, shadow_all_round),
    "die beside a glow": (8, beside_glow),
    "die with a seal ring": (10, ringed),
    "die sawn off its middle": (10, partial(ringed, uneven=True)),
    "die, chipped": (8, chipped),
    "die with its wall seen": (8, with_wall),
    "no die, page of type": (6, sheet_of_type),
    "no die, keys": (8, keys),
    "no die, print on a table": (10, partial(photograph, framed=True)),
    "no die, photograph": (10, partial(photograph, framed=False)),
}
