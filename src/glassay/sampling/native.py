"""How many pixels of a file are real: native sampling by combined evidence.

Evidence, each piece kept: (a) the photo's own detail and (b) the noise in which repeated exposures
differ, both searched for the mirror symmetry that enlargement leaves (see `mirror`); (c) how far
up the noise and the scene's repeatable detail reach; (d) what the file says of itself. (b) decides
where it can, because noise fills the whole native band whatever the lens does. A band that is
missing proves nothing by itself: compression, denoising and deep shadows empty it too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.finding import Finding
from glassay.imaging.compression import BLOCK, jpeg_quality
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity, combine
from glassay.sampling.binding import detail_equivalent_pixels
from glassay.sampling.blocks import (
    GRID_FACTORS,
    MILD_QUALITY,
    BlockStatistics,
    GridVerdict,
    block_statistics,
    compression_grid,
    grid_verdict,
)
from glassay.sampling.decide import (
    FAINT_STRENGTH,
    LONE_STRENGTH,
    NOISE_STRENGTH,
    PRIOR_RANGE,
    AxisEvidence,
    Rows,
    Trace,
    excluded_reach,
    expected_coherence,
    find_near,
    find_trace,
    settle_faint,
    signal_share,
)
from glassay.sampling.evidence import Evidence, file_evidence
from glassay.sampling.frames import Stack, take_apart
from glassay.sampling.grid_factor import GRID_OVER_FREE, find_on_grid, shows_grid_factor
from glassay.sampling.mirror import (
    MirrorSpectrum,
    Spectrum,
    levelled,
    levelled_detail,
    mirror_spectrum,
    power_spectrum,
)

METHOD = "native sampling: mirror traces in noise and detail"

Verdict = Literal["native", "enlarged", "cannot tell"]

NATIVE_REACH = 0.385
"""Mirror frequency up to which enlargement must be excluded for the verdict "native": that of
factor 1.3, the smallest factor that the method is held to find."""

COMMON_COHERENCE = 0.5
"""A factor common to both axes replaces one of an axis' own only if it is there at least half as
coherent; firmware may well enlarge the axes differently."""

ROWS_USED = 1024
"""Most rows taken for one axis, in strips spread over the frame. More rows would strengthen traces
that are far above their threshold already, and cost time in proportion."""

STRIPS = 8

SCENE_THRESHOLD = 1 / 7
"""Correlation of two exposures below which detail no longer counts as repeatable (the threshold of
Fourier ring correlation, Rosenthal and Henderson 2003)."""

BAND_STEP_SHARE = 0.1
"""Relative width within which the end of the repeatable band is placed (95 %): two pairs of one
scene agree to this."""

BORDER_PX = 0.5
"""Libraries map borders differently (centres to centres, or corners to corners): the native count
that one factor stands for differs by a pixel between them."""


@dataclass(frozen=True)
class NativeResult:
    """What the frames say about native sampling.

    `width`, `height` of the file, px. `native_width` and `native_height` are None where the
    evidence does not tell. `between` holds lower and upper bounds of the native (width, height)
    that stand in any case. `scene_band` is how far repeatable detail reaches along (x, y),
    cycles/px, None for a single frame. `axes` is (x, y).
    """

    width: int
    height: int
    frames: int
    verdict: Verdict
    native_width: Quantity | None
    native_height: Quantity | None
    between: tuple[tuple[float, float], tuple[float, float]]
    scene_band: tuple[float, float] | None
    axes: tuple[AxisEvidence, AxisEvidence]
    evidence: tuple[Evidence, ...]
    advice: str
    notes: tuple[str, ...]

    @property
    def enlargement(self) -> Quantity | None:
        """Stored px per native px, geometric mean of both axes; None where not told."""
        if self.native_width is None or self.native_height is None:
            return None
        stored = self.width * self.height
        return combine(
            lambda w, h: (stored / (w * h)) ** 0.5, [self.native_width, self.native_height], "1"
        )

    @property
    def native_megapixels(self) -> Quantity | None:
        """Native pixel count in millions; None where not told."""
        if self.native_width is None or self.native_height is None:
            return None
        return combine(lambda w, h: w * h / 1e6, [self.native_width, self.native_height], "MP")

    def evidence_for_drawing(self) -> dict[str, Any]:
        """Each side's spectra as plain arrays: how strongly noise and photo mirror, noise power."""
        out: dict[str, Any] = {}
        for side, axis in zip(_SIDES, self.axes, strict=True):
            spectra = {"photo": axis.photo} | ({"noise": axis.noise} if axis.noise else {})
            out[side] = {
                name: {"frequency": one.frequency, "strength": one.strength, "on_grid": one.on_grid}
                for name, one in spectra.items()
            }
            out[side]["factor"] = axis.trace.factor if axis.trace else None
            out[side]["reach"] = axis.reach
            if axis.noise is not None:
                out[side]["power"] = (axis.noise.power_frequency, axis.noise.power)
        noises = [axis.noise for axis in self.axes if axis.noise is not None]
        out["noise_reach"] = [noise_end(noise) for noise in noises] or None
        return out

    def findings(self) -> dict[str, Finding]:
        """native_width, native_height, enlargement, native_megapixels where told; the verdict; and
        with several frames the pixel count that the repeatable detail would need."""
        found = {
            "native_width": self.native_width,
            "native_height": self.native_height,
            "enlargement": self.enlargement,
            "native_megapixels": self.native_megapixels,
        }
        out = {key: Finding(q, METHOD) for key, q in found.items() if q is not None}
        out["native_verdict"] = Finding(self.verdict, METHOD)
        if self.scene_band is not None:
            fx, fy = (
                Quantity.of(f, 0.5 * BAND_STEP_SHARE * f, "cycles/px", "place of the band's end")
                for f in _within_native(self.scene_band, self.axes)
            )
            detail = detail_equivalent_pixels(self.width, self.height, fx, fy)
            out["detail_megapixels"] = Finding(detail.scaled(1e-6, "MP"), "repeatable detail")
        return out


