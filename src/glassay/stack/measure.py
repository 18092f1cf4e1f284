"""A focus stack: one picture that is sharp everywhere, and a map of depth, from a run of photos."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity, combine
from glassay.stack.align import Alignment, Sharp, align
from glassay.stack.blend import Plan, blend
from glassay.stack.depth import KNOWN_TRUST, settle_rims
from glassay.stack.doubles import Without, in_words, repeats
from glassay.stack.judge import FINE_SHARE, Grid, Judged, judge
from glassay.stack.sharpness import grain

Array = npt.NDArray[Any]

METHOD = "sharpness on three scales through the run"
ALIGNMENT_METHOD = "similarities of neighbouring photos, solved together"
FEWEST_PHOTOS = 3
"""A peak of sharpness needs a photo on either side."""
SMALLEST_SIDE_PX = 64
COARSEST_GRAIN = 8
"""Px in a place of the sharpness volume beyond which it would miss what it is to see."""
LEAST_SHARP = 0.01
"""Share of the picture that must be sharp somewhere; below, there is nothing to stack."""
ONE_SIDED = 0.02
"""Share of the picture sharpest in the first or last photo from which this is said."""
ALL_ONE_SIDED = 0.8
"""Share of what is sharp that lies at one end from which the run is called one-sided."""
RISES_AGAIN, MOST_AGAIN = 0.3, 0.08
"""Rise of sharpness after a fall, in shares of its peak, that makes a second peak, and share of the
sharp places that may have one: tilted planes give 0.7 %, a simulated run with bond wires 1 %, two
photos swapped 14 % and more, a run there and back 98 %."""
TOGETHER_RISES, TOGETHER_SHARE, TOGETHER_FEWEST = 0.1, 0.03, 30
"""Such a rise of the median over all places that are sharpest in one photo, and the least share of the
sharp places and number that tell one: runs in order give 0.04 at most (60 of the attack's, light that
flickers the most), one that was shuffled so that most of its places came in order 0.21."""
RANGE_ENDS = (1.0, 99.0)
"""Percentiles of depth between which the range is stated: single places may be wrong."""
DRIFT_SAID = 0.05
"""Change of light along the run from which it is said that it was evened out."""


@dataclass(frozen=True)
class StackResult:
    """A stack, as the `reference` photo (counted from 0) lies.

    `picture` is linear light, 0..1, float32, (height, width) or (height, width, 3). `places` and
    `u_places` (height, width) are depth in photos counted from 0 and its standard uncertainty, NaN
    where unknown. `plan` is what the picture was put together by. `step` is the way of focus from
    photo to photo, um.
    """

    picture: FloatImage
    plan: Plan
    places: FloatImage
    u_places: FloatImage
    sharp_share: float
    first_share: float
    last_share: float
    step: Quantity | None
    pixel_size: Quantity | None
    notes: tuple[str, ...]

    @property
    def alignment(self) -> Alignment:
        """How the photos lie upon each other."""
        return self.plan.alignment

    @property
    def frames(self) -> int:
        """Number of photos."""
        return len(self.alignment.matrices)

    @property
    def depth(self) -> FloatImage:
        """Depth from the first photo, um with a step, else in steps; NaN where unknown."""
        return np.asarray(self.places * np.float32(self._scale), dtype=np.float32)

    @property
    def u_depth(self) -> FloatImage:
        """Standard uncertainty of `depth` by noise and sampling (the step's own left out)."""
        return np.asarray(self.u_places * np.float32(self._scale), dtype=np.float32)

    @property
    def depth_unit(self) -> str:
        """Unit of `depth`: um or steps."""
        return "steps" if self.step is None else "um"

    @property
    def _scale(self) -> float:
        return 1.0 if self.step is None else self.step.value

    def depth_range(self) -> Quantity | None:
        """From the lowest to the highest place of known depth (percentiles 1 and 99), if any is."""
        known = np.isfinite(self.places)
        if not known.any():
            return None
        places, u = self.places[known], self.u_places[known]
        low, high = np.percentile(places, RANGE_ENDS)
        ends = [float(np.median(u[side])) for side in (places <= low, places >= high)]
        steps = Quantity(
            float(high - low), "steps",
            (Contribution("depth at the near end", ends[0], scope="capture"),
             Contribution("depth at the far end", ends[1], scope="capture")),
        )  # fmt: skip
        if self.step is None:
            return steps
        return combine(lambda d, s: d * s, [steps, self.step], "um")

    def findings(self) -> dict[str, Finding]:
        """frames, depth_range (steps; um with a step), in_focus_share and magnification_change."""
        size = self.places.size
        share = Quantity(
            self.sharp_share, "1",
            (Contribution("places at the limit", math.sqrt(1 / size), scope="capture"),),
        )  # fmt: skip
        change = float(self.alignment.magnification[-1] / self.alignment.magnification[0])
        out = {
            "frames": Finding(self.frames, METHOD),
            "in_focus_share": Finding(share, METHOD),
            "magnification_change": Finding(
                Quantity(change - 1, "1", (Contribution(
                    "agreement of pairs", self.alignment.u_log_magnification * change,
                    scope="capture"),)), ALIGNMENT_METHOD),
        }  # fmt: skip
        deep = self.depth_range()
        if deep is not None:
            out["depth_range"] = Finding(deep, METHOD)
        return out

    def evidence(self) -> dict[str, Any]:
        """What is needed to draw the stack: picture, depth and how the photos lie."""
        return {
            "picture": self.picture, "depth": self.depth, "u_depth": self.u_depth,
            "depth_unit": self.depth_unit, "magnification": self.alignment.magnification,
            "shift_px": self.alignment.shift_px, "agreement": self.alignment.agreement,
        }  # fmt: skip


def measure_stack(
    frames: Iterable[FloatImage],
    *,
    step: Quantity | None = None,
    pixel_size: Quantity | None = None,
    of_clip: bool = False,
) -> StackResult:
    """Stack photos in linear light, (height, width) or (height, width, 3), in the order of focus.

    `frames` is gone through six times or more and must give the same photos each time (a list, or an
    object that reads them anew); only a few are held at once. Photos that show the height of the one
    before again are left out; depth is then told in steps of the others, not in um. `of_clip` says
    that a camera may have repeated frames, px for px, where copies of photos are refused. Raises
    NotMeasurable for fewer than three photos, photos of different size, blank ones, ones that do not
    show the same thing, and where nothing is sharp beyond noise.
    """
    shape, count, twice = _looked_at(frames)
    grid = Grid(shape, count)
    first = align(_greys(frames))
    judged = _judged_finely_enough(frames, first, grid)
    sharp = Sharp(judged.grid.to_photo(judged.depth.place), first)
    alignment = align(_greys(frames), sharp=sharp)
    judged = judge(_greys(frames), alignment, judged.grid)
    _check_sharp(judged)
    _check_order(judged)
    if twice is not None and not of_clip:  # a step of focus that was not made
        raise NotMeasurable(
            f"photos {twice[0]} and {twice[1]} are the same picture: give each photo of the run once"
        )
    again = repeats(judged.changes)
    if again:
        rest = measure_stack(
            Without(frames, frozenset(again)), pixel_size=pixel_size, of_clip=of_clip
        )
        said = in_words(again, "frame" if of_clip else "photo")
        return replace(rest, notes=(said + _not_in_um(step, of_clip), *rest.notes))
    grid = judged.grid
    plan = Plan(alignment, judged.gains, grid.to_photo(judged.filled))
    picture = blend(frames, plan)
    guide = grid.to_places(_grey(picture))
    found = settle_rims(judged.depth, judged.curves, judged.chosen, guide)
    shares = [float(np.mean(mask)) for mask in (found.sharp, found.first, found.last)]
    return StackResult(
        picture, plan, grid.to_photo(found.place), grid.to_photo(found.u),
        shares[0], shares[1], shares[2], step, pixel_size, _notes(shares, judged),
    )  # fmt: skip


def _not_in_um(step: Quantity | None, of_clip: bool) -> str:
    """What is to be done where the way of focus is stated for a run with repeated photos."""
    if step is None:
        return "; depth is told in steps of the others"
    way = (
        "record at the rate at which the camera makes frames"
        if of_clip
        else "where all other steps are even, give the run without them"
    )
    return f"; depth is told in steps of the others, and not in um: {way}"


def _judged_finely_enough(frames: Iterable[FloatImage], alignment: Alignment, grid: Grid) -> Judged:
    """On the finest grid whose places are mostly told by detail as fine as the grid."""
    while True:
        judged = judge(_greys(frames), alignment, grid)
        coarser = grid.coarser()
        if judged.fine_share >= FINE_SHARE or coarser is None:
            _check_sharp(judged)
            return judged
        grid = coarser


def _check_sharp(judged: Judged) -> None:
    if float(np.mean(judged.depth.sharp)) < LEAST_SHARP:
        raise NotMeasurable("no place is sharper in one photo than in the others beyond noise")


def _check_order(judged: Judged) -> None:
    """Along a run in the order of focus every place grows sharp once."""
    value = judged.curves.value[:, judged.curves.trust >= KNOWN_TRUST]
    if value.size == 0:
        return
    best = value.argmax(axis=0)
    twice = float((_rises_again(value, best) > RISES_AGAIN).mean())
    if twice > MOST_AGAIN:
        seen = f"{twice:.0%} of what is sharp grows sharp more than once along the run"
    elif _rise_together(value, best):
        seen = "what is sharpest in one photo grows sharper again further along the run"
    else:
        return
    raise NotMeasurable(
        f"{seen}: the photos are not in the order of focus, or focus went back; give them in order,"
        " each focused a little deeper than the last"
    )


def _rises_again(value: Array, best: npt.NDArray[np.intp]) -> Array:
    """By how much sharpness (photos, places) rises again beyond where it is greatest, `best`."""
    place = np.arange(len(value))[:, None]
    again = np.zeros(value.shape[1], dtype=np.float32)
    for way, beyond in ((value, place >= best), (value[::-1], place[::-1] <= best)):
        lowest = np.minimum.accumulate(np.where(beyond, way, np.inf), axis=0)
        again = np.maximum(again, np.where(beyond, way - lowest, 0).max(axis=0))
    return again


def _rise_together(value: Array, best: npt.NDArray[np.intp]) -> bool:
    """Whether places that are sharpest in one photo grow sharp again all together, however little."""
    for photo in range(len(value)):
        mine = best == photo
        if mine.sum() < max(TOGETHER_SHARE * mine.size, TOGETHER_FEWEST):
            continue
        usual = np.median(value[:, mine], axis=1)
        usual = usual / max(float(usual[photo]), 1e-9)
        again = _rises_again(usual[:, None], np.array([photo]))
        if float(again[0]) > TOGETHER_RISES:
            return True
    return False


def _looked_at(
    frames: Iterable[FloatImage],
) -> tuple[tuple[int, int], int, tuple[int, int] | None]:
    """Shape and number of the photos, and the numbers of two that are the same picture."""
    shape, kinds, count = (0, 0), 0, 0
    seen: dict[bytes, int] = {}
    twice: tuple[int, int] | None = None
    for number, frame in enumerate(frames):
        here = (frame.shape[0], frame.shape[1])
        if number and here != shape:
            raise NotMeasurable(
                f"the photos differ in size: photo 1 has {shape[1]} x {shape[0]} px, photo"
                f" {number + 1} {here[1]} x {here[0]}"
            )
        if number and frame.ndim != kinds:
            raise NotMeasurable(f"photo {number + 1} is not in colour or grey as photo 1 is")
        shape, kinds, count = here, frame.ndim, number + 1
        first = seen.setdefault(hashlib.sha256(np.ascontiguousarray(frame).data).digest(), count)
        twice = twice or ((first, count) if first != count else None)
    if count < FEWEST_PHOTOS:
        raise NotMeasurable(
            f"{count} photo{'s are' if count != 1 else ' is'} no focus stack: {FEWEST_PHOTOS} are"
            " needed, each focused a little deeper than the last"
        )
    if min(shape) < SMALLEST_SIDE_PX:
        raise NotMeasurable(
            f"the photos are {shape[1]} x {shape[0]} px; {SMALLEST_SIDE_PX} px a side are needed"
        )
    if grain(shape, count) > COARSEST_GRAIN:
        raise NotMeasurable(
            f"{count} photos of this size need more memory than is used: give fewer"
        )
    return shape, count, twice


def _greys(frames: Iterable[FloatImage]) -> Iterator[FloatImage]:
    for frame in frames:
        yield _grey(frame)


def _grey(frame: FloatImage) -> FloatImage:
    """The green channel, in which places are measured, or the grey picture itself."""
    return np.ascontiguousarray(frame if frame.ndim == 2 else frame[..., 1], dtype=np.float32)


def _notes(shares: list[float], judged: Judged) -> tuple[str, ...]:
    notes = []
    sharp, first, last = shares
    for share, name, way in ((first, "first", "before"), (last, "last", "after")):
        if share > ALL_ONE_SIDED * sharp:
            notes.append(
                f"the run is one-sided: {share / sharp:.0%} of what is sharp is sharpest in the {name}"
                f" photo; focus goes on {way} it, and depth is not known there"
            )
        elif share > ONE_SIDED:
            notes.append(
                f"the run is partial: {share:.0%} of the picture is sharpest in the {name} photo; focus"
                f" may go on {way} it, and depth is not known there"
            )
    drift = float(judged.gains.max() / judged.gains.min() - 1)
    if drift > DRIFT_SAID:
        notes.append(f"the light changes by {drift:.0%} along the run; this was evened out")
    grid = judged.grid
    if grid.reduction > 1:
        notes.append(
            "the photos hold more px than detail: depth was judged at"
            f" 1/{grid.reduction} of their size"
        )
    if grid.step > 2:
        notes.append(f"depth is told every {grid.step * grid.reduction} px, to keep within memory")
    return tuple(notes)
