"""What speaks for and against native sampling, in words, and what would decide it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from glassay.quantity import Quantity
from glassay.sampling.blocks import (
    BlockStatistics,
)
from glassay.sampling.decide import (
    AxisEvidence,
)
from glassay.sampling.evidence import Evidence
from glassay.sampling.frames import Stack
from glassay.sampling.mirror import (
    NOISE_STRENGTH,
    MirrorSpectrum,
)
from glassay.sampling.native_result import SIDES, Verdict
from glassay.sampling.scene_band import noise_end
from glassay.sampling.shrunk import LEFT_BEYOND, noise_beyond


def trace_evidence(axes: Sequence[AxisEvidence], stack: Stack) -> tuple[Evidence, ...]:
    out = []
    for side, axis in zip(SIDES, axes, strict=True):
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
        seen = "shows" if strength >= NOISE_STRENGTH else "does not by itself show"
        return Evidence(
            name,
            f"along the {side} {seen} enlargement by {axis.trace.factor:.3f}"
            f" (strength {strength:.1f}, chance stays below {NOISE_STRENGTH:g})",
        )
    own = spectrum.on_grid | spectrum.beside_grid
    best = int(np.argmax(np.where(own, 0, spectrum.strength)))
    loudest = float(spectrum.strength[best])
    text = f"along the {side} no trace (largest strength {loudest:.1f}, chance stays below 5)"
    if loudest > NOISE_STRENGTH:
        text = (
            f"along the {side} no clear trace: one like that of enlargement by"
            f" {1 / (2 * spectrum.frequency[best]):.2f} is faint (coherence"
            f" {spectrum.coherence[best]:.2f}), as a colour mosaic leaves it at twice the factor, and"
            " as making a picture smaller does"
        )
    if axis.doubted is not None:
        text = (
            f"along the {side} a trace like that of enlargement by {axis.doubted.factor:.3f}, which"
            " making a larger picture smaller leaves as well"
        )
    if kind == "noise" and axis.reach:
        text += f"; enlargement by more than {1 / (2 * axis.reach):.2f} would have shown"
    return Evidence(name, text)


def band_evidence(
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


def notes(
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
        missing = SIDES[0] if axes[0].trace is None else SIDES[1]
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


def advice(verdict: Verdict, stack: Stack, compressed: bool, axes: Sequence[AxisEvidence]) -> str:
    if verdict != "cannot tell":
        return ""
    if any(axis.doubted is not None or _is_like_shrunk(axis) for axis in axes):
        return (
            "the picture may have been enlarged a little, or made smaller: take it at the largest size"
            " that the camera offers, uncompressed or at its best quality, and do not resize it"
        )
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


def _is_like_shrunk(axis: AxisEvidence) -> bool:
    """Whether a faint mirror lies in noise that is strong beyond it: what lacks there is not noise."""
    if axis.noise is None or axis.faint is None:
        return False
    return noise_beyond(axis.noise, axis.faint.factor) > LEFT_BEYOND
