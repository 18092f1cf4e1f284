"""The response of one microscope relative to a finer one, from the same chip through both.

Where two photos of one chip are laid over each other to hundredths of a pixel, the finer one says what
the coarser one had to show. With X the finer picture brought to the coarser one's pixels by a known
Gaussian, and Y the coarser picture,

    H(f) = |S_xy| / (S_xx - N) x G(f) = gain x M_coarse(f) / M_fine(f / ratio),

S the spectra averaged over windows and directions (Welch 1967; Bendat and Piersol, Random Data, for
the transfer function of a system with noise at its output), N the noise of the finer picture, G the
Gaussian. The coherence S_xy^2 / (S_xx S_yy) says how much of Y is explained, hence the errors. The
gain, which is light and not detail, is told by the family fitted to H M_fine (`response_model`).
Frequencies in cycles per px of the coarser photo.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.detail.cross_spectra import (
    FINER_GRID,
    Spectra,
    cross_spectra,
    radius_of,
    reassigned_radius,
    rings_of,
    spectra_of,
)
from glassay.detail.line_result import MOST_VAGUE
from glassay.detail.relative_compressed import CompressedChip
from glassay.detail.response_model import FREQUENCY, PROCESSING_SHARE, Posterior, fit_bands
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.fitting import SIGMA_OF_MAD
from glassay.imaging.compression import light_step
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity

Float = npt.NDArray[np.float64]

METHOD = "same chip through a finer instrument"
LEAST_RATIO = 1.3
"""How much finer the pixels of the finer photo must be: below it, its own response, noise and sampling
weigh as much as the other's."""
GAUSSIAN_PX = 0.45
"""Standard deviation of the Gaussian by which the finer picture is brought down, px of the coarser: it
passes 4 % at 0.9 cycles/px, which is what folds back to 0.1, and still a third at Nyquist."""
LIKE_LIGHT = 0.7
"""Coherence up to 0.1 cycles/px below which the two pictures are lit too differently for one
to foretell the other: bright field against bright field gives 0.9 and more, dark field below 0.5."""
MODEL_SHARE = 0.015
"""Relative uncertainty of each band for what coherence does not show: interpolation, residual
shifts."""
MOST_QUANTISED = 0.5
"""Bands whose root mean square coefficient is below this many quantisation steps are left out: most of
their coefficients were rounded to nothing, which looks like a softer lens."""


@dataclass(frozen=True)
class RelativeResponse:
    """Response of the coarser photo over that of the finer one, times an unknown gain.

    In bands: `frequency` (n) in cycles/px of the coarser photo, `transfer` (n), its standard `error`.
    `coherence` at low frequencies; `ratio` of the pixel sizes; `brightness` the coarser photo's mean
    light over the finer one's, where both show the same.
    """

    frequency: Float
    transfer: Float
    error: Float
    coherence: float
    ratio: float
    brightness: float


@dataclass(frozen=True)
class AbsoluteResponse:
    """A response with its 95 % band, cycles/px, and its 50 % and 10 % frequencies where told.

    `bands` (3, n): frequency, modulation, standard error.
    """

    frequency: Float
    modulation: Float
    low: Float
    high: Float
    bands: Float
    frequency_50: Quantity | None
    frequency_10: Quantity | None

    def findings(self) -> Mapping[str, Finding]:
        """frequency_50 and frequency_10, cycles/px, where told."""
        both = (("frequency_50", self.frequency_50), ("frequency_10", self.frequency_10))
        return {key: Finding(found, METHOD) for key, found in both if found is not None}

    def evidence(self) -> dict[str, Any]:
        """The curve with its band, cycles/px, and the bands it was laid through."""
        return {
            "frequency": self.frequency, "modulation": self.modulation, "low": self.low,
            "high": self.high, "bands": self.bands,
        }  # fmt: skip


