"""What JPEG took away of an edge's fine detail, from the file's own tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from glassay.detail.edge_spread import EdgeSpread
from glassay.imaging.compression import quantization_step
from glassay.imaging.tone import linear_to_srgb
from glassay.quantity import Quantity

LOST = "detail lost in compression"

COMPRESSION_50, COMPRESSION_10 = 0.45, 0.6
"""Relative standard uncertainty of the frequencies of 50 and 10 % modulation for what JPEG took away
there, per quantisation step at that frequency times the frequency over the edge's step. An edge's
coefficients fall as 1 / f; where they come below half a step they are lost, of all blocks along the
edge alike, so that a frequency comes out low. Squares through whole cameras at quality 60 to 92 were
low by up to 1.2 and 1.3 of that product, without any loss where it is below 0.02; sharpened ones by
less."""

TAKEN_U = 0.5
"""Standard uncertainty of what compression took of a harmonic, of a band, of an end's light or of a
frequency, as a share of it. With 0.25 and 1 the 10 % frequency of the slides that lose most is
another by 0.5 to 2 of its standard uncertainties (20 slides of the study of lines)."""

Loss = Callable[[float], float]
"""Quantisation step at a frequency (cycles/px) times the frequency over the edge's step, 1/px."""


def loss_of(spread: EdgeSpread, quantization: Mapping[int, Any]) -> Loss:
    """How much JPEG with these tables (empty: none) may take away of an edge, by frequency."""
    levels = linear_to_srgb(np.array([spread.dark, spread.bright]))
    step = 255 * max(float(levels[1] - levels[0]), 1e-3)
    return lambda f: float(quantization_step(quantization, f)) * f / step


def with_loss(frequency: Quantity, loss: Loss, share: float) -> Quantity:
    """The frequency (cycles/px) with what compression may have taken away in its uncertainty."""
    u = share * loss(frequency.value) * frequency.value
    return frequency.with_contribution(LOST, u, scope="setting") if u else frequency
