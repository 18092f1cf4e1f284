"""What JPEG took of the lines of a ruled scale: a picture of lines like them, compressed as they were.

Once a response and a width of the lines are supposed, the whole picture of the ruling is, for every
line's place and length is measured. It is drawn, given the photo's noise, and stored with the file's
own tables. By what its fold and its ends then differ from those of the same picture not compressed,
the photo's are put right, and half of that is added to their uncertainty. As the response that is
supposed follows from the outcome, it is done a few times.

A coefficient below half a step is dropped (ITU-T T.81, A.3.4): weak harmonics lose most of what they
have, all lines alike, and no scatter between lines shows it. Derived here.

Frequencies in cycles/px, lengths in px; light is linear.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.edge_loss import TAKEN_U
from glassay.detail.lines_ends import Step, steps_in
from glassay.detail.lines_folded import BEYOND, Fold, Lines, folded
from glassay.detail.lines_profile import Bar
from glassay.detail.response_model import FREQUENCY
from glassay.errors import NotMeasurable
from glassay.fitting import SIGMA_OF_MAD
from glassay.imaging.compression import BLOCK, as_jpeg
from glassay.imaging.tone import eight_bit, linear_table, linear_to_srgb

Float = npt.NDArray[np.float64]

EDGE_PX = 40.0
"""How far from an edge its light is followed."""
TABLE_PER_PX = 64
NOISE_ROWS = 400
FEWEST, MOST_PIXELS = 16, 800_000
"""Lines, and pixels near lines, on which it is found what compression takes: on fewer pixels their
noise shows."""
FLAT = 2e-3
"""Share of a step below which what is left of an edge is not drawn: a fifth of the noise of a pixel."""


@dataclass(frozen=True)
class CompressedLines:
    """A photo of lines, and the tables with which it was stored.

    `light` (height, width) is linear; `segments` (lines, 4) the lines' ends, px.
    """

    light: npt.NDArray[np.floating]
    segments: Float
    rows: Lines
    tables: Mapping[int, Any]

    @classmethod
    def of(
        cls,
        light: npt.NDArray[np.floating],
        segments: Float,
        rows: Lines,
        tables: Mapping[int, Any],
    ) -> CompressedLines:
        """As many of the lines, of which `rows` holds all, as tell what compression takes: of long ones
        those amidst."""
        division = rows.division
        long = np.hypot(*(segments[:, 2:] - segments[:, :2]).T) + 2 * BEYOND * division
        count = max(FEWEST, int(MOST_PIXELS / (float(np.median(long)) * division)))
        if count >= len(segments):
            return cls(light, segments, rows.thinned(), tables)
        first = max(0, (len(segments) - count) // 2)
        mine = segments[first : first + count]
        return cls(light, mine, Lines.of(light, mine, division).thinned(), tables)

    def put_right(
        self, fold: Fold, steps: list[Step], modulation: Float, bars: Sequence[Bar], seed: int
    ) -> tuple[Fold, list[Step]]:
        """Fold and steps of the photo without what compression does to lines that are these `bars`
        under this response (`modulation` on `FREQUENCY`); as they are where it cannot be told."""
        corner, stored = self._drawn(modulation, bars, seed)
        light = linear_table(8, "srgb").astype(np.float64)
        pixel = self.rows.pixel - corner[:, None]

        def measured(picture: npt.NDArray[np.uint8]) -> tuple[Fold, list[Step]]:
            rows = replace(self.rows, value=light[picture[pixel[0], pixel[1]]])
            return folded(rows), steps_in(rows) if steps else []

        try:
            (whole, ends), (less, fewer) = measured(stored), measured(as_jpeg(stored, self.tables))
        except NotMeasurable:
            return fold, steps
        taken = less.amplitude - whole.amplitude
        right = replace(
            fold, amplitude=fold.amplitude - taken, error=np.hypot(fold.error, TAKEN_U * taken)
        )
        if not len(steps) == len(ends) == len(fewer):
            return right, steps
        return right, [_step_right(*of_one) for of_one in zip(steps, ends, fewer, strict=True)]

    def _drawn(
        self, modulation: Float, bars: Sequence[Bar], seed: int
    ) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.uint8]]:
        """The picture about the lines as it was before compression, and its corner (row, column).

        The corner lies on one of the photo's blocks, so that blocks cut the lines as they did.
        """
        corner = np.maximum(self.rows.pixel.min(axis=1) // BLOCK - 1, 0) * BLOCK
        end = self.rows.pixel.max(axis=1) + 1
        photo = self.light[corner[0] : end[0], corner[1] : end[1]]
        share = lines_drawn(self.segments - np.tile(corner[::-1], 2), photo.shape, modulation, bars)
        ground = self.rows.ground()
        depth = float((share * (1 - photo / ground)).sum() / max(float((share**2).sum()), 1e-9))
        noise = np.random.default_rng(seed).normal(0, _noise(photo), photo.shape)
        return corner, eight_bit(ground * (1 - depth * share), noise)


def _step_right(step: Step, whole: Step, less: Step) -> Step:
    taken = np.interp(step.place, less.place, less.value) - np.interp(
        step.place, whole.place, whole.value
    )
    return replace(step, value=step.value - taken, error=np.hypot(step.error, TAKEN_U * taken))


def _noise(photo: npt.NDArray[np.floating]) -> float:
    """Standard deviation of a pixel's noise in stored values, from the differences of differences
    in the middle of the photo."""
    first = max(0, (len(photo) - NOISE_ROWS) // 2)
    stored = 255 * linear_to_srgb(photo[first : first + NOISE_ROWS])
    mixed = np.diff(np.diff(stored, axis=0), axis=1) / 2
    return SIGMA_OF_MAD * float(np.median(np.abs(mixed)))


def lines_drawn(
    segments: Float, shape: tuple[int, ...], modulation: Float, bars: Sequence[Bar]
) -> Float:
    """Share of its light that lines, each of these `bars`, take from each px (height, width) under a
    response `modulation` on `FREQUENCY`, taken as the product of that along and across."""
    vector = segments[:, 2:] - segments[:, :2]
    length = np.hypot(*vector.T)
    unit = np.median(vector / length[:, None], axis=0)
    unit /= np.hypot(*unit)
    edge = _Edge(modulation)
    out = np.zeros(shape)
    widest = max(bar.width for bar in bars)
    for (cx, cy), long in zip((segments[:, :2] + segments[:, 2:]) / 2, length, strict=True):
        reach = np.abs(unit) * (long / 2 + edge.reach) + np.abs(unit[::-1]) * (
            widest / 2 + edge.reach
        )
        x0, x1 = max(0, int(cx - reach[0])), min(shape[1], int(cx + reach[0]) + 2)
        y0, y1 = max(0, int(cy - reach[1])), min(shape[0], int(cy + reach[1]) + 2)
        if x1 <= x0 or y1 <= y0:
            continue
        y, x = np.mgrid[y0:y1, x0:x1]
        along = (x - cx) * unit[0] + (y - cy) * unit[1]
        across = (x - cx) * unit[1] - (y - cy) * unit[0]
        for bar in bars:
            shorter = float(long) - 2 * bar.earlier
            out[y0:y1, x0:x1] += bar.dark * edge.bar(across, bar.width) * edge.bar(along, shorter)
    return out


class _Edge:
    """The edge spread, 1/2 + integral of M(f) sin(2 pi f x) / (pi f) df, from a table."""

    def __init__(self, modulation: Float) -> None:
        step = (FREQUENCY[1] - FREQUENCY[0]) / 4
        f = np.arange(step / 2, FREQUENCY[-1], step)
        weight = np.interp(f, FREQUENCY, modulation) * step / (np.pi * f)
        x = np.arange(0, EDGE_PX, 1 / TABLE_PER_PX)
        self._rise = np.sin(2 * np.pi * np.outer(x, f)) @ weight
        far = np.flatnonzero(np.abs(self._rise - 0.5) > FLAT)
        self.reach = float(x[far[-1]]) + 1 if far.size else 1.0

    def bar(self, x: Float, width: float) -> Float:
        """Light at `x` px from the middle of a bar `width` px wide."""
        return self._at(x + width / 2) - self._at(x - width / 2)

    def _at(self, x: Float) -> Float:
        near = np.rint(np.abs(x) * TABLE_PER_PX).astype(np.intp)
        return np.asarray(np.sign(x) * self._rise.take(near, mode="clip"))
