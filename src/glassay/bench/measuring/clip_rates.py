"""Which captures are clips, and the rate of different pictures that is sure."""

from __future__ import annotations

from collections.abc import Sequence

from glassay.bench.keeping.results import CaptureResult
from glassay.bench.measuring.methods import medium_of
from glassay.quantity import Quantity

ENOUGH_FRAMES = 30
"""A camera that repeats one frame in ten would show none among thirty in 4 % of cases."""


def is_clip(one: CaptureResult) -> bool:
    """Whether the capture is a clip that was measured."""
    return medium_of(one.capture.files) == "clip" and "frames" in one.findings


def surest_rate(
    captures: Sequence[CaptureResult],
) -> tuple[Quantity, CaptureResult] | None:
    """The delivered rate that is highest for certain: a clip in doubt may only seem faster, and
    one of fewer than `ENOUGH_FRAMES` tells nothing."""
    rates = [
        (one.findings["delivered_rate"].quantity, one)
        for one in captures
        if "delivered_rate" in one.findings
        and ("frames" not in one.findings
             or one.findings["frames"].quantity.value >= ENOUGH_FRAMES)
    ]  # fmt: skip
    return max(rates, key=lambda pair: pair[0].interval[0], default=None)
