"""Two exposures of one scene: how far up they agree, and what differs between them.

Fourier ring correlation: the spectra of two exposures are correlated ring by ring. Scene detail is
common to both, noise is not, so the correlation falls from 1 to 0, and where it falls below 1/7 the
detail ends that this instrument shows of this scene in this light (Rosenthal and Henderson 2003
for the threshold, there for half sets; Banterle et al. 2013 and Nieuwenhuizen et al. 2013 for
optical microscopy). Any texture serves as the object, a chip for instance.

What repeats without being detail counts as detail here: fixed-pattern noise and compression
patterns. Row and column noise is left out; the rest is looked for and warned about, and a scene
moved by some px between the exposures gets rid of it.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.detail.alike import checked_likeness, refuse_other_strength, to_equal_light
from glassay.detail.repeat_result import Curve, RepeatResult, RingCorrelation
from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity
from glassay.registration import FARTHEST_SHARE, Shift, align, find_shift

THRESHOLD = 1 / 7
"""Correlation of two exposures whose mean has a correlation of 1/2 with the true scene (Rosenthal
and Henderson 2003): signal to noise power of 1/6 in one exposure."""

SMALLEST_SIDE_PX = 96

TAPER = 0.25
"""Share of each side that the window tapers (Tukey): enough against the cross that the picture's
borders put into the spectrum, while most of the picture counts in full."""

WINDOW_EFFICIENCY = (1 - 5 * TAPER / 8) ** 2 / (1 - 93 * TAPER / 128)
"""Independent coefficients per coefficient of a windowed picture, one axis: (sum w^2)^2 / (n sum
w^4) of the Tukey window, (1 - 5a/8)^2 / (1 - 93a/128)."""

AXIS_BINS = 2
"""Coefficients within this many bins of the axes are left out: row and column noise repeats."""

FIT_RINGS = 8
"""Rings on either side of the crossing through which a line is laid."""

WEDGE_DEG = 30.0
"""Half angle of the directions that count as along x or along y."""

STILL_PX = 1.5
"""Movement above which fixed pattern and scene no longer coincide."""

PATTERN_CORRELATION = 0.03
"""Correlation left beyond the detail above which a warning is given (and 4 standard deviations)."""


def repeat_exposures(
    frames: Sequence[FloatImage],
    *,
    pixel_size: Quantity | None = None,
    notes: tuple[str, ...] = (),
) -> RepeatResult:
    """Compare exposures of one still scene, each (height, width) in linear light.

    `pixel_size` in um/px adds results on the object. The scene may have moved between exposures; it
    is registered to sub-pixel. Raises NotMeasurable for fewer than two frames, frames of different
    size, copies of one exposure, flat or small frames, frames that moved too far or show different
    scenes, and frames that share no detail.
    """
    from scipy.signal.windows import tukey  # scipy.stats comes with it: a second of loading

    _refuse(frames)
    frames = to_equal_light(frames)
    shifts = tuple(_checked_shift(frames[0], frame) for frame in frames[1:])
    aligned = _common_part(frames, shifts)
    height, width = aligned[0].shape
    window = np.outer(tukey(height, TAPER), tukey(width, TAPER)).astype(np.float32)
    spectra = [fft.rfft2(_without_stripes(frame) * window) for frame in aligned]
    pairs = list(itertools.pairwise(spectra))
    rings, rings_x, rings_y = (_correlate(pairs, (height, width), way) for way in (None, "x", "y"))
    cutoffs = [_cutoff(one) for one in (rings, rings_x, rings_y)]
    refuse_other_strength((rings, rings_x, rings_y))
    following = [
        checked_likeness(a, b, way, cutoffs[0][0].value)
        for (a, b), way in zip(itertools.pairwise(aligned), _ways(shifts), strict=True)
    ]
    differences = [(a - b) * np.float32(0.5**0.5) for a, b in itertools.pairwise(aligned)]
    noise = _temporal_noise(differences, following)
    noise_frequency_x, noise_x = _noise_spectrum(differences, 1)
    noise_frequency_y, noise_y = _noise_spectrum(differences, 0)
    still = _stood_still(shifts)
    # What repeats up to the pixels' limit may be the camera's, in a direction where it ends, too.
    is_unknown = cutoffs[0][1] and still
    ends = [None if is_unknown or (is_open and still) else end for end, is_open in cutoffs]
    return RepeatResult(
        width=width,
        height=height,
        rings=rings,
        rings_x=rings_x,
        rings_y=rings_y,
        frc_cutoff=ends[0],
        frc_cutoff_x=ends[1],
        frc_cutoff_y=ends[2],
        reaches_nyquist=cutoffs[0][1],
        temporal_noise=noise,
        mean_level=float(np.mean(aligned[0])),
        noise_frequency_x=noise_frequency_x,
        noise_x=noise_x,
        noise_frequency_y=noise_frequency_y,
        noise_y=noise_y,
        shifts=shifts,
        pixel_size=pixel_size,
        notes=notes + _repeat_notes(rings, cutoffs[0], shifts) + _noise_notes(following),
    )


def _refuse(frames: Sequence[FloatImage]) -> None:
    if len(frames) < 2:
        raise NotMeasurable("one exposure is not enough: give two or more of the same still scene")
    sizes = {frame.shape for frame in frames}
    if len(sizes) > 1:
        listed = " and ".join(f"{w} x {h}" for h, w in sorted(sizes))
        raise NotMeasurable(f"the exposures differ in size: {listed} px")
    if min(frames[0].shape) < SMALLEST_SIDE_PX:
        height, width = frames[0].shape
        raise NotMeasurable(
            f"{width} x {height} px is too small; {SMALLEST_SIDE_PX} px both ways are needed"
        )
    for first, second in itertools.combinations(range(len(frames)), 2):
        if np.array_equal(frames[first], frames[second]):
            raise NotMeasurable(
                f"exposures {first + 1} and {second + 1} are identical pixel for pixel: a copied"
                " file. Take the second exposure with the camera itself"
            )
    if any(not np.ptp(frame) > 0 for frame in frames):
        raise NotMeasurable("an exposure is perfectly flat: every pixel has the same value")


def _checked_shift(first: FloatImage, second: FloatImage) -> Shift:
    shift = find_shift(first, second)
    if not shift.is_certain:
        raise NotMeasurable(
            "the exposures do not show the same detail (correlation"
            f" {shift.correlation:.2f} at the best match): another scene, moved too far, or too"
            " noisy to tell"
        )
    if shift.distance > FARTHEST_SHARE * min(first.shape):
        raise NotMeasurable(
            f"the scene moved by {shift.distance:.0f} px between the exposures, too far to compare;"
            " fix instrument and object"
        )
    return shift


def _ways(shifts: Sequence[Shift]) -> list[Shift]:
    """The movement between an exposure and the next: those pairs are correlated."""
    places = [(0.0, 0.0), *((shift.dx, shift.dy) for shift in shifts)]
    return [
        Shift(other[0] - one[0], other[1] - one[1], 1.0)
        for one, other in itertools.pairwise(places)
    ]


def _stood_still(shifts: Sequence[Shift]) -> bool:
    """Whether a pair that is correlated stood still, so that fixed patterns count as detail."""
    return any(way.distance < STILL_PX for way in _ways(shifts))


def _common_part(frames: Sequence[FloatImage], shifts: Sequence[Shift]) -> list[FloatImage]:
    """All exposures on the first one's grid, cut to what every one shows."""
    margin_x = int(np.ceil(max(abs(s.dx) for s in shifts)))
    margin_y = int(np.ceil(max(abs(s.dy) for s in shifts)))
    # A drift of a hundredth of a pixel is not worth the ringing at the borders.
    moved = [
        f if s.distance < 0.02 else align(f, s) for f, s in zip(frames[1:], shifts, strict=True)
    ]
    height, width = frames[0].shape
    if any(s.distance >= 0.02 for s in shifts):
        margin_x, margin_y = margin_x + 4, margin_y + 4
    else:
        margin_x = margin_y = 0
    inner = (slice(margin_y, height - margin_y), slice(margin_x, width - margin_x))
    return [frame[inner] for frame in (frames[0], *moved)]


