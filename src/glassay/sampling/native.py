"""How many pixels of a file are real: native sampling by combined evidence.

Evidence, each piece kept: (a) the photo's own detail and (b) the noise in which repeated exposures
differ, both searched for the mirror symmetry that enlargement leaves (see `mirror`); (c) how far
up the noise and the scene's repeatable detail reach; (d) what the file says of itself. (b) decides
where it can, because noise fills the whole native band whatever the lens does. A band that is
missing proves nothing by itself: compression, denoising and deep shadows empty it too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.imaging.compression import BLOCK, LOSSY_FORMATS, jpeg_quality
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity
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
    PRIOR_RANGE,
    AxisEvidence,
    Rows,
    Trace,
    excluded_reach,
    find_near,
    find_trace,
    settle_faint,
)
from glassay.sampling.evidence import file_evidence
from glassay.sampling.expected import expected_coherence, signal_share
from glassay.sampling.frames import Stack, take_apart
from glassay.sampling.grid_factor import GRID_OVER_FREE, find_on_grid, shows_grid_factor
from glassay.sampling.mirror import (
    levelled,
    levelled_detail,
    mirror_spectrum,
    power_spectrum,
)
from glassay.sampling.native_in_words import advice, band_evidence, notes, trace_evidence
from glassay.sampling.native_result import NativeResult, Verdict
from glassay.sampling.scene_band import scene_band
from glassay.sampling.shrunk import may_be_shrunk

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
"""Strips into which the lines looked at are gathered: spread over the frame, since detail and noise
differ within it, and few, since a strip is read as a whole."""


BORDER_PX = 0.5
"""Libraries map borders differently (centres to centres, or corners to corners): the native count
that one factor stands for differs by a pixel between them."""


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
    agreed, signs, singles = _grid_verdicts(blocks, quality is not None and quality >= MILD_QUALITY)
    axes = [_look_along(axis, stack, blocks, singles[axis], compressed) for axis in (0, 1)]
    axes = _exclude(_settle(axes, stack, agreed, signs, compressed), compressed)
    height, width = stack.mean.shape
    told = [_native_size(axis, other) for axis, other in (axes, axes[::-1])]
    verdict = _verdict(axes)
    if verdict == "cannot tell":
        told = [None, None]
    band = scene_band(stack)
    bounds = [_bounds(axis, size) for axis, size in zip(axes, told, strict=True)]
    evidence = (*trace_evidence(axes, stack), *band_evidence(axes, band, blocks, compressed))
    evidence += file_evidence(width, height, facts or {})
    return NativeResult(
        width, height, len(stack.noise) + 1, verdict,
        told[0], told[1], (bounds[0], bounds[1]), band, (axes[0], axes[1]), evidence,
        advice(verdict, stack, compressed, axes), stack.notes + notes(axes, told, verdict),
    )  # fmt: skip


def _grid_verdicts(
    blocks: BlockStatistics | None, is_mild: bool
) -> tuple[GridVerdict | None, GridVerdict | None, list[GridVerdict | None]]:
    """The signs of block coefficients asked for both axes together, and for each.

    The first verdict for both is None unless each axis, too, prefers the winning factor to native
    noise; the second is not.
    """
    if blocks is None:
        return None, None, [None, None]
    phases = _phases(blocks.origin)
    counts = ((blocks.agree_x, blocks.both_x), (blocks.agree_y, blocks.both_y))
    single = [grid_verdict(*count, phases=phases, is_mild=is_mild) for count in counts]
    both = counts[0][0] + counts[1][0], counts[0][1] + counts[1][1]
    together = grid_verdict(*both, phases=phases, is_mild=is_mild)
    agreed = together is not None and all(
        verdict is not None and verdict.misfits[together.factor] < verdict.native_misfit
        for verdict in single
    )
    return together if agreed else None, together, single


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
        trace, _, doubted = find_trace(None, photo, Rows(detail), None, compressed)
        nothing = np.zeros_like(photo.frequency)
        return AxisEvidence(length, None, photo, None, nothing, trace, 0.0, None, doubted)
    # Rows of all residuals under each other: one more frame is as good as more rows.
    share = max(BLOCK * STRIPS, ROWS_USED // len(stack.noise))
    residual = np.concatenate([_rows(r, axis, most=share) for r in stack.noise])
    level = levelled(residual)
    noise = replace(
        mirror_spectrum(level), power=power_spectrum(residual), rounding=stack.rounding_variance
    )
    signal = signal_share(noise, blocks, axis, stack.rounding_variance)
    expected = expected_coherence(noise, signal)
    rows = Rows(detail, residual, level)
    trace, faint, doubted = find_trace(noise, photo, rows, expected, compressed)
    return AxisEvidence(length, noise, photo, grid, expected, trace, 0.0, faint, doubted)


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


def _is_compressed(
    stack: Stack, blocks: BlockStatistics | None, facts: Mapping[str, Any] | None
) -> bool:
    """By the file's format, or by the pixels: a lossless file may hold a photo that was a JPEG."""
    if facts and facts.get("format") in LOSSY_FORMATS:
        return True
    return blocks.compressed if blocks else compression_grid(stack.mean, stack.step)[1]


