"""The rhythm of a clip: which frames only repeat the one before.

A repeated frame differs from its predecessor by what compression does to it a second time, a new
exposure by noise and motion as well. How large either is depends on camera and encoder, so the two
groups are looked for in the clip itself, and where they do not separate nothing is claimed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import pdtrc

from glassay.fitting import scatter

Series = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

QUIET = 0.2
"""Difference, in levels, below which differences are alike: what rounding does to a copy."""

CEILING = {"alone": 0.3, "forward": 1.0, "both": 2.5}
"""Largest difference (rms, levels) of repeated frames, by how frames are coded: each alone, from
earlier ones, or as blends of earlier and later ones too, which compression smears into each other.
Highest seen in simulated and synthetic clips up to constant rate factor 28: 0, 0.84 and 2.0."""

BLENDED = 2.0
"""How far beyond that new exposures must lie where blends smear motion over several frames."""

SEPARATION = 3.5
"""Least distance of the groups' means in units of their common spread."""

GAP_BETWEEN = math.log(1.5)
"""Least distance from the 95th percentile of the lower group to the 5th of the upper."""

ALIKE = 0.15
"""Spread of logarithmic differences that is always allowed for, so that a few equal values do not
make a group."""

MOVING_PX = 0.1
"""Median step between new exposures above which a scene counts as moving."""

STANDING = 0.15
"""A key frame is coded anew, so its difference says little. In a moving scene it stands still when
it moved less than this part of the usual step."""

KEY_DOUBT = 0.02
"""Least probability of a wrong decision about a key frame, which enters the uncertainty of the
count; also that of a repeated key frame not to stand still."""

AROUND = ((-2, -1, 1, 2), (-1, 1), ())
"""Frames around one whose rhythm tells what to expect of it; the fewer are asked where hardly any
other place looks alike."""

ALIKE_PLACES = 3
"""Frames of a place that must be told before it stands for the others there: with fewer, the share of
repeated ones ((r + 1/2) / (n + 1)) is mostly that half."""

STEP_OF_COPIES = 4.0
MOST_STEP_OF_COPIES = 0.2
"""A frame that moved by more than this many times what the surest copies seem to, at least `MOVING_PX`
and at most this (px), is no copy, however little it differs beside a strongly moving scene's frames."""

STUCK_PX = 0.05
STUCK_DIFFERENCE = 0.6
"""A frame that stands this still (px) and differs by less than this part of what moving frames do may
be a copy that compression changed; rates that are steered frame by frame change copies by levels."""

HARDLY = 0.1
"""Part of the usual step by which copies seem to move when a second encoder blends them with their
neighbours: of 18 copies in a clip that moves by 5 px three did, by 0.1 to 0.3."""

STUCK_BESIDE_PX = 0.3
"""Median step (px) of moving frames from which standing ones are looked for: three `MOVING_PX`."""

BY_CHANCE = 0.01
"""Expected number of runs as long as one, were the clip's other frames its rhythm, below which a run
of frames without motion is no rhythm: the scene stands still, or the camera does."""

CATCHES_UP = 0.5
"""Part of the way missed in such a run that the scene must make up at its end for the camera to have
stood still and not the scene."""

FEWEST_MOVING = 10
"""Frames of a moving scene from which a clip's rate is told where the scene stands still in others."""

STILL_TAIL = 0.015
"""Density (per unit of logarithmic difference) of new exposures that by chance show hardly any
change: of a shaking picture's steps, one in some fifty to a hundred nearly vanishes."""

HIDDEN_PX, NEIGHBOURS = 0.15, 4
"""A new exposure that moved by less is coded as a copy of the one before, noise and all (seen at
constant rate factors from 18 on); and frames before and after one whose steps tell how far the scene
moves there."""

BLEND_DOUBT = 0.03
"""The same for any frame of a clip with blends, in which motion is smeared over several frames."""

ALL_BY_CHANCE = 0.05
"""Chance of as many hidden exposures as there are repetitions beyond which none of these is sure."""

ENOUGH_FRAMES = 5
"""Differences to be parted into two groups: two in each have a spread, and one decides."""