def _without_stripes(frame: FloatImage) -> FloatImage:
    """Without the means of rows and columns: their noise repeats, and the window would spread it
    from the axes of the spectrum, where it is left out, into the rings."""
    rows = frame.mean(axis=1, keepdims=True)
    columns = frame.mean(axis=0, keepdims=True)
    return np.asarray(frame - rows - columns + frame.mean(), dtype=np.float32)


def _correlate(
    pairs: Sequence[tuple[npt.NDArray[np.complex64], npt.NDArray[np.complex64]]],
    shape: tuple[int, int],
    way: str | None,
) -> RingCorrelation:
    height, width = shape
    fy = fft.fftfreq(height).astype(np.float32)[:, None]
    fx = fft.rfftfreq(width).astype(np.float32)[None, :]
    ring_width = max(1.0 / min(shape), 1 / 400)
    ring = np.rint(np.sqrt(fx * fx + fy * fy) / np.float32(ring_width)).astype(np.int32)
    used = (np.abs(fx) > AXIS_BINS / width) & (np.abs(fy) > AXIS_BINS / height)
    if way is not None:
        slope = np.float32(np.tan(np.radians(WEDGE_DEG)))
        used &= (np.abs(fy) <= slope * fx) if way == "x" else (fx <= slope * np.abs(fy))
    count = int(0.5 / ring_width) + 1
    index = np.where(used, np.minimum(ring, count), count).ravel()

    def ring_sums(values: npt.NDArray[np.float32]) -> Curve:
        sums = np.bincount(index, weights=values.ravel(), minlength=count + 1)
        return np.asarray(sums[:count], dtype=np.float64)

    number = np.bincount(index, minlength=count + 1)[:count]
    cross, power_a, power_b = np.zeros((3, count))
    differing = []
    for a, b in pairs:
        cross += ring_sums((a * np.conj(b)).real)
        own_a, own_b = ring_sums(a.real**2 + a.imag**2), ring_sums(b.real**2 + b.imag**2)
        power_a += own_a
        power_b += own_b
        differing.append((own_a - own_b) / np.maximum(own_a + own_b, 1e-30))
    correlation = cross / np.maximum(np.sqrt(power_a * power_b), 1e-30)
    independent = np.maximum(number * WINDOW_EFFICIENCY**2 * len(pairs), 1)
    # Each coefficient has a real and an imaginary part: var(r) = (1 - r^2)^2 / (2 n).
    u = (1 - np.minimum(correlation**2, 1)) / np.sqrt(2 * independent)
    keep = number > 8
    return RingCorrelation(
        np.asarray((np.arange(count) * ring_width)[keep], dtype=np.float64),
        np.asarray(correlation[keep], dtype=np.float64),
        np.asarray(np.maximum(u, 1e-6), dtype=np.float64)[keep],
        np.array(differing)[:, keep],
    )