def native(
    frames: Sequence[npt.NDArray[Any]],
    *,
    facts: Mapping[str, Any] | None = None,
    full_scale: float | None = None,
) -> NativeResult:
    """Native pixel count from one photo, a repeat pair, or several frames of a still scene.

    `frames` hold stored values, not linear light (see `frames`): (height, width) or (height,
    width, 3), unsigned integers as decoded, or floats with `full_scale`. `facts` are the file's own
    statements (`Photo.facts`). Raises NotMeasurable for frames that differ in size, moved, are
    copies of each other, flat, clipped or too small. "cannot tell" is a result, with advice.
    """
    stack = take_apart(frames, full_scale)
    blocks = block_statistics(stack.noise, stack.step) if stack.noise else None
    compressed = _is_compressed(stack, blocks, facts)
    quality = jpeg_quality((facts or {}).get("quantization") or {})
    agreed, singles = _grid_verdicts(blocks, quality is not None and quality >= MILD_QUALITY)
    axes = [_look_along(axis, stack, blocks, singles[axis], compressed) for axis in (0, 1)]
    axes = _exclude(_settle(axes, stack, agreed, compressed), compressed)
    height, width = stack.mean.shape
    told = [_native_size(axis, other) for axis, other in (axes, axes[::-1])]
    verdict = _verdict(axes)
    if verdict == "cannot tell":
        told = [None, None]
    band = _scene_band(stack)
    bounds = [_bounds(axis, size) for axis, size in zip(axes, told, strict=True)]
    evidence = (*_trace_evidence(axes, stack), *_band_evidence(axes, band, blocks, compressed))
    evidence += file_evidence(width, height, facts or {})
    return NativeResult(
        width, height, len(stack.noise) + 1, verdict,
        told[0], told[1], (bounds[0], bounds[1]), band, (axes[0], axes[1]), evidence,
        _advice(verdict, stack, compressed), stack.notes + _notes(axes, told, verdict),
    )  # fmt: skip