@dataclass(frozen=True)
class Comparison:
    """Each frame against the one before, (frames - 1,): rms `difference` in levels of 8 bits,
    `step_px` the picture's movement (NaN: unknown), and whether it `is_key`, coded without
    reference to others. `has_blends` tells of frames coded from earlier and later ones."""

    difference: Series
    step_px: Series
    is_key: Flags
    has_blends: bool = False

    @property
    def coding(self) -> str:
        """How the clip's frames are coded: "alone", "forward" or "both"."""
        if bool(self.is_key.all()):
            return "alone"
        return "both" if self.has_blends else "forward"


@dataclass(frozen=True)
class Repeats:
    """Which frames repeat their predecessor, (frames - 1,), and the standard uncertainty of their
    number. Of `doubtful` others it cannot be told: 0 where the two kinds separate, else all that
    differ as little as a repetition can. Where the scene is `standing` (None: nowhere) nothing is told:
    there a new exposure looks like a repetition."""

    flags: Flags
    doubtful: int = 0
    u_count: float = 0.0
    standing: Flags | None = None

    @property
    def still_frames(self) -> int:
        """How many frames are of a scene that stands still."""
        return 0 if self.standing is None else int(self.standing.sum())


def find_repeats(comparison: Comparison) -> Repeats:
    """Tell repeated frames from new exposures while the scene moves. Where they do not separate,
    none is flagged."""
    found = _told_apart(comparison)
    standing = _standing_scene(comparison, found.flags)
    moving = ~standing
    if not standing.any():
        return replace(found, doubtful=found.doubtful + _hidden(comparison, found.flags, moving))
    if moving.sum() < FEWEST_MOVING:
        return Repeats(np.zeros_like(standing), int(standing.sum()) + found.doubtful)
    again = _told_apart(
        Comparison(
            comparison.difference[moving], comparison.step_px[moving], comparison.is_key[moving],
            comparison.has_blends,
        )
    )  # fmt: skip
    flags = np.zeros_like(standing)
    flags[moving] = again.flags
    hidden = _hidden(comparison, flags, moving)
    return Repeats(flags, again.doubtful + hidden, again.u_count, standing)


def _hidden(comparison: Comparison, flags: Flags, moving: Flags) -> int:
    """How many of the repetitions must be expected to be new exposures of a scene that hardly moved.

    All of them where chance may hide as many (Poisson): one repetition among steps of which 0.8 are
    expected to be hidden is none that is sure. Steps in a plane whose median is s are shorter than x
    with probability 1 - 2^-(x/s)^2 where they scatter alike in all directions (Rayleigh).
    """
    steps = comparison.step_px
    new = np.flatnonzero(~flags & np.isfinite(steps) & moving)
    if comparison.coding == "alone" or not flags.any() or new.size < FEWEST_MOVING:
        return 0
    at = np.searchsorted(new, np.flatnonzero(moving))
    usual = np.array([
        np.median(steps[new[max(0, k - NEIGHBOURS) : k + NEIGHBOURS]]) for k in at
    ])  # fmt: skip
    shorter = 1 - 2 ** -((HIDDEN_PX / np.maximum(usual, 1e-3)) ** 2)
    expected = float(shorter.sum())
    told = int(flags.sum())
    if pdtrc(told - 1, expected) > ALL_BY_CHANCE:
        return told
    return 0 if expected < 1 else min(round(expected), told)


def _standing_scene(comparison: Comparison, flags: Flags) -> Flags:
    """Frames in runs without motion that are too long to be the clip's rhythm, and after which the
    scene goes on as slowly as before them or not at all."""
    steps = comparison.step_px
    standing = np.zeros_like(flags)
    new = ~flags & np.isfinite(steps)
    usual = (
        float(np.median(steps[new & (steps > MOVING_PX)])) if (steps[new] > MOVING_PX).any() else 0
    )
    if not usual:
        return standing
    lying = flags | (steps < max(MOVING_PX, STANDING * usual))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], lying, [False]]).astype(np.int8)))
    for start, end in edges.reshape(-1, 2):
        length = end - start
        elsewhere = (lying.sum() - length + 0.5) / (lying.size - length + 1)
        after = steps[end] if end < steps.size else 0.0
        caught_up = after > usual * (1 + CATCHES_UP * length)
        if lying.size * elsewhere**length < BY_CHANCE and not caught_up:
            standing[start:end] = True
    return standing