def _cutoff(rings: RingCorrelation) -> tuple[Quantity, bool]:
    """First frequency at which the smoothed correlation stays below the threshold.

    The second value is True if it never does; the cut-off is then the Nyquist frequency.
    """
    smooth, u = _smoothed(rings)
    below = (smooth < THRESHOLD) & (np.append(smooth[1:], 0.0) < THRESHOLD)
    if not below.any():
        return Quantity(0.5, "cycles/px"), True
    after = int(np.argmax(below))
    if after < 3:
        raise NotMeasurable("the exposures share no detail: noise covers everything from the start")
    f = rings.frequency
    # The first crossing of a noisy curve comes early on average; a line through its surroundings
    # does not.
    near = slice(max(0, after - FIT_RINGS), after + FIT_RINGS)
    (slope, at_crossing), covariance = np.polyfit(
        f[near] - f[after], rings.correlation[near], 1, w=1 / rings.u[near], cov="unscaled"
    )
    step = (THRESHOLD - at_crossing) / slope if slope < 0 else 0.0
    value = float(np.clip(f[after] + step, f[near][0], f[near][-1]))
    spread = float(np.sqrt(covariance[1, 1])) / max(abs(float(slope)), 1e-6)
    parts = (
        Contribution("noise of the correlation", min(max(spread, 1e-5), 0.25)),
        Contribution("width of a ring", float(f[1] - f[0]) / 12**0.5, scope="capture"),
        Contribution(
            "shape of the curve",
            (float(u[after]) / max(abs(float(slope)), 1e-6)) / 2,
            scope="capture",
        ),
    )
    return Quantity(value, "cycles/px", parts), False