def _grid_verdicts(
    blocks: BlockStatistics | None, is_mild: bool
) -> tuple[GridVerdict | None, list[GridVerdict | None]]:
    """The signs of block coefficients asked for both axes together, and for each.

    The verdict for both is None unless each axis, too, prefers the winning factor to native noise.
    """
    if blocks is None:
        return None, [None, None]
    phases = _phases(blocks.origin)
    counts = ((blocks.agree_x, blocks.both_x), (blocks.agree_y, blocks.both_y))
    single = [grid_verdict(*count, phases=phases, is_mild=is_mild) for count in counts]
    both = counts[0][0] + counts[1][0], counts[0][1] + counts[1][1]
    together = grid_verdict(*both, phases=phases, is_mild=is_mild)
    if together is None or not all(
        verdict is not None and verdict.misfits[together.factor] < verdict.native_misfit
        for verdict in single
    ):
        together = None
    return together, single


def _look_along(
    axis: int,
    stack: Stack,
    blocks: BlockStatistics | None,
    grid: GridVerdict | None,
    compressed: bool,
) -> AxisEvidence:
    length = stack.mean.shape[1 - axis]
    detail = _rows(stack.mean, axis, of_detail=True)
    photo = mirror_spectrum(detail)
    if blocks is None:
        trace, _ = find_trace(None, photo, Rows(detail), None, compressed)
        return AxisEvidence(length, None, photo, None, np.zeros_like(photo.frequency), trace, 0.0)
    # Rows of all residuals under each other: one more frame is as good as more rows.
    share = max(BLOCK * STRIPS, ROWS_USED // len(stack.noise))
    residual = np.concatenate([_rows(r, axis, most=share) for r in stack.noise])
    level = levelled(residual)
    noise = replace(mirror_spectrum(level), power=power_spectrum(residual))
    signal = signal_share(noise, blocks, axis, stack.rounding_variance)
    expected = expected_coherence(noise, signal)
    trace, faint = find_trace(noise, photo, Rows(detail, residual, level), expected, compressed)
    return AxisEvidence(length, noise, photo, grid, expected, trace, 0.0, faint)


def _phases(origin: tuple[int, int]) -> tuple[int, ...]:
    """A crop begins anywhere in the native grid's period; a whole photo begins with it."""
    return (0,) if origin == (0, 0) else tuple(range(BLOCK))


def _rows(
    plane: FloatImage, axis: int, *, of_detail: bool = False, most: int = ROWS_USED
) -> FloatImage:
    """Lines along the axis as rows, at most `most` of them, in strips spread over the frame."""
    lines = plane.shape[axis]
    tall = most // STRIPS
    if lines <= most:
        parts = [(0, lines)]
    else:
        starts = np.linspace(0, lines - tall, STRIPS).astype(int)
        parts = [(int(start), int(start) + tall) for start in starts]
    out = []
    for start, stop in parts:
        part = plane[start:stop] if axis == 0 else plane[:, start:stop].T
        part = np.ascontiguousarray(part)
        out.append(levelled_detail(part) if of_detail else part)
    return np.concatenate(out) if len(out) > 1 else out[0]


LOSSY_FORMATS = ("JPEG", "MPO", "HEIF", "WEBP")


def _is_compressed(
    stack: Stack, blocks: BlockStatistics | None, facts: Mapping[str, Any] | None
) -> bool:
    """By the file's format, or by the pixels: a lossless file may hold a photo that was a JPEG."""
    if facts and facts.get("format") in LOSSY_FORMATS:
        return True
    return blocks.compressed if blocks else compression_grid(stack.mean, stack.step)[1]


def _settle(
    axes: Sequence[AxisEvidence], stack: Stack, agreed: GridVerdict | None, compressed: bool
) -> list[AxisEvidence]:
    """Traces of both axes brought together, and those on the compression grid considered."""
    shared = _from_faint(_share_traces(axes))
    noises = [axis.noise for axis in axes if axis.noise is not None]
    if not compressed or len(noises) < 2:
        return shared
    residuals = [_rows(stack.noise[0], axis) for axis in (0, 1)]
    on_grid = find_on_grid(noises, [axis.photo for axis in axes], residuals, agreed)
    if on_grid is None:
        return shared
    free = [0.0 if axis.trace is None else axis.trace.coherence for axis in shared]
    if min(t.coherence for t in on_grid) < GRID_OVER_FREE * max(free):
        return shared
    return [replace(axis, trace=trace) for axis, trace in zip(axes, on_grid, strict=True)]


def _from_faint(axes: Sequence[AxisEvidence]) -> list[AxisEvidence]:
    """Factors given away by by-products, along axes that show no trace of their own."""
    out = list(axes)
    open_ = [i for i, axis in enumerate(axes) if axis.trace is None and _has_by_product(axis)]
    groups = [[i] for i in open_]
    if len(open_) == 2:
        first, second = (axes[i].faint for i in open_)
        if first and second and abs(first.factor / second.factor - 1) <= PRIOR_RANGE:
            groups = [open_]
    for group in groups:
        chosen = [axes[i] for i in group]
        traces = settle_faint(
            [axis.noise for axis in chosen if axis.noise is not None],
            [axis.photo for axis in chosen],
            [axis.faint for axis in chosen if axis.faint is not None],
        )
        for index, trace in zip(group, traces or (), strict=False):
            out[index] = replace(axes[index], trace=trace)
    return out


def _has_by_product(axis: AxisEvidence) -> bool:
    return axis.noise is not None and axis.faint is not None and (
        axis.faint.strength >= FAINT_STRENGTH
    )  # fmt: skip


def _exclude(axes: Sequence[AxisEvidence], compressed: bool) -> list[AxisEvidence]:
    """How far enlargement is excluded along axes without a trace."""
    return [
        axis
        if axis.trace is not None or axis.noise is None
        else replace(
            axis,
            reach=excluded_reach(axis.noise, axis.expected, axis.grid, compressed, GRID_FACTORS),
        )
        for axis in axes
    ]


def _share_traces(axes: Sequence[AxisEvidence]) -> list[AxisEvidence]:
    """One factor for both axes where both show it; a weak trace counts at the other's factor.

    Where each axis found a factor of its own, that of either may be a by-product (of demosaicing,
    of compression) that happened to be the most coherent: a factor that both show goes first.
    """
    found = [axis.trace for axis in axes]
    sure = [trace for trace in found if trace is not None]
    if len(sure) == 2 and abs(sure[0].factor / sure[1].factor - 1) <= PRIOR_RANGE:
        return list(axes)
    common: list[tuple[float, list[Trace | None]]] = []
    for trace in sure:
        pair = [
            axis.trace if axis.trace is trace else find_near(axis.noise, axis.photo, trace)
            for axis in axes
        ]
        kept = all(
            new is not None
            and (axis.trace is None or new.coherence >= COMMON_COHERENCE * axis.trace.coherence)
            for axis, new in zip(axes, pair, strict=True)
        )
        if kept and pair[0] is not None and pair[1] is not None:
            common.append((pair[0].strength * pair[1].strength, pair))
    if not common and len(sure) == 1 and sure[0].strength < LONE_STRENGTH:
        return [replace(axis, trace=None) for axis in axes]
    if not common:
        return list(axes)
    _, pair = max(common, key=lambda entry: entry[0])
    return [replace(axis, trace=trace) for axis, trace in zip(axes, pair, strict=True)]


def _verdict(axes: Sequence[AxisEvidence]) -> Verdict:
    if any(axis.trace for axis in axes):
        return "enlarged"
    return "native" if all(axis.reach >= NATIVE_REACH for axis in axes) else "cannot tell"


def _native_size(axis: AxisEvidence, other: AxisEvidence) -> Quantity | None:
    if axis.trace is not None:
        size = axis.length / axis.trace.factor
        parts = (
            Contribution("place of the trace", size * axis.trace.u / axis.trace.factor),
            Contribution("how the enlarger treats borders", BORDER_PX / 3**0.5),
        )
        return Quantity(size, "px", parts)
    if axis.reach >= NATIVE_REACH:
        smallest = axis.length * 2 * axis.reach
        limit = Contribution("enlargement too small to be seen", (axis.length - smallest) / 3**0.5)
        return Quantity(float(axis.length), "px", (limit,))
    if axis.noise is not None and shows_grid_factor(axis.noise, axis.photo):
        return None
    if _has_by_product(axis):
        return None
    if other.trace is not None and axis.reach < 1 / (2 * other.trace.factor):
        # This axis could not have shown the factor of the other: equal factors are the rule.
        size = axis.length / other.trace.factor
        parts = (
            Contribution("place of the trace", size * other.trace.u / other.trace.factor),
            Contribution("same factor as along the other side assumed", 0.02 * size),
        )
        return Quantity(size, "px", parts)
    return None


def _bounds(axis: AxisEvidence, size: Quantity | None) -> tuple[float, float]:
    if size is not None:
        low, high = size.interval
        return max(low, 0.0), min(high, float(axis.length))
    return 2 * axis.reach * axis.length, float(axis.length)


def _scene_band(stack: Stack) -> tuple[float, float] | None:
    if not stack.noise:
        return None
    return _band_along(stack, 0), _band_along(stack, 1)


def _band_along(stack: Stack, axis: int) -> float:
    """Highest frequency along the axis at which two exposures would still correlate."""
    frames = len(stack.noise) + 1
    shared = _power(_thick_lines(stack.mean, axis))
    noise = np.mean([_power(_thick_lines(r, axis)) for r in stack.noise], axis=0)
    width = max(5, shared.size // 100)
    kernel = np.ones(width) / width
    shared, noise = (np.convolve(p, kernel, mode="same") for p in (shared, noise))
    scene = shared - noise / frames
    correlation = scene / np.maximum(scene + noise, 1e-12)
    below = np.flatnonzero(correlation[width:] < SCENE_THRESHOLD)
    index = int(below[0]) + width if below.size else shared.size - 1
    return index / (2 * (shared.size - 1))


def _within_native(
    band: tuple[float, float], axes: tuple[AxisEvidence, AxisEvidence]
) -> list[float]:
    """Detail beyond the native Nyquist frequency is made by the enlarger, and repeats as well."""
    ends = [0.5 if axis.trace is None else 1 / (2 * axis.trace.factor) for axis in axes]
    return [min(frequency, end) for frequency, end in zip(band, ends, strict=True)]


def _thick_lines(plane: FloatImage, axis: int) -> FloatImage:
    """Means of 8 neighbouring lines: detail across the axis only, with less noise."""
    lines = plane.shape[axis] // 8 * 8
    plane = plane[:lines] if axis == 0 else plane[:, :lines].T
    return np.asarray(plane.reshape(lines // 8, 8, -1).mean(axis=1), dtype=np.float32)


def _power(lines: FloatImage) -> Spectrum:
    window = np.hanning(lines.shape[1]).astype(np.float32)
    spectrum = fft.rfft((lines - lines.mean(axis=1, keepdims=True)) * window, axis=1)
    return np.asarray(np.mean(np.abs(spectrum) ** 2, axis=0), dtype=np.float64)


_SIDES = ("width", "height")


def _trace_evidence(axes: Sequence[AxisEvidence], stack: Stack) -> tuple[Evidence, ...]:
    out = []
    for side, axis in zip(_SIDES, axes, strict=True):
        kinds = [("photo", axis.photo)]
        if axis.noise is not None:
            kinds.append(("noise", axis.noise))
        out += [_one_trace(kind, side, axis, spectrum) for kind, spectrum in kinds]
    if not stack.noise:
        out.append(Evidence("noise", "not available: it takes two exposures of a still scene"))
    return tuple(out)


def _one_trace(kind: str, side: str, axis: AxisEvidence, spectrum: MirrorSpectrum) -> Evidence:
    name = "traces in the photo" if kind == "photo" else "traces in the noise"
    if axis.trace is not None:
        near = np.abs(2 * spectrum.frequency * axis.trace.factor - 1) < 2e-3
        near |= np.abs(spectrum.frequency - 1 / (2 * axis.trace.factor)) < 1.5 / spectrum.length
        strength = float(spectrum.strength[near].max(initial=0.0))
        seen = "shows" if strength > 3 else "does not show"
        return Evidence(
            name,
            f"along the {side} {seen} enlargement by {axis.trace.factor:.3f}"
            f" (strength {strength:.0f}, chance stays below 5)",
        )
    own = spectrum.on_grid | spectrum.beside_grid
    best = int(np.argmax(np.where(own, 0, spectrum.strength)))
    loudest = float(spectrum.strength[best])
    text = f"along the {side} no trace (largest strength {loudest:.1f}, chance stays below 5)"
    if loudest > NOISE_STRENGTH:
        text = (
            f"along the {side} no clear trace: one like that of enlargement by"
            f" {1 / (2 * spectrum.frequency[best]):.2f} is faint (coherence"
            f" {spectrum.coherence[best]:.2f}), as a colour mosaic leaves it at twice the factor"
        )
    if kind == "noise" and axis.reach:
        text += f"; enlargement by more than {1 / (2 * axis.reach):.2f} would have shown"
    return Evidence(name, text)


def _band_evidence(
    axes: Sequence[AxisEvidence],
    band: tuple[float, float] | None,
    blocks: BlockStatistics | None,
    compressed: bool,
) -> tuple[Evidence, ...]:
    out = []
    noises = [axis.noise for axis in axes if axis.noise is not None]
    if len(noises) == 2:
        ends = [noise_end(noise) for noise in noises]
        text = f"reaches {ends[0]:.2f} (width) and {ends[1]:.2f} (height) of 0.5 cycles/px"
        if compressed:
            text += "; compression removes noise too, so an early end alone proves nothing"
        out.append(Evidence("noise spectrum", text))
    if band is not None:
        out.append(
            Evidence(
                "repeatable detail",
                f"reaches {band[0]:.2f} and {band[1]:.2f} of 0.5 cycles/px; an upper bound only,"
                " a soft lens looks the same",
            )
        )
    if compressed:
        where = (
            ""
            if blocks is None or blocks.origin == (0, 0)
            else (f" that starts at {blocks.origin[0]},{blocks.origin[1]} px, so this is a crop")
        )
        out.append(Evidence("compression", f"8 px blocks{where}; their own traces are set aside"))
    return tuple(out)


def noise_end(noise: MirrorSpectrum) -> float:
    """Frequency above which less than a twentieth of the mid-band noise power is left."""
    smooth = np.convolve(noise.power, np.ones(15) / 15, mode="same")
    at = noise.power_frequency
    middle = float(np.median(smooth[(at > 0.03) & (at < 0.12)]))
    above = np.flatnonzero((smooth > middle / 20) & (at < 0.497))
    return float(at[above[-1]]) if above.size else 0.0


def _notes(
    axes: Sequence[AxisEvidence], told: Sequence[Quantity | None], verdict: Verdict
) -> tuple[str, ...]:
    notes = []
    factors = [axis.trace.factor for axis in axes if axis.trace is not None]
    if len(factors) == 2 and abs(factors[0] / factors[1] - 1) > 0.01:
        notes.append(
            f"enlarged by different factors, {factors[0]:.3f} along the width and"
            f" {factors[1]:.3f} along the height"
        )
    if len(factors) == 1 and told[0] is not None and told[1] is not None:
        missing = _SIDES[0] if axes[0].trace is None else _SIDES[1]
        notes.append(f"no trace along the {missing}; the same factor is assumed there")
    if verdict == "native":
        least = min(axis.reach for axis in axes)
        notes.append(
            f"enlargement by less than {1 / (2 * least):.2f} is not excluded; the stated"
            " uncertainty covers it"
        )
    if any(axis.trace and axis.trace.source == "noise in blocks" for axis in axes):
        notes.append("the factor falls on the compression grid; signs of block coefficients decide")
    return tuple(notes)


def _advice(verdict: Verdict, stack: Stack, compressed: bool) -> str:
    if verdict != "cannot tell":
        return ""
    if not stack.noise:
        return (
            "take two exposures of a still scene from a firm stand, touching nothing in between,"
            " and give both"
        )
    if compressed:
        return (
            "compression removed the noise that would tell: repeat the pair at the best quality the"
            " camera offers (or uncompressed), with higher gain or less light, on a textured object"
        )
    return (
        "there is too little noise near the pixel limit: repeat the pair with higher gain or less"
        " light, and with noise reduction off"
    )


__all__ = ["NativeResult", "Trace", "native"]
