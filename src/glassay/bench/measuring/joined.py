"""Measurements that need what two rooms know; measurement packages do not import each other."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.field_stop import find_field_stop
from glassay.finding import Finding
from glassay.imaging.tone import FloatImage, Relight

if TYPE_CHECKING:  # each measurement is loaded when it is needed
    from glassay.detail.edge_result import EdgeResponse
    from glassay.field.distortion_fit import GridView, RulingView, View
    from glassay.focus import FocusResult
    from glassay.imaging.clip import ClipReader
    from glassay.motion import ClipResult

Box = tuple[int, int, int, int]


def view_of(grey: FloatImage, *, shows: Literal["grid", "ruled", "auto"] = "auto") -> View:
    """The points of the grid or ruled scale in a photo, (height, width) in linear light.

    "auto" takes a grid that fills the field (whose lines along one direction could pass for a
    scale), else a ruled scale, else a smaller grid. Raises NotMeasurable when there is none.
    """
    if shows == "grid":
        return _grid(grey, strict=False)
    if shows == "ruled":
        return _ruling(grey)
    ways: tuple[Callable[[], View], ...] = (
        lambda: _grid(grey, strict=True),
        lambda: _ruling(grey),
        lambda: _grid(grey, strict=False),
    )
    for find in ways:
        try:
            return find()
        except NotMeasurable:
            continue
    raise NotMeasurable("neither a ruled scale nor a grid was found")


def _grid(grey: FloatImage, *, strict: bool) -> GridView:
    from glassay.field import grid_view
    from glassay.scale.grid import lattice_points

    stop = find_field_stop(grey)
    light = np.sqrt(np.maximum(grey, 0)).astype(np.float32)
    if not np.ptp(light) > 0:
        raise NotMeasurable("the photo is a single shade: there is nothing in it to measure")
    mask = None if stop is None else stop.mask(light.shape)
    return grid_view(light, *lattice_points(light, mask, strict=strict))


def _ruling(grey: FloatImage) -> RulingView:
    from glassay.field import ruling_view
    from glassay.scale import measure_scale

    # Whoever measures a field says what its photos show; only the evenness of the lines counts here.
    found = measure_scale(grey, pattern="ruled", word="filed")
    return ruling_view(found.segments, found.along, found.division.value, found.tilt.value)


def clip_with_sampling(
    clip: ClipReader, *, box: Box | None = None, progress: Callable[[int], None] = lambda _: None
) -> ClipResult:
    """A clip measured (`glassay.motion`), with whether its frames were enlarged from fewer pixels."""
    from glassay.motion import measure_clip

    return measure_clip(clip, box=box, progress=progress, look_at_still=native_verdict)


def native_verdict(frames: Sequence[npt.NDArray[Any]]) -> dict[str, Finding]:
    """Whether still frames were enlarged from fewer pixels, where this can be told.

    The factor is not stated: video compression leaves periodic traces that shift it.
    """
    from glassay.motion.clip_result import METHOD
    from glassay.sampling.native import native
    from glassay.sampling.native_result import METHOD as NATIVE_METHOD

    try:
        found = native(frames, facts={"format": "JPEG"})  # no camera's clips are without loss
    except NotMeasurable:
        return {}
    if found.verdict == "cannot tell":
        return {}
    return {"native_verdict": Finding(found.verdict, f"{METHOD}; {NATIVE_METHOD}")}


def focus_run_with_edges(
    frames: Iterable[FloatImage], *, other_tones: Sequence[Relight] = (), **stated: Any
) -> FocusResult:
    """A focus run measured (`glassay.focus`), with the response of edges in its sharpest photo;
    `other_tones` are what the light may be instead (`Photo.other_tones`)."""
    from glassay.detail.edge import measure_edges
    from glassay.focus import measure_focus_run

    def edges_of(picture: FloatImage) -> EdgeBand:
        return _band_with_tone(measure_edges(picture, other_tones=other_tones))

    return measure_focus_run(frames, edges_of=edges_of, **stated)


@dataclass(frozen=True)
class EdgeBand:
    """Modulation of edges over `frequency` (cycles/px) with its 95 % band."""

    frequency: npt.NDArray[np.float64]
    modulation: npt.NDArray[np.float64]
    modulation_low: npt.NDArray[np.float64]
    modulation_high: npt.NDArray[np.float64]


def _band_with_tone(found: EdgeResponse) -> EdgeBand:
    """The response with an assumed tone curve in its band: such a curve stretches it along frequency,
    by what it makes of the frequency of 50 %."""
    from glassay.tone_doubt import SOURCE

    half = found.frequency_50
    share = sum(abs(part.u) for part in half.contributions if part.source == SOURCE) / half.value
    at, curve = found.frequency, found.modulation
    moved = np.interp(at * (1 - share), at, curve) - np.interp(at * (1 + share), at, curve)
    doubt = 1.96 * np.abs(moved) / 2
    return EdgeBand(
        at, curve,
        curve - np.hypot(curve - found.modulation_low, doubt),
        curve + np.hypot(found.modulation_high - curve, doubt),
    )  # fmt: skip