def _told_apart(comparison: Comparison) -> Repeats:
    """Repetitions among frames of a scene that moves throughout, or stands still throughout: by how
    little they differ, and where motion is strong by their standing still."""
    found = _told_by_difference(comparison)
    steps, difference = comparison.step_px, comparison.difference
    moving = ~found.flags & (steps > MOVING_PX)
    if not moving.any():
        return found
    usual_step, usual = (float(np.median(one[moving])) for one in (steps, difference))
    ceiling = CEILING[comparison.coding]
    # Differing as little as copies do, noise of which a part was coded is no motion.
    if usual_step < STUCK_BESIDE_PX or usual < ceiling:
        return found
    little = ~found.flags & (difference < STUCK_DIFFERENCE * usual)
    # what hardly moved beside strong motion, and more than a copy does, may be one all the same
    hardly = little & (steps >= STUCK_PX) & (steps < MOVING_PX)
    blurred = ~found.flags & (difference <= ceiling) & (steps >= MOVING_PX)
    hardly |= blurred & (steps < HARDLY * usual_step)
    found = replace(found, doubtful=found.doubtful + int(hardly.sum()))
    stuck = little & (steps < STUCK_PX)
    if not stuck.any():
        return found
    others = ~found.flags & ~stuck & np.isfinite(steps)
    if others.any() and float(np.quantile(steps[others], 0.05)) > MOST_STEP_OF_COPIES:
        doubt = math.hypot(found.u_count, math.sqrt(float(stuck.sum()) * KEY_DOUBT))
        return Repeats(found.flags | stuck, int(hardly.sum()), doubt)
    return Repeats(found.flags, found.doubtful + int(stuck.sum()), found.u_count)


def _told_by_difference(comparison: Comparison) -> Repeats:
    """Repetitions by how little they differ from the frame before."""
    difference, is_key = comparison.difference, comparison.is_key
    coding = comparison.coding
    ceiling = CEILING[coding]
    none = np.zeros_like(is_key)
    learn = ~none if coding == "alone" else ~is_key
    if coding == "alone" and difference.size and not difference.any():
        return Repeats(~none)  # one picture over and over
    undecided = Repeats(none, int((difference <= ceiling).sum()))
    level = np.log(difference + QUIET)
    place = _split(level[learn], math.log(ceiling + QUIET))
    if place is None:
        return undecided
    moved = _moved(comparison.step_px, level, learn & (level < place))
    low = (level < place) & ~moved
    if not low[learn].any():
        return undecided
    expected = _expected_from_rhythm(low, is_key & ~learn)
    chance = _chance_of_repeat(level, learn, low, expected)
    chance[moved] = np.minimum(chance[moved], KEY_DOUBT)
    repeats = chance > 0.5
    new = learn & ~repeats
    if coding != "alone":
        # new exposures must lie beyond what repetitions reach, or some may hide among them
        least = ceiling * (BLENDED if coding == "both" else 1)
        if float(np.quantile(difference[new], 0.05)) < least:
            return undecided
        chance[is_key] = _chance_of_repeated_keys(comparison, expected, new)
        repeats[is_key] = chance[is_key] > 0.5
        if coding == "both":
            chance = np.clip(chance, BLEND_DOUBT, 1 - BLEND_DOUBT)
    doubt = math.sqrt(float((chance * (1 - chance)).sum()))
    return Repeats(repeats, 0, doubt)


def _split(level: Series, ceiling: float) -> float | None:
    """Where two groups of logarithmic differences part best; None for a single group.

    The best place makes the groups' means farthest apart in units of their spread (Fisher 1936).
    """
    if level.size < ENOUGH_FRAMES:
        return None
    order = np.sort(level)
    count = np.arange(1, order.size)
    low_sum, low_square = np.cumsum(order)[:-1], np.cumsum(order**2)[:-1]
    rest = order.size - count
    low_mean, high_mean = low_sum / count, (order.sum() - low_sum) / rest
    spread = low_square / count - low_mean**2
    spread += ((order**2).sum() - low_square) / rest - high_mean**2
    apart = (high_mean - low_mean) / np.sqrt(np.maximum(spread, 0) + ALIKE**2)
    place = int(np.argmax(np.where(low_mean < ceiling, apart, 0.0)))
    low, high = order[: place + 1], order[place + 1 :]
    gap = float(np.quantile(high, 0.05) - np.quantile(low, 0.95))
    if apart[place] < SEPARATION or gap < GAP_BETWEEN or float(np.quantile(low, 0.9)) > ceiling:
        return None
    return float((low[-1] + high[0]) / 2)


