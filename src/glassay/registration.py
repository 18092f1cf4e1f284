"""How far one picture is shifted against another, to a few hundredths of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import fft

from glassay.imaging.tone import FloatImage

SEARCH_SIDE_PX = 1024
"""Side of the pieces that are compared. A megapixel of texture fixes a translation far better than
the drift of a bench needs, and keeps the cost independent of the photo's size."""

SMOOTHING_PX = 1.5
"""Smoothing before the gradient step: noise in gradients makes a shift look smaller than it is."""

CERTAIN_CORRELATION = 0.15
"""Correlation of the aligned, smoothed detail above which the shift is that of the scene. Different
chips correlate by up to 0.08 at their best match, faint but equal ones by 0.2 and more."""

FEATURE_CONTRAST = 0.015
"""Least contrast of a feature: below the library's 0.04, as chips in soft light show little (not
studied)."""

INDEPENDENT_PX = 4 * np.pi * SMOOTHING_PX**2
"""Pixels to one independent value of the smoothed detail (equivalent area of the smoothing)."""

FARTHEST_SHARE = 0.25
"""Movement, as a share of the smaller side, that still leaves enough in common."""

CHANCE_DEVIATIONS = 5.0
"""Standard deviations of a chance correlation that the best of all shifts tried may reach, and beyond
which a difference between powers of noise is none by chance."""


@dataclass(frozen=True, slots=True)
class Shift:
    """Displacement of the second picture's content against the first's, px, and how sure it is.

    `dx` is to the right, `dy` downwards. `correlation` is that of the aligned detail, -1..1;
    `chance` is what unrelated pictures of this size may reach.
    """

    dx: float
    dy: float
    correlation: float
    chance: float = 0.0

    @property
    def distance(self) -> float:
        """Length of the displacement in px."""
        return math.hypot(self.dx, self.dy)

    @property
    def is_certain(self) -> bool:
        """Whether the pictures share enough detail for the displacement to mean something."""
        return self.correlation >= max(CERTAIN_CORRELATION, self.chance)


def find_shift(first: FloatImage, second: FloatImage) -> Shift:
    """Translation between two pictures of equal shape (height, width), any scale of values.

    Coarse to fine: cross-correlation of both pictures reduced to `SEARCH_SIDE_PX`, again of a
    central piece at full resolution, then the gradient equation (Lucas and Kanade 1981) iterated
    for the sub-pixel part. Shifts up to almost half the picture are found; whether the two share
    any content at all is told by `Shift.is_certain`.
    """
    factor = max(1.0, max(first.shape) / SEARCH_SIDE_PX)
    dx = dy = 0
    if factor > 1:
        size = (round(first.shape[1] / factor), round(first.shape[0] / factor))
        coarse = _whole_pixel_shift(_reduced(first, size), _reduced(second, size))
        dx, dy = round(coarse[0] * factor), round(coarse[1] * factor)
    one, two = _overlapping_pieces(first, second, dx, dy)
    more_x, more_y = _whole_pixel_shift(one, two)
    dx, dy = dx + more_x, dy + more_y
    one, two = _overlapping_pieces(first, second, dx, dy)
    fine_x, fine_y, correlation = _sub_pixel_shift(one, two)
    chance = CHANCE_DEVIATIONS * math.sqrt(INDEPENDENT_PX / one.size)
    return Shift(dx + fine_x, dy + fine_y, correlation, chance)


def align(picture: FloatImage, shift: Shift) -> FloatImage:
    """The picture moved back by `shift`, by an exact sub-pixel shift of its spectrum.

    Interpolation would low-pass the picture and spoil what is measured afterwards. What leaves on
    one side enters on the other: crop by the shift.
    """
    height, width = picture.shape
    spectrum = fft.rfft2(picture)
    across = np.exp(2j * np.pi * shift.dx * fft.rfftfreq(width))
    down = np.exp(2j * np.pi * shift.dy * fft.fftfreq(height))
    spectrum *= (down[:, None] * across[None, :]).astype(np.complex64)
    return np.asarray(fft.irfft2(spectrum, s=picture.shape), dtype=np.float32)


