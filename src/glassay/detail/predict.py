"""A drawing or a better capture as an instrument would show it, and how that compares with fact.

The scene is filtered with the instrument's measured response (which includes its pixel aperture) and
sampled at its pixels, so that detail beyond its Nyquist frequency folds back as it does in a real
picture. Nothing is sharpened. Where the source is a capture whose own response is known, that is
divided out as far as it carries.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity

Curve = npt.NDArray[np.float64]

METHOD = "measured response and sampling"
COARSEST_SOURCE = 0.7
"""Largest pixel of the source, in pixels of the instrument: the source then holds what folds back
from up to 0.71 cycles/px. A lens whose cut-off is twice the Nyquist frequency passes 0.18 there
(Goodman's formula), the pixel aperture 0.35, both together 0.06."""
WEAKEST_SOURCE = 0.2
"""Modulation of the source below which it is not divided out: noise would be enlarged fivefold."""
SMALLEST_PX = 32
"""Smaller predicted pictures show and compare nothing."""
MOST_PX = 60_000_000
"""Pixels of the source that are transformed at once (0.5 GB); larger ones are to be cropped."""


@dataclass(frozen=True)
class Response:
    """Modulation against frequency in cycles per px of the pictures it belongs to, pixel included.

    Beyond the last frequency it is taken as 0, below the first as 1.
    """

    frequency: Curve
    modulation: Curve

    def at(self, cycles_per_px: npt.ArrayLike) -> Curve:
        """Modulation at frequencies of any shape, between 0 and 1 (sharpening excepted)."""
        f = np.asarray(cycles_per_px, dtype=np.float64)
        found = np.interp(f, self.frequency, self.modulation, left=1.0, right=0.0)
        return np.asarray(np.maximum(found, 0.0), dtype=np.float64)


@dataclass(frozen=True)
class PredictedView:
    """`picture` (height, width) in linear light, `pixel_size_um` at the object."""

    picture: FloatImage
    pixel_size_um: float
    notes: tuple[str, ...]

    def findings(self) -> dict[str, Finding]:
        """Pixel size and size of the predicted picture."""
        height, width = self.picture.shape
        return {
            "pixel_size": Finding(Quantity(self.pixel_size_um, "um/px"), METHOD),
            "width": Finding(width, METHOD), "height": Finding(height, METHOD),
        }  # fmt: skip


def predict_view(
    scene: FloatImage,
    scene_pixel_um: float,
    response: Response,
    pixel_size_um: float,
    *,
    scene_response: Response | None = None,
) -> PredictedView:
    """What an instrument of this response and pixel size would show of a scene.

    `scene` (height, width) in linear light with square pixels of `scene_pixel_um` at the object;
    `response` in cycles per px of the instrument's pictures, which are `pixel_size_um` at the
    object. `scene_response` (cycles per px of the scene) is that of the capture that the scene is;
    None for a drawing, or taken as perfect. Raises `NotMeasurable` when the scene is coarser than
    the instrument, or too small or too large.
    """
    _refuse(scene, scene_pixel_um, pixel_size_um)
    ratio = pixel_size_um / scene_pixel_um
    filtered, notes = _filter(scene, response, ratio, scene_response)
    height, width = (math.floor(side / ratio) for side in scene.shape)
    # Pixel i of the instrument covers the scene's pixels i ratio ... (i + 1) ratio.
    offset = (ratio - 1) / 2
    picture = ndimage.affine_transform(
        filtered, [ratio, ratio], [offset, offset], (height, width), order=5, mode="mirror"
    )
    return PredictedView(np.asarray(picture, dtype=np.float32), pixel_size_um, tuple(notes))


def _refuse(scene: FloatImage, scene_pixel_um: float, pixel_size_um: float) -> None:
    if scene_pixel_um > COARSEST_SOURCE * pixel_size_um:
        raise NotMeasurable(
            f"the source has pixels of {scene_pixel_um:.3g} um; to show what pixels of"
            f" {pixel_size_um:.3g} um make of it, it takes {COARSEST_SOURCE * pixel_size_um:.3g} um"
            " or finer"
        )
    if scene.size > MOST_PX:
        raise NotMeasurable(f"the source has more than {MOST_PX // 10**6} million px; crop it")
    if min(scene.shape) * scene_pixel_um / pixel_size_um < SMALLEST_PX:
        raise NotMeasurable(
            f"the source covers fewer than {SMALLEST_PX} px of the instrument along one side"
        )


def _filter(
    scene: FloatImage, response: Response, ratio: float, own: Response | None
) -> tuple[npt.NDArray[np.float32], list[str]]:
    margin = math.ceil(8 * ratio)  # responses of eight instrument px reach beyond no picture's rim
    padded = np.pad(scene, margin, mode="reflect" if margin < min(scene.shape) else "edge")
    shape = [int(fft.next_fast_len(side, real=True)) for side in padded.shape]
    spectrum = fft.rfft2(padded - scene.mean(), shape)
    radius = np.hypot(fft.fftfreq(shape[0])[:, None], fft.rfftfreq(shape[1])[None, :])
    gain = response.at(radius * ratio)
    notes = []
    if own is not None:
        source = own.at(radius)
        trusted = source >= WEAKEST_SOURCE
        gain = np.where(trusted, gain / np.maximum(source, WEAKEST_SOURCE),
                        gain / WEAKEST_SOURCE)  # fmt: skip
        lost = _share_lost(response, own, ratio)
        if lost > 0.05:
            notes.append(
                f"the source itself no longer carries {lost:.0%} of what the instrument could pass;"
                " the prediction is softer than the instrument"
            )
    picture = fft.irfft2(spectrum * gain.astype(np.float32), shape)
    height, width = scene.shape
    inner = picture[margin : margin + height, margin : margin + width] + scene.mean()
    return np.asarray(inner, dtype=np.float32), notes


def _share_lost(response: Response, own: Response, ratio: float) -> float:
    """Share of the instrument's response (area up to Nyquist) that the source does not carry."""
    f = np.linspace(0.0, 0.5, 201)
    passed = response.at(f)
    carried = np.minimum(own.at(f / ratio) / WEAKEST_SOURCE, 1.0)
    return float(1 - (passed * carried).sum() / max(float(passed.sum()), 1e-12))


# ---- against the real capture --------------------------------------------------------------------


@dataclass(frozen=True)
class Preview:
    """A predicted view, and how it agrees with a real capture where there is one."""

    view: PredictedView
    agreement: ViewAgreement | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """Notes of both."""
        return (*self.view.notes, *(self.agreement.notes if self.agreement else ()))

    def findings(self) -> dict[str, Finding]:
        """Findings of both."""
        return self.view.findings() | (self.agreement.findings() if self.agreement else {})


@dataclass(frozen=True)
class ViewAgreement:
    """How a predicted view compares with a real capture of the same thing.

    `correlation` of the aligned pictures; `ratio` (at `frequency`, cycles/px) is the real detail
    over the predicted one, 1 where the prediction holds; `residual` what is left unexplained, as a
    share of the picture's own contrast. `aligned` is the predicted picture as it lies in the real
    one's `window` (x, y, width, height), brightness matched.
    """

    correlation: float
    ratio: Curve
    frequency: Curve
    residual: float
    rotation_deg: float
    window: tuple[int, int, int, int]
    aligned: FloatImage
    notes: tuple[str, ...] = ()

    def findings(self) -> dict[str, Finding]:
        """Correlation, unexplained share, and mean ratio of detail up to half the Nyquist frequency."""
        low = self.frequency <= 0.25
        mean = float(np.mean(self.ratio[low])) if low.any() else math.nan
        spread = float(np.std(self.ratio[low], ddof=1)) if low.sum() > 1 else 0.0
        bands = max(1, int(low.sum()))
        detail = Quantity.of(
            mean, spread / math.sqrt(bands), "1", "spread over bands", max(1, bands - 1)
        ).with_contribution(
            "responses and brightness common to all bands (assumed)",
            COMMON_U * mean,
            scope="setting",
        )
        return {
            "correlation": Finding(Quantity(self.correlation, "1"), "aligned pictures"),
            "unexplained": Finding(Quantity(self.residual, "1"), "aligned pictures"),
            "detail_ratio": Finding(detail, "cross spectrum, up to half the Nyquist frequency"),
        }


COMMON_U = 0.015
"""Relative standard uncertainty of the ratio of detail that all bands share: both edge responses, and
the brightness matched on coarse detail. Fifteen simulated captures with both responses measured were
off by 2.2 % rms, of which the spread over bands explains 1.4 %. Left undivided, the response of a
source of 0.3 um pixels (lens, pixel and mosaic) alone makes 6 to 8 %."""

FOUND = 0.5
"""Correlation of the aligned pictures below which they do not show the same thing."""
TEMPLATE_SHARE = 0.6
"""Middle part of the predicted picture that is searched for in the real one."""
SEARCH_PX = 1_000_000
"""Pixels of the real capture that are searched; larger captures are reduced for the search alone."""
COARSE_PX = 6.0
"""Blur that leaves coarse detail (below about 0.03 cycles/px), in which every response is near 1."""
LARGEST_TURN_DEG = 8.0
"""How far the object may lie turned; more is found by registration of photos, not here."""


def compare_views(predicted: FloatImage, real: FloatImage) -> ViewAgreement:
    """Find the predicted view in a real capture of the same scale, and compare the two.

    Both (height, width) in linear light, of one pixel size; the object may lie shifted anywhere and
    turned by up to `LARGEST_TURN_DEG`. Brightness and contrast are matched by a line. Raises
    `NotMeasurable` when the two do not show the same thing.
    """
    turn, x, y, template = _locate(predicted, real)
    warp = _refined(template, real, turn, x, y)
    height, width = template.shape
    warped = cv2.warpAffine(
        real, warp, (width, height), flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT,
    )  # fmt: skip
    rotation = math.degrees(math.atan2(float(warp[1, 0]), float(warp[0, 0])))
    window = (round(float(warp[0, 2])), round(float(warp[1, 2])), width, height)
    agreed = compare_aligned(template, np.asarray(warped, dtype=np.float32))
    return replace(agreed, rotation_deg=rotation, window=window)


def compare_aligned(predicted: FloatImage, real: FloatImage) -> ViewAgreement:
    """Compare a predicted view with a real capture that lies on it px for px, shapes (height, width).

    Brightness and contrast are matched by a line. Raises `NotMeasurable` when the two do not show
    the same thing.
    """
    height, width = predicted.shape
    a, b = predicted.astype(np.float64), real.astype(np.float64)
    correlation = float(np.corrcoef(a.ravel(), b.ravel())[0, 1])
    if not correlation >= FOUND:
        raise NotMeasurable(
            f"the two pictures do not show the same thing (correlation {correlation:.2f})"
        )
    slope, level = _brightness(a, b)
    residual = float(np.std(b - (slope * a + level)) / max(float(np.std(b)), 1e-12))
    frequency, ratio = _detail_ratio(a * slope, b)
    return ViewAgreement(
        correlation, ratio, frequency, residual, 0.0, (0, 0, width, height),
        np.asarray(slope * a + level, dtype=np.float32),
    )  # fmt: skip


def _brightness(a: npt.NDArray[np.float64], b: npt.NDArray[np.float64]) -> tuple[float, float]:
    """Slope and level that bring a to b, from coarse detail alone: a lack of fine detail is not a
    matter of brightness."""
    one, two = (ndimage.gaussian_filter(picture, COARSE_PX).ravel() for picture in (a, b))
    slope, level = np.polyfit(one, two, 1)
    return float(slope), float(level)


def _locate(predicted: FloatImage, real: FloatImage) -> tuple[float, float, float, FloatImage]:
    """Turn and place of the predicted picture's middle in the real one, to a few px."""
    height, width = predicted.shape
    th = min(int(TEMPLATE_SHARE * height), real.shape[0] - 8)
    tw = min(int(TEMPLATE_SHARE * width), real.shape[1] - 8)
    if min(th, tw) < SMALLEST_PX:
        raise NotMeasurable("the pictures share too few px to be compared")
    top, left = (height - th) // 2, (width - tw) // 2
    template = np.ascontiguousarray(predicted[top : top + th, left : left + tw])
    best = (-1.0, 0.0, 0.0, 0.0)
    factor = max(1.0, math.sqrt(real.size / SEARCH_PX))
    smooth = _reduced(real, factor)
    for turn in np.arange(-LARGEST_TURN_DEG, LARGEST_TURN_DEG + 0.1, 1.0):
        middle = ((width - 1) / 2, (height - 1) / 2)
        turned = cv2.warpAffine(
            predicted, cv2.getRotationMatrix2D(middle, float(turn), 1.0), (width, height),
            borderMode=cv2.BORDER_REFLECT,
        )  # fmt: skip
        middle_part = np.asarray(turned[top : top + th, left : left + tw], dtype=np.float32)
        part = _reduced(middle_part, factor)
        scores = cv2.matchTemplate(smooth, part, cv2.TM_CCOEFF_NORMED)
        _, score, _, (x, y) = cv2.minMaxLoc(np.nan_to_num(scores, nan=-1.0))
        if score > best[0]:
            best = (float(score), float(turn), x * factor, y * factor)
    if best[0] < FOUND / 2:
        raise NotMeasurable(
            f"the predicted view is not found in the capture (best correlation {best[0]:.2f})"
        )
    return best[1], best[2], best[3], template


def _reduced(picture: npt.NDArray[np.float32], factor: float) -> npt.NDArray[np.float32]:
    """Smoothed and made smaller by a factor, for the search."""
    smooth = cv2.GaussianBlur(picture, (0, 0), 2.0 * factor)
    size = (max(1, round(picture.shape[1] / factor)), max(1, round(picture.shape[0] / factor)))
    reduced = cv2.resize(smooth, size, interpolation=cv2.INTER_AREA) if factor > 1 else smooth
    return np.ascontiguousarray(reduced, dtype=np.float32)


def _refined(
    template: FloatImage, real: FloatImage, turn: float, x: float, y: float
) -> npt.NDArray[np.float32]:
    """Sub-pixel shift and rotation (Evangelidis and Psarakis 2008, OpenCV's implementation)."""
    height, width = template.shape
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    cx, cy = (width - 1) / 2, (height - 1) / 2
    # OpenCV turns counter-clockwise on screen: template point p lies at R (p - c) + c + (x, y).
    start = np.array(
        [[cos, sin, cx - cos * cx - sin * cy + x], [-sin, cos, cy + sin * cx - cos * cy + y]],
        dtype=np.float32,
    )
    rule = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-7)
    try:
        _, warp = cv2.findTransformECC(
            template,
            np.ascontiguousarray(real),
            start,
            cv2.MOTION_EUCLIDEAN,
            rule,
            np.full(real.shape, 255, dtype=np.uint8),
            5,
        )
    except cv2.error:
        raise NotMeasurable("the two pictures could not be aligned") from None
    return np.asarray(warp, dtype=np.float32)


def _detail_ratio(
    predicted: npt.NDArray[np.float64], real: npt.NDArray[np.float64]
) -> tuple[Curve, Curve]:
    """Real over predicted detail in rings of frequency: the cross spectrum over the power.

    Noise of the real capture is not in the cross spectrum's mean, so it does not raise the ratio.
    Rings in which the prediction holds less than a ten-thousandth of its power are left out.
    """
    window = np.outer(np.hanning(predicted.shape[0]), np.hanning(predicted.shape[1]))
    one = fft.rfft2((predicted - predicted.mean()) * window)
    two = fft.rfft2((real - real.mean()) * window)
    radius = np.hypot(
        fft.fftfreq(predicted.shape[0])[:, None], fft.rfftfreq(predicted.shape[1])[None, :]
    )
    ring = np.minimum((radius / 0.025).astype(int), 20)
    cross = np.bincount(ring.ravel(), (two * one.conj()).real.ravel(), 21)
    power = np.bincount(ring.ravel(), (np.abs(one) ** 2).ravel(), 21)
    keep = (power > 1e-4 * power.sum()) & (np.arange(21) < 20) & (np.arange(21) > 0)
    frequency = (np.arange(21) + 0.5) * 0.025
    return frequency[keep], cross[keep] / power[keep]
