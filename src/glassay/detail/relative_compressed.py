"""What JPEG took of a chip's picture: the finer photo foretells it, compressed as the file was.

The finer photo times the response found is the coarser one as it was before it was stored. That
picture is given the photo's noise and stored with the file's own tables; by what it then shows less
in every band, the photo's bands are put right. Coefficients below half a step are dropped (ITU-T
T.81, A.3.4), so faint and fine detail loses most. Derived here; `lines_compressed` does so for lines.

Frequencies in cycles/px of the coarser photo; light is linear.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.detail.edge_loss import TAKEN_U
from glassay.imaging.compression import as_jpeg
from glassay.imaging.tone import eight_bit, linear_table, linear_to_srgb

Float = npt.NDArray[np.float64]

STEEPEST, GENTLEST = 40.0, 4.0
"""By how much the logarithm of the response falls for each cycle/px beyond the last band: as between
the last bands, within these limits."""
HIGHEST = 0.9
"""Frequency beyond which nothing is drawn: what folds back from there is hardly passed."""
LEAST_NOISE, MOST_NOISE = 0.3, 4.0
"""Noise before compression, in stored steps, within which it is sought: rounding alone makes 0.29."""
TURNS = 4
"""How often response and noise are sought from what came out before."""


@dataclass(frozen=True)
class CompressedChip:
    """The coarser photo `light` (height, width), and what the finer one says it had to show.

    `dense` is the finer photo on a grid `finer` times as dense; `whole` (height, width) says where
    both show the same; `passed(f)` is by what the dense picture was softened; `brightness` the
    coarser photo's mean light over the dense one's.
    """

    light: Float
    dense: Float
    finer: int
    whole: npt.NDArray[np.bool_]
    passed: Callable[[Float], Float]
    brightness: float
    tables: Mapping[int, Any]

    def put_right(
        self, frequency: Float, transfer: Float, seen: Callable[[Sequence[Float]], list[Float]]
    ) -> tuple[Float, Float]:
        """The transfer in bands without what compression took, and the standard uncertainty of that.

        `seen` says what pictures show in the bands, as it was done for the photo.
        """
        rough = roughness(255 * linear_to_srgb(self.light), self.whole)
        noise, right = max(LEAST_NOISE, 3 * rough), transfer
        for turn in range(TURNS):
            whole, less, rougher = self.before_and_after(frequency, right, noise, turn)
            before, after = seen((whole, less))
            right = transfer * np.clip(before / np.maximum(after, 1e-12), 0.5, 2.0)
            noise *= float(np.clip(rough / max(rougher, 1e-6), 0.5, 2.0))
            noise = min(max(noise, LEAST_NOISE), MOST_NOISE)
        return right, TAKEN_U * np.abs(right - transfer)

    def before_and_after(
        self, frequency: Float, transfer: Float, noise: float, seed: int
    ) -> tuple[Float, Float, float]:
        """The picture that a response `transfer` at `frequency` (n) foretells, as it was stored and
        after compression, and how noisy the latter is, in stored steps."""
        drawn = np.where(self.whole, self._foretold(frequency, transfer), self.light)
        stored = eight_bit(drawn, np.random.default_rng(seed).normal(0, noise, drawn.shape))
        less = as_jpeg(stored, self.tables)
        table = linear_table(8, "srgb").astype(np.float64)
        return table[stored], table[less], roughness(less.astype(np.float64), self.whole)

    def _foretold(self, frequency: Float, transfer: Float) -> Float:
        response = continued(self._radius, frequency, transfer) / self._passed
        response[self._radius > HIGHEST] = 0
        response[0, 0] = self.brightness
        every = fft.irfft2(self._spectrum * response, s=self.dense.shape)
        return np.asarray(every[:: self.finer, :: self.finer])

    # The same in every turn:

    @cached_property
    def _radius(self) -> Float:
        return np.asarray(
            np.hypot(
                fft.fftfreq(self.dense.shape[0], 1 / self.finer)[:, None],
                fft.rfftfreq(self.dense.shape[1], 1 / self.finer)[None, :],
            )
        )

    @cached_property
    def _passed(self) -> Float:
        return self.passed(np.minimum(self._radius, HIGHEST))

    @cached_property
    def _spectrum(self) -> npt.NDArray[np.complex128]:
        return np.asarray(fft.rfft2(self.dense))


def continued(f: Float, frequency: Float, transfer: Float) -> Float:
    """The bands' response at `f`: between them a line, beyond the last an exponential fall."""
    back = max(0, len(frequency) - 4)
    run = frequency[-1] - frequency[back]
    fall = np.log(max(transfer[back], 1e-9) / max(transfer[-1], 1e-9)) / max(run, 1e-9)
    fall = float(np.clip(fall, GENTLEST, STEEPEST))
    beyond = np.exp(-fall * np.maximum(f - frequency[-1], 0))
    return np.asarray(np.interp(f, frequency, transfer) * beyond)


def roughness(stored: Float, where: npt.NDArray[np.bool_]) -> float:
    """Noise as the mean size of second differences in both directions where they are smallest
    (Immerkaer 1996, of a half of the places), in stored steps."""
    rest = np.diff(np.diff(stored, n=2, axis=0), n=2, axis=1)
    inside = np.abs(rest[where[1:-1, 1:-1]])
    return float(np.sort(inside)[: len(inside) // 2].mean()) / 6 if inside.size else 0.0