def _settle(
    axes: Sequence[AxisEvidence], stack: Stack, agreed: GridVerdict | None,
    signs: GridVerdict | None, compressed: bool,
) -> list[AxisEvidence]:  # fmt: skip
    """Traces of both axes brought together, and those on the compression grid considered."""
    shared = _from_faint(_share_traces(_beside_enlarged(axes), compressed))
    noises = [axis.noise for axis in axes if axis.noise is not None]
    if not compressed or len(noises) < 2:
        return shared
    residuals = [_rows(stack.noise[0], axis) for axis in (0, 1)]
    on_grid = find_on_grid(noises, [axis.photo for axis in axes], residuals, agreed, signs)
    if on_grid is None:
        return shared
    seen = [*(axis.trace for axis in shared), *(axis.doubted for axis in shared)]
    free = max((trace.coherence for trace in seen if trace is not None), default=0.0)
    if min(t.coherence for t in on_grid) < GRID_OVER_FREE * free:
        return shared
    return [replace(axis, trace=trace) for axis, trace in zip(axes, on_grid, strict=True)]


def _beside_enlarged(axes: Sequence[AxisEvidence]) -> list[AxisEvidence]:
    """Small factors believed along one axis where the other is surely enlarged: no firmware makes a
    picture larger one way and smaller the other."""
    return [
        replace(axis, trace=axis.doubted)
        if axis.trace is None
        and axis.doubted is not None
        and other.trace is not None
        and not may_be_shrunk(axis.noise, axis.photo, axis.doubted.factor, is_enlarged=True)
        else axis
        for axis, other in zip(axes, axes[::-1], strict=True)
    ]


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
            is_enlarged=any(axis.trace is not None for axis in axes),
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
        if axis.trace is not None or axis.noise is None or axis.doubted is not None
        else replace(
            axis,
            reach=excluded_reach(axis.noise, axis.expected, axis.grid, compressed, GRID_FACTORS),
        )
        for axis in axes
    ]


def _share_traces(axes: Sequence[AxisEvidence], compressed: bool) -> list[AxisEvidence]:
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
            axis.trace
            if axis.trace is trace
            else find_near(axis.noise, axis.photo, trace, axis.faint, compressed)
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
            Contribution("how the enlarger treats borders", BORDER_PX / 3**0.5, scope="setting"),
        )
        return Quantity(size, "px", parts)
    if axis.reach >= NATIVE_REACH:
        smallest = axis.length * 2 * axis.reach
        limit = Contribution(
            "enlargement too small to be seen", (axis.length - smallest) / 3**0.5, scope="setting"
        )
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
            Contribution(
                "same factor as along the other side assumed", 0.02 * size, scope="setting"
            ),
        )
        return Quantity(size, "px", parts)
    return None


def _bounds(axis: AxisEvidence, size: Quantity | None) -> tuple[float, float]:
    if size is not None:
        low, high = size.interval
        return max(low, 0.0), min(high, float(axis.length))
    return 2 * axis.reach * axis.length, float(axis.length)


__all__ = ["NativeResult", "Trace", "native"]
