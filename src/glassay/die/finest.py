"""The finest line, space and pitch of what the strips of a die hold, and where telling them ends."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from glassay.die.stripes import Run, Stripe, Stripes
from glassay.fitting import spread
from glassay.quantity import Contribution, Quantity, combine

Array = npt.NDArray[np.float64]

WIDTH_FROM_BLUR = 2.6
"""Width of a line, in blurs (standard deviations), from which it is measured. Below, the steepest
places of its two edges hardly move with its width, and all lines look alike: at 2.6 a blur that is off
by 5 % moves the width by 2 %, at 2.0 by 5 % (`_bearing`)."""

TOLD_PITCH = math.pi * math.sqrt(2 / math.log(10))
"""Pitch, in blurs, at which a Gaussian leaves 10 % of the modulation: exp(-2 pi^2 s^2 / p^2) = 0.1."""

WIDTH_FROM_TOLD = WIDTH_FROM_BLUR / (TOLD_PITCH / 2)
"""Width from which a line is measured over the finest that is told at 10 % modulation, half a pitch."""

LEAST_WIDTH_PX = 3.0
"""Narrowest line that is measured, px: what a colour mosaic, compression and sharpening do within 2 px
is no blur that all edges share."""

LEAST_PITCH_PX = 3.0
"""Finest pitch that is believed: nearer to 2 px finer patterns show as a coarser one (moire)."""

PASSED = 0.42
"""Blur times frequency, cycles, at which a Gaussian leaves 3 % of the modulation. What is finer than
2 px shows as a pitch p of its own, from the frequency 1 - 1/p cycles/px (moire): a pitch is believed
where the blur leaves less than that of it."""

FEWEST, LEAST_SHARE = 20, 0.04
"""Lines of one width that make it a width of the drawing: so many, and this part of the length of all.
Slivers that parts of a drawing leave where they overlap are narrower, fewer and short."""

TOO_FEW = 5
"""Lines of one width, with `LEAST_SHARE` of all length, of which too few stand alone: what is told
beside them is not the finest. In 11 drawn dies there were such lines (15 and more, a third to half of
all length) in the three whose finest was missed, by 14 to 15 %, and none in the others."""

ALIKE, KERNEL = 0.06, 0.035
"""Relative difference in width or pitch up to which two are one, and by how much they are smeared where
the densest place is looked for (from their scatter in drawn dies, 3 to 6 %)."""

SAME_PITCH = 0.01
"""The same for pitches, which runs of lines tell more closely."""

SAME_GROUND = 1.3
"""Ratio of a line's edges up to which it lies on one ground: beside another edge too close to be told
apart, a line seems wider or narrower than it is, and its edges differ."""

ROOM = 2.5
"""Distance of the next edge, in blurs, from which a line counts: nearer ones are not told apart."""

U_WHICH = 0.05
"""Relative standard uncertainty of a width for which lines are of it and what lies beside them. Drawn
dies whose wires stand alone gave errors of 1 % (median) and 4 % (worst of 9)."""

FAINT = 0.1
"""Lines whose edges are fainter than this part of those of strong ones (the upper quartile) are noise,
or what compression leaves."""

U_BLUR = 0.05
"""Relative standard uncertainty of the blur beyond its scatter: no lens blurs as a Gaussian does."""

U_PLACE_PX = 0.02
"""Standard uncertainty of a width that sampling and the tone of narrow lines leave, px."""


@dataclass(frozen=True)
class Finest:
    """Finest bright line, dark space and even pitch, px; None where there is none that can be measured.

    `limit` is the width from which lines are measured, `limit_pitch` the finest pitch told, px;
    `at_limit` says that the lines reach down to the limit, so that there may be finer ones; `seen` is
    the share of the die that was looked at, of which the finest is told.
    """

    line: Quantity | None
    space: Quantity | None
    pitch: Quantity | None
    limit: float | None
    limit_pitch: float | None
    at_limit: bool
    notes: tuple[str, ...] = ()
    few: float | None = None
    seen: float = 1.0

    def reduced(self, many: int, seen: float = 1.0) -> Finest:
        """The same in px of which one is so many across, of so large a share of the die."""

        def px(one: Quantity | None) -> Quantity | None:
            return None if one is None else combine(lambda length: length / many, (one,), "px")

        def length(one: float | None) -> float | None:
            return None if one is None else one / many

        return replace(
            self, line=px(self.line), space=px(self.space), pitch=px(self.pitch), few=length(self.few),
            limit=length(self.limit), limit_pitch=length(self.limit_pitch), seen=seen,
        )  # fmt: skip


def find_finest(stripes: Stripes, told_px: float | None = None) -> Finest:
    """The finest of everything; `told_px` is the finest line that the instrument tells, px."""
    blur = stripes.blur_px
    if blur is None:
        return Finest(None, None, None, None, None, False, (
            "no edge on the die stands alone, so that its blur and with it the finest line cannot be"
            " told",
        ))  # fmt: skip
    limit = max(WIDTH_FROM_BLUR * blur, LEAST_WIDTH_PX)
    limit_pitch = max(TOLD_PITCH * blur, LEAST_PITCH_PX)
    notes = []
    own = stripes.own_blur_px
    if own <= PASSED * LEAST_PITCH_PX / (LEAST_PITCH_PX - 1):
        limit_pitch = max(limit_pitch, 1 / (1 - PASSED / own) if own > PASSED else math.inf)
        notes.append(
            "the picture is sharper than its px carry: finer patterns may show in it as coarser ones"
            " (moire), and only coarse pitches are believed"
        )
    if told_px is not None:
        limit = max(limit, WIDTH_FROM_TOLD * told_px)
        limit_pitch = max(limit_pitch, 2 * told_px)
    contrasts = [s.contrast for s in stripes.stripes]
    strong = float(np.quantile(contrasts, 0.75)) if contrasts else 0.0
    clear = [
        s for s in stripes.stripes
        if s.contrast > FAINT * strong and s.oddness < SAME_GROUND and s.room > ROOM * blur
    ]  # fmt: skip
    if stripes.sharp is not None:  # whether there are finer ones shows best as the picture is
        first = find_finest(stripes.sharp, told_px)
        if first.at_limit:
            return first
    line, below, few = _finest_width([s for s in clear if s.bright], stripes, limit)
    space, _, _ = _finest_width([s for s in clear if not s.bright], stripes, limit)
    pitch = _finest_pitch(stripes.runs, limit_pitch)
    return Finest(line, space, pitch, limit, None if math.isinf(limit_pitch) else limit_pitch, below,
                  tuple(notes), few)  # fmt: skip


def _finest_width(
    found: Sequence[Stripe], stripes: Stripes, limit: float
) -> tuple[Quantity | None, bool, float | None]:
    """The least width of which there are many, if it is above the limit; whether there are as many
    below; and the width of finer ones that are too few."""
    assert stripes.blur_px is not None
    # each direction is drawn by its own rules, and blurred a little differently
    sides = [
        tuple(
            np.array([getattr(s, name) for s in found if s.upright == upright], np.float64)
            for name in ("width", "length")
        )
        for upright in (True, False)
    ]
    modes = [(mode, widths[np.abs(widths / mode - 1) < ALIKE]) for widths, lengths in sides
             if (mode := _least_mode(widths, lengths)) is not None]  # fmt: skip
    if not modes:
        return None, False, None
    mode, mine = min(modes, key=lambda one: one[0])
    if mode < limit:
        return None, True, None
    finer = [_finer(widths, lengths, limit, mode) for widths, lengths in sides]
    few = min((width for width in finer if width is not None), default=None)
    if few is not None:
        return None, False, few
    value = float(np.median(mine))
    u_blur = math.hypot(stripes.u_blur_px / math.sqrt(12), U_BLUR * stripes.blur_px)
    parts = (
        Contribution(
            "scatter of the lines", spread(mine) * 1.2533 / math.sqrt(mine.size), scope="exposure"
        ),
        # what is drawn on this die is so in every picture of it
        Contribution("which lines are of one width", U_WHICH * value, scope="reference"),
        Contribution(
            "blur of the picture", _bearing(value / stripes.blur_px) * u_blur, scope="capture"
        ),
        Contribution("sampling", U_PLACE_PX, scope="capture"),
    )
    return Quantity(value, "px", parts), False, None


def _finer(widths: Array, lengths: Array, limit: float, mode: float) -> float | None:
    """A width above the limit and below the mode that too few lines have to be told by them."""
    between = (widths > limit) & (widths < (1 - ALIKE) * mode)
    whole = float(lengths.sum())
    return _least_mode(widths[between], lengths[between], fewest=TOO_FEW, whole=whole)


def _least_mode(
    sizes: Array, weights: Array, alike: float = ALIKE, kernel: float = KERNEL, fewest: int = FEWEST,
    whole: float | None = None,
) -> float | None:  # fmt: skip
    """The least size about which many lie (`fewest`, and `LEAST_SHARE` of the `whole` weight, by
    default that of all sizes), there where they lie densest."""
    from scipy.signal import find_peaks  # scipy.stats comes with it: a second of loading

    if sizes.size < fewest:
        return None
    if whole is None:
        whole = float(weights.sum())
    grid = np.exp(
        np.arange(math.log(sizes.min()) - alike, math.log(sizes.max()) + alike, kernel / 4)
    )
    # how many in narrow classes of relative size, smeared by the kernel
    count = np.histogram(sizes, grid)[0].astype(np.float64)
    dense = gaussian_filter1d(count, 4.0, mode="constant")
    tops, _ = find_peaks(np.concatenate([[0.0], dense, [0.0]]))
    for top in tops - 1:
        size = math.sqrt(float(grid[top] * grid[top + 1]))
        mine = np.abs(sizes / size - 1) < alike
        if mine.sum() >= fewest and weights[mine].sum() >= LEAST_SHARE * whole:
            for _ in range(3):
                size = float(np.median(sizes[np.abs(sizes / size - 1) < alike]))
            return size
    return None


def _bearing(width: float) -> float:
    """How much a line's width moves with the blur, from width and blur in blurs (see `stripes`).

    With two edges of equal height, D - w = 2 D exp(-D^2 / 2 s^2) nearly; differentiated by s at s = 1.
    """
    return 2 * width**3 * math.exp(-(width**2) / 2)


def _finest_pitch(runs: Sequence[Run], limit: float) -> Quantity | None:
    told = [run for run in runs if run.pitch >= limit]
    if not told:
        return None
    pitch = np.array([run.pitch for run in told])
    lines = np.array([run.lines for run in told], np.float64)
    mode = _least_mode(pitch, lines, SAME_PITCH, SAME_PITCH / 2, FEWEST // 2)
    if mode is None:
        return None
    mine = np.abs(pitch / mode - 1) < SAME_PITCH
    weight = lines[mine] ** 3
    value = float((weight * pitch[mine]).sum() / weight.sum())
    off = np.abs(pitch[mine] - value)
    # weighted scatter; strips in succession see the same lines, so that a third of them count
    u = math.sqrt(float((weight * off**2).sum() / weight.sum()) / max(1.0, mine.sum() / 3))
    scattered = Contribution(
        "scatter of the runs", u, max(1.0, mine.sum() / 3 - 1), scope="exposure"
    )
    return Quantity(value, "px", (scattered,))