def is_better_moved(a: FloatImage, b: FloatImage, shift: Shift) -> bool:
    """Whether undoing the movement makes the exposures more alike than chance would.

    Smooth scenes and fixed patterns have nothing by which a movement could be told, and nothing that
    a movement could spoil: whatever shift is found there, undoing it gains nothing.
    """
    edge = math.ceil(max(abs(shift.dx), abs(shift.dy))) + 8
    if 2 * edge + 32 > min(a.shape):
        return True  # moved by almost the whole photo: too little is left to doubt it
    fine_a, fine_b, fine_moved = (
        np.asarray(cv2.GaussianBlur(p, (0, 0), SMOOTHING_PX))[edge:-edge, edge:-edge]
        for p in (a, b, align(b, shift))
    )
    before, after = float(np.var(fine_a - fine_b)), float(np.var(fine_a - fine_moved))
    chance = math.sqrt(4 * INDEPENDENT_PX / fine_a.size)
    return before > (1 + CHANCE_DEVIATIONS * chance) * after


def _reduced(picture: FloatImage, size: tuple[int, int]) -> FloatImage:
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _overlapping_pieces(
    first: FloatImage, second: FloatImage, dx: int, dy: int
) -> tuple[FloatImage, FloatImage]:
    """Central pieces of equal shape that show the same content if the shift is (dx, dy)."""
    height, width = first.shape
    span_x, span_y = width - abs(dx), height - abs(dy)
    side_x, side_y = min(span_x, SEARCH_SIDE_PX), min(span_y, SEARCH_SIDE_PX)
    x = max(0, -dx) + (span_x - side_x) // 2
    y = max(0, -dy) + (span_y - side_y) // 2
    one = first[y : y + side_y, x : x + side_x]
    two = second[y + dy : y + dy + side_y, x + dx : x + dx + side_x]
    return one, two


def _whole_pixel_shift(first: FloatImage, second: FloatImage) -> tuple[int, int]:
    height, width = first.shape
    window = np.outer(np.hanning(height), np.hanning(width)).astype(np.float32)
    pair = [fft.rfft2(_detail(p) * window) for p in (first, second)]
    cross = np.conj(pair[0]) * pair[1]
    # Half-way between plain and phase correlation: repeated structure needs the whitening, noise
    # needs the weighting.
    cross /= np.sqrt(np.abs(cross)) + 1e-12
    surface = fft.irfft2(cross, s=first.shape)
    y, x = np.unravel_index(int(np.argmax(surface)), surface.shape)
    return (int(x) + width // 2) % width - width // 2, (int(y) + height // 2) % height - height // 2


def _detail(picture: FloatImage) -> FloatImage:
    fine = cv2.GaussianBlur(picture, (0, 0), SMOOTHING_PX)
    coarse = cv2.blur(picture, (25, 25))
    return np.asarray(fine - coarse, dtype=np.float32)


def _sub_pixel_shift(first: FloatImage, second: FloatImage) -> tuple[float, float, float]:
    one, two = _detail(first), _detail(second)
    inner = (slice(8, -8), slice(8, -8))  # beyond the reach of the shift's wrap-around
    dx = dy = 0.0
    moved = two
    for _ in range(3):
        step_x, step_y = _gradient_step(one[inner], moved[inner])
        dx, dy = dx + step_x, dy + step_y
        if max(abs(dx), abs(dy)) > 2:  # lost: the coarse search found nothing real
            break
        moved = align(two, Shift(dx, dy, 1.0))
        if max(abs(step_x), abs(step_y)) < 0.002:
            break
    a, b = one[inner].ravel(), moved[inner].ravel()
    norm = math.sqrt(float(np.vdot(a, a)) * float(np.vdot(b, b)))
    return dx, dy, float(np.vdot(a, b)) / norm if norm else 0.0


def _gradient_step(one: FloatImage, moved: FloatImage) -> tuple[float, float]:
    """What the second still lacks, from brightness difference = gradient x displacement."""
    middle = (one + moved) / 2
    gx = cv2.Sobel(middle, cv2.CV_32F, 1, 0, ksize=1, scale=0.5).ravel()
    gy = cv2.Sobel(middle, cv2.CV_32F, 0, 1, ksize=1, scale=0.5).ravel()
    difference = (one - moved).ravel()
    xx, yy, xy = (float(np.vdot(a, b)) for a, b in ((gx, gx), (gy, gy), (gx, gy)))
    bx, by = float(np.vdot(gx, difference)), float(np.vdot(gy, difference))
    determinant = xx * yy - xy * xy
    if determinant <= 1e-9 * (xx + yy) ** 2 or xx + yy == 0:
        return 0.0, 0.0  # nothing, or nothing but parallel lines: no step is defined
    return (bx * yy - by * xy) / determinant, (by * xx - bx * xy) / determinant