def absolute_response(
    relative: RelativeResponse, finer: Callable[[Float], Float], finer_u: float
) -> AbsoluteResponse:
    """The coarser photo's own response.

    `finer(f)` is the finer photo's response, f in cycles per px of that photo, whose frequencies are
    known to the relative standard uncertainty `finer_u`.
    Raises `NotMeasurable` where the finer one passes too little.
    """
    own = finer(relative.frequency / relative.ratio)
    seen = own > WEAKEST_FINER
    if seen.sum() < 6:
        raise NotMeasurable(
            "the finer instrument is not finer than the coarser one where it counts"
        )
    f, h = relative.frequency[seen], (relative.transfer * own)[seen]
    error = (relative.error * own)[seen]
    error = np.hypot(error, FLOOR_SHARE * float(h.max()))
    gain = (relative.brightness, GAIN_SHARE * relative.brightness)
    posterior, factor = fit_bands(f, h, error, gain)
    if float(np.median(h[-LAST_BANDS:])) > MOST_AT_END * factor:
        raise NotMeasurable(
            "the finer instrument shows too little beyond what the coarser one passes well: where the"
            " coarser one's response falls is not told"
        )
    told = [_told(posterior, level, finer_u) for level in (0.5, 0.1)]
    low, middle, high = np.percentile(posterior.curves, [2.5, 50, 97.5], axis=0)
    return AbsoluteResponse(
        FREQUENCY, middle, low, high, np.stack([f, h / factor, error / factor]), told[0], told[1]
    )


def _told(posterior: Posterior, level: float, finer_u: float) -> Quantity | None:
    """Where the response falls to `level`; None where it is not told.

    What is not known of the finer response's frequencies moves the product with it by less than that
    share, because there the finer response falls more slowly: taken whole.
    """
    draws = posterior.frequency_at(level)
    known = draws[np.isfinite(draws)]
    if len(known) < 0.9 * len(draws):
        return None
    low, middle, high = (float(v) for v in np.percentile(known, [15.87, 50, 84.13]))
    found = Quantity.of(middle, (high - low) / 2, "cycles/px", METHOD)
    found = found.with_contribution(
        "response of the finer instrument", finer_u * middle, scope="bench"
    )
    found = found.with_contribution("firmware", PROCESSING_SHARE * middle, scope="setting")
    return found if found.relative <= MOST_VAGUE else None


GAIN_SHARE = 0.06
"""Relative standard uncertainty of the gain of detail, taken from the ratio of brightness: stray light
and tone curves that differ from camera to camera part the two (common practice, no source)."""
LAST_BANDS, MOST_AT_END = 3, 0.5
"""Bands at the fine end, and the response there beyond which all that follows would be told by the
family alone: one that was still at 0.75, in other light, was led to a tenth within the next sixth. Of
pairs of the study that are right to 6 % it ends at 0.47 at the most."""
WEAKEST_FINER = 0.25
"""Modulation of the finer instrument below which its bands are left out: what it hardly shows itself
says little of the other."""


def relative_response(
    fine: FloatImage,
    coarse: FloatImage,
    to_fine: Callable[[Float], Float],
    ratio: float,
    tables: Mapping[int, Any] | None = None,
) -> RelativeResponse:
    """Measure the coarser photo's response relative to the finer one's.

    `fine` and `coarse` (height, width) in linear light; `to_fine` takes points (n, 2), (column, row),
    of the coarser photo to the finer one; `ratio` is the coarser photo's pixel size over the finer
    one's. `tables` are the quantisation tables of the coarser photo's JPEG, None where it was not
    compressed. Raises `NotMeasurable` when they
    share too little, are lit differently or hold no detail.
    """
    if ratio < LEAST_RATIO:
        raise NotMeasurable(
            f"the finer photo's pixels are only {ratio:.2g} times as fine; {LEAST_RATIO} are needed"
        )
    x, y, whole = _aligned(fine, coarse, to_fine, ratio)
    spectra = spectra_of(x, y, whole)
    radius = radius_of(spectra.side)
    noise = _noise_density(fine, ratio, radius)
    step = light_step(tables or {}, float(coarse.mean()))
    true = reassigned_radius(x, whole)
    used, f, h, error, coherence = _transfer(spectra, noise, radius, true, step)
    if coherence < LIKE_LIGHT:
        raise NotMeasurable(
            "the two photos are lit differently (detail of the one foretells only"
            f" {coherence:.0%} of the other's): their responses cannot be compared"
        )
    brightness = float(
        y[whole].mean() / max(float(x[::FINER_GRID, ::FINER_GRID][whole].mean()), 1e-12)
    )
    if tables and step is not None:
        photo = CompressedChip(y, x, FINER_GRID, whole, _gaussian, brightness, tables)

        def seen(pictures: Sequence[Float]) -> list[Float]:
            return [
                np.array([xy.real[ring].sum() for ring in used])
                for xy in cross_spectra(x, pictures, whole)
            ]

        h, lost = photo.put_right(f, h, seen)
        error = np.hypot(error, lost)
    return RelativeResponse(f, h, error, coherence, ratio, brightness)


