"""Local displacements between two pictures that already lie nearly on each other.

The overlap is cut into square blocks. In each, the fine picture's displacement, gain and offset are
found together by least squares on the brightness (Lucas and Kanade 1981), along with how much the
block knows: an edge along one direction says nothing about the other, and the information matrix
says so. The slopes are those of the fine picture, which is the cleaner one after averaging: noise
in slopes makes steps too short.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.match.pictures import Mask

Values = npt.NDArray[np.float64]

LEAST_COVER = 0.3
"""Share of a block that must lie in the overlap for it to count. Blocks on the rim matter: they are
the long lever of the scale."""


@dataclass(frozen=True, eq=False)
class Blocks:
    """What every block says.

    `middles` (n, 2): mean place of its px on the grid; `steps` (n, 2): displacement still missing,
    grid px, in the sense coarse(x) = fine(x + step); `information` (n, 2, 2): inverse covariance of
    the step if the px were independent; `correlation` (n,): of the aligned brightness, signed.
    """

    middles: Values
    steps: Values
    information: Values
    correlation: Values
    cover: Values

    @property
    def count(self) -> int:
        """Number of blocks."""
        return len(self.middles)


def measure_blocks(coarse: FloatImage, fine: FloatImage, mask: Mask, side: int) -> Blocks:
    """Displacement of `fine` against `coarse` in blocks of `side` px; see the module."""
    slope_y, slope_x = (np.gradient(fine, axis=axis) for axis in (0, 1))
    weight = _cut(mask.astype(np.float32), side)
    use = weight.mean(axis=1) > LEAST_COVER
    weight = weight[use]
    cover = weight.sum(axis=1)
    rows, columns = np.mgrid[: mask.shape[0], : mask.shape[1]].astype(np.float32)
    c, f, gx, gy = (
        _centred(_cut(v, side)[use], weight, cover) for v in (coarse, fine, slope_x, slope_y)
    )
    middles = np.stack(
        [(_cut(v, side)[use] * weight).sum(axis=1) / cover for v in (columns, rows)], axis=1
    )
    design = np.stack([gx, gy, f], axis=2)
    gram = np.einsum("bpi,bpj->bij", design, design)
    ridge = 1e-12 + 1e-9 * np.trace(gram, axis1=1, axis2=2)
    gram += ridge[:, None, None] * np.eye(3)
    solution = np.linalg.solve(gram, np.einsum("bpi,bp->bi", design, c)[..., None])[..., 0]
    rest = ((c - np.einsum("bpi,bi->bp", design, solution)) ** 2).sum(axis=1)
    power_c, power_f = (c**2).sum(axis=1), gram[:, 2, 2]
    variance = rest / (cover - 4) + 1e-6 * power_c / cover + 1e-12
    # coarse = gain fine(x + step): what was fitted to the slopes is gain x step
    gain, gain_variance = solution[:, 2], variance / power_f
    steps = solution[:, :2] * (gain / (gain**2 + gain_variance))[:, None]
    known = gram[:, :2, :2] - gram[:, :2, 2:] @ gram[:, 2:, :2] / gram[:, 2:, 2:]
    known *= (gain**2 / variance)[:, None, None]
    correlation = (c * f).sum(axis=1) / np.sqrt(power_c * power_f + 1e-24)
    return Blocks(middles, steps, known, correlation, cover)


def _cut(picture: FloatImage, side: int) -> Values:
    """The picture as blocks, (n, side * side); what is missing at the far sides is 0."""
    height, width = picture.shape
    down, across = -(-height // side), -(-width // side)
    whole = np.zeros((down * side, across * side))
    whole[:height, :width] = picture
    return whole.reshape(down, side, across, side).swapaxes(1, 2).reshape(-1, side * side)


def _centred(values: Values, weight: Values, cover: Values) -> Values:
    mean = (values * weight).sum(axis=1) / cover
    return np.asarray((values - mean[:, None]) * weight)