def _moved(steps: Series, level: Series, low: Flags) -> Flags:
    """Frames that moved, by what those of a `low` group do that differ least."""
    surest = steps[low & (level <= np.median(level[low])) & np.isfinite(steps)]
    copies = float(np.quantile(surest, 0.95)) if surest.size else math.inf
    limit = min(max(MOVING_PX, STEP_OF_COPIES * copies), MOST_STEP_OF_COPIES)
    return np.asarray(steps > limit)


def _chance_of_repeat(level: Series, learn: Flags, low_group: Flags, expected: Series) -> Series:
    """Probability of belonging to the lower of two groups.

    Normal groups, the upper one with a tail of pictures that hardly changed; weighed (Bayes) with
    what the rhythm leads to expect.
    """
    density = []
    for group in (level[learn & low_group], level[learn & ~low_group]):
        middle = float(np.median(group))
        spread = max(ALIKE, scatter(group - middle))
        distance = np.minimum(((level - middle) / spread) ** 2, 100)
        density.append(np.exp(-distance / 2) / (spread * math.sqrt(2 * math.pi)))
    low, high = density
    high = high + STILL_TAIL * low_group
    # what differs even less than the lower group's middle repeats all the more
    low = np.where(level < np.median(level[learn & low_group]), low.max(), low)
    odds = low / np.maximum(high, 1e-30) * expected / (1 - expected)
    return np.asarray(odds / (1 + odds))


def _expected_from_rhythm(repeats: Flags, unknown: Flags) -> Series:
    """How often frames repeat where those around them do so alike, for each frame.

    Frames of which it is `unknown` teach nothing, nor does a frame about itself.
    """
    state = np.pad(np.where(unknown, 2, repeats).astype(np.int64), 2, constant_values=2)
    known, count = (~unknown).astype(np.float64), repeats.size
    flags = repeats * known
    expected, settled = np.full(count, 0.5), np.zeros(count, dtype=np.bool_)
    for steps in AROUND:
        code = np.zeros(count, dtype=np.int64)
        for step in steps:
            code = 3 * code + state[2 + step : 2 + step + count]
        alike = np.bincount(code, known)[code] - known
        repeated = np.bincount(code, flags)[code] - flags
        new = ~settled & ((alike >= ALIKE_PLACES) | (not steps))
        expected[new] = ((repeated + 0.5) / (alike + 1))[new]
        settled |= new
    return expected


def _chance_of_repeated_keys(comparison: Comparison, expected: Series, new: Flags) -> Series:
    """Probability that each key frame repeats its predecessor.

    What the rhythm leads to expect, weighed (Bayes) with whether the frame stands still, where the
    scene moves: new exposures do so by chance as often as is seen among other frames.
    """
    here = expected[comparison.is_key]
    standing = _standing(comparison, new)
    if standing is not None:
        by_chance = (float(standing[new].sum()) + 1) / (float(new.sum()) + 2)
        likelihood = np.where(
            standing[comparison.is_key], (1 - KEY_DOUBT) / by_chance, KEY_DOUBT / (1 - by_chance)
        )
        odds = here / (1 - here) * likelihood
        here = odds / (1 + odds)
    return np.asarray(np.clip(here, KEY_DOUBT, 1 - KEY_DOUBT))


def _standing(comparison: Comparison, new: Flags) -> Flags | None:
    """Frames that stand where the one before stood and differ little; None for a still scene."""
    steps = comparison.step_px[new & np.isfinite(comparison.step_px)]
    usual = float(np.median(steps)) if steps.size else 0.0
    if usual <= MOVING_PX:
        return None
    little = comparison.difference < float(np.median(comparison.difference[new]))
    return np.asarray((comparison.step_px < STANDING * usual) & little)