def _gaussian(f: Float) -> Float:
    return np.asarray(np.exp(-2 * (np.pi * GAUSSIAN_PX * f) ** 2))


def _aligned(
    fine: FloatImage, coarse: FloatImage, to_fine: Callable[[Float], Float], ratio: float
) -> tuple[Float, Float, npt.NDArray[np.bool_]]:
    """The finer picture on a grid `FINER_GRID` times as dense as the coarser one's pixels, the coarser
    one, and where, on its own pixels, both are."""
    height, width = coarse.shape
    soft = cv2.GaussianBlur(np.asarray(fine, dtype=np.float32), (0, 0), GAUSSIAN_PX * ratio)
    columns, rows = np.meshgrid(
        np.arange(width * FINER_GRID) / FINER_GRID, np.arange(height * FINER_GRID) / FINER_GRID
    )
    places = to_fine(np.column_stack([columns.ravel(), rows.ravel()]))
    places = places.reshape(height * FINER_GRID, width * FINER_GRID, 2)
    reach = 3 * ratio
    limit = np.array([fine.shape[1] - 1 - reach, fine.shape[0] - 1 - reach])
    own = places[::FINER_GRID, ::FINER_GRID]
    whole: npt.NDArray[np.bool_] = np.all((own >= reach) & (own <= limit), axis=2)
    x = cv2.remap(
        soft, places[..., 0].astype(np.float32), places[..., 1].astype(np.float32),
        cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT,
    )  # fmt: skip
    return np.asarray(x, dtype=np.float64), np.asarray(coarse, dtype=np.float64), whole


def _noise_density(fine: FloatImage, ratio: float, radius: Float) -> Float:
    """Power spectrum of the finer picture's noise after the Gaussian, per pixel of the coarser one.

    The noise is taken as white; its variance from the median of second differences in both
    directions (Immerkaer 1996), which detail raises, so that the noise is rather over- than
    underestimated.
    """
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float32)
    rest = cv2.filter2D(np.asarray(fine, dtype=np.float32), -1, kernel)[1:-1, 1:-1]
    step = max(1, rest.size // 500_000)
    sigma = SIGMA_OF_MAD * float(np.median(np.abs(rest.ravel()[::step]))) / 6
    passed = np.exp(-4 * np.pi**2 * GAUSSIAN_PX**2 * radius**2)
    return np.asarray(sigma**2 / ratio**2 * passed)


def _transfer(
    spectra: Spectra,
    noise: Float,
    radius: Float,
    true: Float,
    quantised: Callable[[Float], Float] | None,
) -> tuple[list[npt.NDArray[np.bool_]], Float, Float, Float, float]:
    """Annuli by `radius`, frequency by the power's `true` radius, ratio, its standard error; and the
    coherence at low frequencies."""
    used, f, h, error, coherences = [], [], [], [], []
    for ring in rings_of(radius):
        xx = float((spectra.xx - noise)[ring].sum())
        raw = float(spectra.xx[ring].sum())
        yy = float(spectra.yy[ring].sum())
        xy = float(spectra.xy[ring].real.sum())
        if xx < 0.3 * raw or xy <= 0:  # hardly anything but noise in the finer picture
            continue
        middle = float(np.average(true[ring], weights=spectra.xx[ring]))
        if quantised is not None:
            strength = math.sqrt(yy / ring.sum())
            if strength < MOST_QUANTISED * float(quantised(np.array([middle]))[0]):
                continue
        coherence = min(xy**2 / (raw * yy), 0.9999)
        # Windows overlap by half: about half of them are independent (Welch 1967).
        independent = ring.sum() * max(1.0, spectra.windows / 2)
        relative = math.sqrt((1 - coherence) / (2 * coherence * independent))
        value = float((spectra.xy.real * _gaussian(true))[ring].sum()) / xx
        used.append(ring)
        f.append(middle)
        h.append(value)
        error.append(value * math.hypot(relative, MODEL_SHARE))
        coherences.append(coherence)
    low_bands = [c for place, c in zip(f, coherences, strict=True) if place < 0.1]
    if len(f) < 6 or not low_bands:
        raise NotMeasurable("the common piece of the chip holds too little detail")
    return used, np.array(f), np.array(h), np.array(error), float(np.median(low_bands))


FLOOR_SHARE = 0.003
"""Error of every band as a share of the largest: leakage between bands and aliases."""
