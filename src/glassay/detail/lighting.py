"""Whether a chip is lit so that its edges are not steps: from one side, or as in dark field.

The response is told from edges taken for steps between even surfaces. Under light from one side an
edge that faces the lamp shines and one that turns away lies in shadow; in dark field edges alone
send light. Both make lines of the edges, and what is told of them as steps is wrong by as much as
its own size.

Light from one side adds to a picture F a share of its slope toward the lamp, F + e dF/dl: in terms
of frequencies, a phase of atan(2 pi e f_l) beside a change of size. The size is mixed with the
unknown response; the phase is not, for a response without coma has none. The slopes of a chip are
sparse (steps at few places), and any phase spreads them: of all phases the true one leaves the
slopes sparsest, which is how minimum entropy deconvolution finds it (Wiggins, Geoexploration 16,
1978; from memory). So the picture is turned by the phases of lamps in eight directions. What a phase
spreads in a picture of steps, it spreads as much when taken back: opposite directions agree. Where
they do not, the picture was lit from one of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import scipy.fft

from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage

Float = npt.NDArray[np.float64]

DIRECTIONS = 8
STRENGTH = 0.6
"""Length e that is tried, in 10-90 % widths of an edge. Light of a quarter and of eight times that is
found with it; at 1.6 the weak is no longer."""

TILE_PX, TILES = 340, 4
"""Largest side and number of the parts that are looked at, those of the strongest detail."""

BLOCK_PX = 34
"""Side of the blocks whose scatter says how sure a gain is: wider than edges, so that blocks are
independent, and some hundred of them."""

SURE_U = 3.0
"""Difference of opposite directions, in its standard uncertainty, from which light came from one
side. On 120 drawn chips in bright field the largest of the four pairs reaches 2.1; on drawn chips lit
from one side whose response was told more than 7 % wrongly it is 3.3 and more."""

BLACK, FLATS_LEFT = 0.15, 0.6
"""In dark field the darkest parts send less than this share of the brightest, and an opening wider
than edges leaves less than this share of the bright. Silicon and its oxides send a tenth of what
metal does and more (common practice, no source), and a chip in bright field has flat bright parts:
on drawn chips and photos that are as black, 0.67 and more is left, in dark field 0.53 and less.
Where nothing but crowded, unresolved wiring shines, dark field is not seen so."""

OPENING = 6.0
"""Diameter of that opening in 10-90 % widths."""

STEP_ROOM, STEPS = 2.2, 0.1
"""Room beside an edge, in its widths, that the other edge of the same bright line cannot leave; and the
share of such edges below which the picture is one of lines. In dark field it is 0 to 0.07."""


@dataclass(frozen=True)
class OneSided:
    """Light from one side: where the lamp stands (degrees, from +x toward +y of the picture), by how
    much sparser slopes are with its phase taken back than with the opposite one's, as a logarithm,
    and the standard uncertainty of that."""

    lamp_deg: float
    gain: float
    gain_u: float


def check_light(image: FloatImage, width: float, room: Float | None = None) -> None:
    """Raise `NotMeasurable` where a chip's edges are not steps in this light.

    `image` is linear light (height, width), `width` the usual 10-90 % width of its edges in px;
    `room` (edges,) their distances to the next edge, in widths, tell lines from steps where given.
    """
    if one_sided(image, width) is not None:
        raise NotMeasurable(FROM_ONE_SIDE)
    if room is not None and np.mean(room > STEP_ROOM) < STEPS and is_dark_field(image, width):
        raise NotMeasurable(DARK_FIELD)


FROM_ONE_SIDE = (
    "the chip is lit from one side: edges shine or lie in shadow by the way they face, so that"
    " they do not show the instrument's response; light it along the optical axis or from all sides"
)
DARK_FIELD = (
    "only edges send light, as in dark field: such lines do not show the instrument's response; "
    "light the chip along the optical axis"
)


def is_dark_field(image: FloatImage, width: float) -> bool:
    """Whether a picture (height, width) is black but for what is about `width` px wide."""
    step = max(1, round(width / 4))
    calm = cv2.GaussianBlur(image, (0, 0), 0.2 * width)[::step, ::step]
    low, high = (float(v) for v in np.quantile(calm, (0.02, 0.98)))
    if not 0 <= low < BLACK * high:
        return False
    side = max(3, round(OPENING * width / step))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    left = float(np.quantile(cv2.morphologyEx(calm, cv2.MORPH_OPEN, kernel), 0.995))
    return left - low < FLATS_LEFT * (high - low)


def one_sided(image: FloatImage, width: float) -> OneSided | None:
    """From where a picture (height, width) is lit, if from one side; `width` as of `check_light`."""
    tiles = [_Tile(part, width) for part in _parts(image) if np.ptp(part) > 0]
    if not tiles:
        return None
    best = max(_towards(tiles, width), key=lambda one: one.gain)
    return best if best.gain > SURE_U * best.gain_u else None


def _towards(tiles: list[_Tile], width: float) -> list[OneSided]:
    """What is gained with a lamp in each direction over one in the opposite direction."""
    angles = [2 * math.pi * k / DIRECTIONS for k in range(DIRECTIONS)]
    e = STRENGTH * width
    turned = [_joined(tiles, e * math.cos(a), e * math.sin(a)) for a in angles]
    found = []
    for k, angle in enumerate(angles):
        (mean, power), (other_mean, other_power) = turned[k], turned[k - DIRECTIONS // 2]
        gain = _sparseness(mean, power) - _sparseness(other_mean, other_power)
        # Each block's part in it, to first order.
        parts = (
            other_mean / other_mean.sum() - mean / mean.sum()
            - 0.5 * (other_power / other_power.sum() - power / power.sum())
        )  # fmt: skip
        u = float(np.std(parts)) * math.sqrt(len(parts))
        found.append(OneSided(math.degrees(angle), gain, u))
    return found


def _sparseness(mean: Float, power: Float) -> float:
    """Of slopes of this mean size and mean square in each block: root mean square over mean."""
    return 0.5 * math.log(float(power.sum())) - math.log(float(mean.sum()))


def _joined(tiles: list[_Tile], along: float, down: float) -> tuple[Float, Float]:
    found = [tile.slopes(along, down) for tile in tiles]
    return np.concatenate([m for m, _ in found]), np.concatenate([p for _, p in found])


class _Tile:
    """A part of the picture, its spectrum without what noise covers."""

    def __init__(self, part: FloatImage, width: float) -> None:
        self._shape = part.shape
        ends = [np.hanning(n).astype(np.float32) ** 0.25 for n in part.shape]
        calm = (part - part.mean()) * ends[0][:, None] * ends[1][None, :]
        self._fy = scipy.fft.fftfreq(part.shape[0]).astype(np.float32)[:, None]
        self._fx = scipy.fft.rfftfreq(part.shape[1]).astype(np.float32)[None, :]
        # Half the frequency at which a Gaussian blur of that width falls to 10 %.
        limit = 0.44 / width
        weight = np.exp(-0.5 * (self._fx**2 + self._fy**2) / limit**2)
        self._spectrum = (2j * np.pi * scipy.fft.rfft2(calm) * weight).astype(np.complex64)

    def slopes(self, along: float, down: float) -> tuple[Float, Float]:
        """Mean size and mean square of the slopes in each block, turned by the phase of a lamp
        (`along`, `down`), px."""
        phase = np.arctan(2 * np.pi * (along * self._fx + down * self._fy))
        turned = self._spectrum * np.exp(-1j * phase)
        both = [scipy.fft.irfft2(turned * f, s=self._shape) for f in (self._fx, self._fy)]
        return _in_blocks(sum(np.abs(s) for s in both)), _in_blocks(sum(s * s for s in both))


def _in_blocks(values: npt.NDArray[np.float32]) -> Float:
    rows, columns = (n // BLOCK_PX for n in values.shape)
    cut = values[: rows * BLOCK_PX, : columns * BLOCK_PX]
    blocks = cut.reshape(rows, BLOCK_PX, columns, BLOCK_PX).mean(axis=(1, 3))
    return np.asarray(blocks.ravel(), np.float64)


def _parts(image: FloatImage) -> list[FloatImage]:
    """The parts of the strongest detail, even where the picture is small."""
    sides = [min(n, TILE_PX) for n in image.shape]
    if min(sides) < 2 * BLOCK_PX:
        return []
    corners = [
        [n * k // max(round(n / side), 1) for k in range(max(n // side, 1))]
        for n, side in zip(image.shape, sides, strict=True)
    ]
    parts = [
        np.ascontiguousarray(image[y : y + sides[0], x : x + sides[1]], dtype=np.float32)
        for y in corners[0] for x in corners[1]
    ]  # fmt: skip
    whole = [part for part in parts if part.shape == (sides[0], sides[1])]
    return sorted(whole, key=lambda part: -float(np.abs(np.diff(part, axis=1)).mean()))[:TILES]
