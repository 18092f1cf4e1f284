"""The measured response of a setting, from the edges photographed in it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from glassay.bench.keeping.results import BenchResults, CaptureResult, SettingResult
from glassay.detail.predict import Response

SHARP = ("edge", "chip")
"""Objects whose edges count, the surest first: what stands alone tells a response straight, a chip's
wiring through a family of curves. Edges in photos of scales may be the soft rim of an eyepiece's
field."""


def response_of(results: BenchResults, one: SettingResult, others: bool = False) -> Response | None:
    """The mean curve over the captures of the surest kind of object in a setting, cycles/px.

    With `others`, objects that are not `SHARP` count where there is nothing better. None when there
    is no curve at all.
    """
    kinds = {thing.id: thing.kind for thing in results.bench.objects}
    here = one.among(results.captures)
    of_kind = [[c for c in here if kinds[c.capture.object] == kind] for kind in SHARP]
    for captures in [*of_kind, here] if others else of_kind:
        found = _mean_curve(captures)
        if found is not None:
            return found
    return None


def _mean_curve(captures: Sequence[CaptureResult]) -> Response | None:
    curves = [
        (np.asarray(part.evidence["frequency"], dtype=np.float64),
         np.asarray(part.evidence["modulation"], dtype=np.float64))
        for result in captures
        for part in result.parts
        if {"frequency", "modulation"} <= set(part.evidence)
    ]  # fmt: skip
    if not curves:
        return None
    frequency = curves[0][0]
    modulation = np.mean([np.interp(frequency, f, m) for f, m in curves], axis=0)
    return Response(frequency, np.asarray(modulation, dtype=np.float64))
