"""The measured response of a setting, from the edges photographed in it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from glassay.bench.keeping.results import CaptureResult, SettingResult
from glassay.detail.predict import Response


def response_of(one: SettingResult, captures: Sequence[CaptureResult]) -> Response | None:
    """The mean curve over the captures of edges in a setting, cycles/px; None when there is none."""
    curves = []
    for result in one.among(captures):
        for part in result.parts:
            if {"frequency", "modulation"} <= set(part.evidence):
                curves.append((np.asarray(part.evidence["frequency"], dtype=np.float64),
                               np.asarray(part.evidence["modulation"], dtype=np.float64)))  # fmt: skip
    if not curves:
        return None
    frequency = curves[0][0]
    modulation = np.mean([np.interp(frequency, f, m) for f, m in curves], axis=0)
    return Response(frequency, np.asarray(modulation, dtype=np.float64))
