"""Flicker of a clip of minutes takes no more memory than that of one of seconds."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from glassay.motion.flicker import measure_flicker


@pytest.mark.parametrize("frames", [300, 6000])
def test_its_frequency_is_told_within_little_memory(frames: int) -> None:
    """All frequencies times all frames, held at once, were 1.1 GB for a clip of a minute."""
    rng = np.random.default_rng(1)
    times = np.arange(frames) / 30 + rng.normal(0, 1e-4, frames)
    levels = 0.4 * (1 + 0.02 * np.sin(2 * np.pi * 6.3 * times)) + rng.normal(0, 0.002, frames)
    tracemalloc.start()
    found = measure_flicker(times, levels)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found is not None
    assert found.frequency is not None
    assert abs(found.frequency.value - 6.3) <= found.frequency.expanded
    assert found.amplitude.value == pytest.approx(0.02, rel=0.15)
    assert peak < 150e6