def _smoothed(rings: RingCorrelation) -> tuple[Curve, Curve]:
    """Weighted means over five neighbouring rings, and their uncertainty."""
    kernel = np.ones(5)
    weight = 1 / rings.u**2
    total = np.convolve(weight, kernel, mode="same")
    smooth = np.convolve(weight * rings.correlation, kernel, mode="same") / total
    return np.asarray(smooth), np.asarray(1 / np.sqrt(total))


def _temporal_noise(differences: Sequence[FloatImage], following: Sequence[float]) -> Quantity:
    """Noise of one exposure, less the shares of the differences that follow the scene's detail."""
    powers = np.array([float(np.var(d, dtype=np.float64)) for d in differences])
    value = float(np.sqrt(np.mean(powers * (1 - np.array(following)))))
    pixels = sum(d.size for d in differences)
    # Variance of a variance is 2 / n of its square for Gaussian noise; neighbours are correlated
    # by demosaicing and compression, ten px to one independent sample at worst.
    counting = Contribution("number of px", value * (0.5 * 10 / pixels) ** 0.5)
    taken = float(np.sqrt(np.mean(powers))) - value
    out = Contribution("detail in the difference", taken / 2, scope="capture")
    return Quantity(value, "1", (counting, out) if taken else (counting,))


def _noise_spectrum(differences: Sequence[FloatImage], axis: int) -> tuple[Curve, Curve]:
    """Frequencies (cycles/px) and power per px along the axis; white noise of variance v: v."""
    length = differences[0].shape[axis]
    window = np.hanning(length).astype(np.float32)
    shaped = window if axis == 1 else window[:, None]
    power = np.zeros(length // 2 + 1)
    for difference in differences:
        spectrum = fft.rfft((difference - difference.mean()) * shaped, axis=axis)
        power += np.mean(spectrum.real**2 + spectrum.imag**2, axis=1 - axis, dtype=np.float64)
    power /= len(differences) * float(np.sum(window.astype(np.float64) ** 2))
    return fft.rfftfreq(length), power


def _noise_notes(following: Sequence[float]) -> tuple[str, ...]:
    if not any(following):
        return ()
    return (
        f"{max(following):.0%} of the difference between the exposures follows the scene's detail (a"
        " slight turn, distortion or change of focus): the noise is told without it",
    )


def _repeat_notes(
    rings: RingCorrelation, cutoff: tuple[Quantity, bool], shifts: Sequence[Shift]
) -> tuple[str, ...]:
    moved, still = max(shift.distance for shift in shifts), _stood_still(shifts)
    if cutoff[1] and still:
        return (
            "the exposures agree up to the limit of the pixels, and the scene did not move between"
            " them: that may be its detail, or the camera's own pattern or compression, which"
            " repeats as well. Where detail ends is unknown; move the scene by a few px between"
            " the exposures",
        )
    notes = []
    if cutoff[1]:
        notes.append(
            "the exposures agree up to the limit of the pixels: the cut-off is a lower bound"
        )
    beyond = rings.frequency > max(1.3 * cutoff[0].value, 0.3)
    if beyond.any():
        weight = 1 / rings.u[beyond] ** 2
        left = float(np.average(rings.correlation[beyond], weights=weight))
        u = float(1 / np.sqrt(weight.sum()))
        if left > PATTERN_CORRELATION and left > 4 * u:
            notes.append(
                f"the correlation does not fall to zero beyond the detail ({left:.2f} is left):"
                " fixed-pattern noise or compression repeats from exposure to exposure and may"
                " raise the cut-off; move the scene by a few px between the exposures to be sure"
            )
    if still and not notes:
        notes.append(
            "the scene did not move between the exposures, so fixed-pattern noise would count as"
            " detail; none shows beyond the cut-off"
        )
    if moved >= STILL_PX:
        notes.append(f"the scene moved by {moved:.2f} px between the exposures and was registered")
    return tuple(notes)
