"""A clip measured: what its container states beside what its frames show."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable, Unusable
from glassay.finding import Finding
from glassay.imaging.clip import ClipFacts, ClipReader, Frame, luma_table
from glassay.motion.cadence import Comparison, find_repeats
from glassay.motion.clip_result import ClipResult, Series
from glassay.motion.flicker import measure_flicker
from glassay.motion.intervals import Intervals, delivered_rate, look_at_intervals
from glassay.motion.steadiness import Follower, measure_steadiness

Box = tuple[int, int, int, int]
Look = Callable[[Sequence[npt.NDArray[Any]]], dict[str, Finding]]

FORESEEN = 0.6
"""A file may be short of its stated length by this many frames: times are rounded."""

STILL_FRAMES = 4
"""Frames of a still picture that are kept to be looked at for enlargement."""

STILL_PX = 0.05
"""How far the picture may move meanwhile: on a firm stand it does not. Beyond, what differs between
frames is the slope of the scene, soft as it is, and with a codec's blocks it looks like enlarged noise:
at 0.4 px six of 40 native clips in Motion JPEG, drawn outside this project's simulator, were taken for
enlarged by 8/7, 4/3 or 2, at 0.1 px two."""

SOUND_S = 0.5
"""Sound may outlast the picture by this much in a file that states one duration for both."""

SPOILT = 1.6
"""A frame is spoilt when it differs this many times more from either neighbour than these differ
from each other. Motion makes neighbours two frames apart differ more, not less."""

SPOILT_LEVELS = 2.6
"""... and by this much at least (rms, levels): blended frames of strongly compressed clips differ
by up to 2.5 from those they blend."""

JERK_PX = 1.0
"""A frame out of place by more than this is moved, not spoilt."""


def measure_clip(
    clip: ClipReader,
    *,
    box: Box | None = None,
    progress: Callable[[int], None] = lambda _: None,
    look_at_still: Look = lambda _: {},
) -> ClipResult:
    """Read a whole clip and measure its rhythm, light and steadiness.

    `box` = (x, y, width, height) in px of the upright picture restricts steadiness and light to
    that part. `progress` is called with the number of frames read. `look_at_still` takes the luma of a
    few frames during which the picture stood still (two or more) and adds findings. Memory does not
    grow with the length of the clip, but for some 60 bytes a frame. Raises `Unusable` when the box
    lies outside the picture, `NotMeasurable` when not one frame can be decoded.
    """
    check_box(box, clip.facts)
    series = _Reading(box)
    for frame in clip.frames():
        series.add(frame)
        progress(len(series.levels))
    if not series.levels:
        raise NotMeasurable("not one frame of the clip can be decoded")
    return _result(clip, series, look_at_still)


def check_box(box: Box | None, facts: ClipFacts) -> None:
    """Raise `Unusable` unless the box (x, y, width, height) lies within the upright picture."""
    if box is None:
        return
    x, y, w, h = box
    if min(w, h) < 1 or min(x, y) < 0 or x + w > facts.width or y + h > facts.height:
        raise Unusable(
            f"the box {x},{y},{w},{h} does not lie within the picture of {facts.width} x"
            f" {facts.height} px"
        )


class _Reading:
    """What is kept of each frame while a clip is read: a few numbers, and the two last frames."""

    def __init__(self, box: Box | None) -> None:
        self.times: list[float | None] = []
        self.levels: list[float] = []
        self.path: list[tuple[float, float]] = []
        self.difference: list[float] = []
        self.over_two: list[float] = []
        self.step: list[float] = []
        self.is_key: list[bool] = []
        self.is_between: list[bool] = []
        self.clipped = 0.0
        self.still: list[npt.NDArray[Any]] = []
        self._still_from = (0.0, 0.0)
        self._box = box
        self._follower = Follower(box)
        self._before: list[npt.NDArray[Any]] = []
        self._table: dict[tuple[str, bool], npt.NDArray[np.float32]] = {}

    def add(self, frame: Frame) -> None:
        luma = frame.luma
        if self._before and self._before[0].shape != luma.shape:
            raise NotMeasurable(
                "the size of the picture changes within the clip, from"
                f" {self._before[0].shape[1]} x {self._before[0].shape[0]} px to {luma.shape[1]} x"
                f" {luma.shape[0]} px"
            )
        previous = self._before[-1:]
        two_back = self._before[-2:-1] if len(self._before) == 2 else []
        change = _rms(previous[0], luma) if previous else 0.0
        self.times.append(frame.time_s)
        self.is_key.append(frame.is_key)
        self.is_between.append(frame.is_between)
        self.difference.append(change)
        self.over_two.append(_rms(two_back[0], luma) if two_back else math.nan)
        self.levels.append(self._level(frame))
        same = bool(previous) and np.array_equal(previous[0], luma)
        self.path.append(self._follower.follow(luma, same=same))
        self.step.append(self._follower.last_step_px)
        if not same:
            self._keep_still(luma)
        self._before = [*previous, luma]

    @property
    def coded(self) -> npt.NDArray[np.int64]:
        """In which way each frame was coded: by itself, from frames before, from both sides."""
        return np.array(self.is_key, np.int64) + 2 * np.array(self.is_between, np.int64)

    def _keep_still(self, luma: npt.NDArray[Any]) -> None:
        """Keep the first few frames in a row during which the picture stood still."""
        if len(self.still) == STILL_FRAMES:
            return
        moved = math.dist(self.path[-1], self._still_from)
        if self.still and moved < STILL_PX:
            self.still.append(luma)
        else:
            self.still, self._still_from = [luma], self.path[-1]

    def _level(self, frame: Frame) -> float:
        """Mean linear light; the share of clipped px is kept on the way."""
        luma = frame.luma
        if self._box is not None:
            x, y, w, h = self._box
            luma = luma[y : y + h, x : x + w]
        kind = (luma.dtype.str, frame.is_full_range)
        if kind not in self._table:
            self._table[kind] = luma_table(frame)
        table = self._table[kind]
        count = np.bincount(luma.ravel(), minlength=table.size) / luma.size
        self.clipped = max(self.clipped, float(count[table >= 1.0].sum()))
        return float(count @ table)


def _rms(one: npt.NDArray[Any], other: npt.NDArray[Any]) -> float:
    """Rms difference beyond a common change of level, in levels of 8 bits.

    Flicker changes the level of new exposures by chance a lot or not at all, and would make the
    latter look repeated.
    """
    step = 1.0 if one.dtype == np.uint8 else 257.0
    square = float(cv2.norm(one, other, cv2.NORM_L2SQR)) / one.size
    common = float(cv2.mean(one)[0]) - float(cv2.mean(other)[0])
    return math.sqrt(max(square - common * common, 0.0)) / step


def _result(clip: ClipReader, series: _Reading, look: Look) -> ClipResult:
    facts = clip.facts
    levels = np.array(series.levels)
    times, has_times = _times(series.times, facts)
    differences = np.array(series.difference)
    intervals = look_at_intervals(times) if has_times else None
    nominal = _nominal_rate(facts, intervals)
    last = min((s for s in (intervals.usual_s if intervals else None,
                            1 / nominal if nominal else None) if s), default=None)  # fmt: skip
    if intervals is not None and intervals.varies and facts.keeps_times:
        last = sum(intervals.last_s) / 2
    duration = float(times[-1]) + last if last is not None and has_times else None
    truncated = _is_truncated(clip, levels.size, duration, last)
    repeats = find_repeats(
        Comparison(
            differences[1:],
            np.array(series.step[1:]),
            np.array(series.is_key[1:], dtype=np.bool_),
            any(series.is_between),
        )
    )
    rate = None
    if duration and levels.size > 1:
        stamped = (1e-3, intervals) if facts.keeps_times else (0.0, None)
        rate = delivered_rate(repeats, levels.size, duration, *stamped)
    path = np.array(series.path)
    flags = np.concatenate([[False], repeats.flags])
    shown = ~flags
    result = ClipResult(
        facts=facts,
        times_s=times,
        levels=levels,
        path_px=path,
        differences=differences,
        repeats=flags,
        doubtful=repeats.doubtful,
        still_frames=repeats.still_frames,
        spoilt=_spoilt(differences, np.array(series.over_two), np.array(series.step)),
        intervals=intervals,
        nominal_rate=nominal,
        rate=rate,
        duration_s=duration,
        truncated=truncated,
        damaged_frames=clip.damaged_frames,
        steadiness=measure_steadiness(times[shown], path[shown]) if has_times else None,
        flicker=(
            measure_flicker(times[shown], levels[shown], series.coded[shown]) if has_times else None
        ),
        clipped=series.clipped,
        extra=look(series.still) if len(series.still) > 1 else {},
    )
    return replace(result, notes=_notes(result, clip, has_times))


def _times(stated: Sequence[float | None], facts: ClipFacts) -> tuple[Series, bool]:
    """Times from the first frame, s, and whether they mean anything.

    Some containers keep the order of coding only; sorted, these are the times of showing.
    """
    if None not in stated:
        times = np.sort(np.array(stated, dtype=np.float64))
        return times - times[0], True
    if facts.average_rate:
        return np.arange(len(stated)) / facts.average_rate, True
    return np.arange(len(stated), dtype=np.float64), False


def _nominal_rate(facts: ClipFacts, intervals: Intervals | None) -> float | None:
    """The rate that the container names: that of its time grid where frames keep to it."""
    if facts.base_rate and intervals and 0.9 < facts.base_rate * intervals.usual_s < 1.1:
        return facts.base_rate
    if not facts.keeps_times and facts.base_rate:
        return facts.base_rate
    return facts.average_rate or facts.base_rate


def _is_truncated(
    clip: ClipReader, frames: int, duration: float | None, last: float | None
) -> bool:
    """Whether the file ends before the clip does."""
    if clip.outline.is_cut or clip.ended_by_error:
        return True
    facts = clip.facts
    stated = facts.duration_s
    if not facts.keeps_times and facts.frames and facts.base_rate:
        stated = facts.frames / facts.base_rate
    if duration is None or last is None or stated is None:
        return False
    if facts.frames and facts.frames <= frames:
        return False
    slack = SOUND_S if facts.duration_is_shared else (1 + FORESEEN) * last
    return stated - duration > slack


def _spoilt(difference: Series, over_two: Series, step: Series) -> tuple[int, ...]:
    """Numbers of single frames that are unlike both neighbours, which are like each other."""
    here, after, across = difference[1:-1], difference[2:], over_two[2:]
    least = np.minimum(here, after)
    found = (least > SPOILT * across) & (least > SPOILT_LEVELS)
    # A frame that is out of place was moved there and back. An unknown step may well be that of a
    # spoilt frame.
    found &= ~(np.minimum(step[1:-1], step[2:]) > JERK_PX)
    return tuple(int(k) + 1 for k in np.flatnonzero(found))


def _notes(result: ClipResult, clip: ClipReader, has_times: bool) -> tuple[str, ...]:
    facts, notes = result.facts, list[str]()
    if result.truncated:
        notes.append(_say_cut(result))
    elif clip.outline.is_unfinished:
        notes.append("the file was not finished by its writer; all of it was read")
    if result.damaged_frames:
        count = result.damaged_frames
        notes.append(f"{count} damaged {'frame was' if count == 1 else 'frames were'} left out")
    if result.spoilt:
        listed = ", ".join(str(k) for k in result.spoilt[:8])
        more = ", ..." if len(result.spoilt) > 8 else ""
        notes.append(f"single frames are unlike both neighbours (frames {listed}{more})")
    if facts.rotation_deg:
        notes.append(f"the frames are turned by {facts.rotation_deg} degrees to be upright")
    if facts.pixel_aspect != 1:
        notes.append(f"the file asks to be shown with pixels {facts.pixel_aspect:g} times as wide")
    if result.frames == 1:
        notes.append("the clip has one frame; a rate needs at least two")
    elif result.doubtful:
        one = result.doubtful == 1
        which = "one frame" if one else f"{result.doubtful} frames"
        notes.append(
            f"of {which} it cannot be told whether {'it repeats' if one else 'they repeat'} the one"
            " before: compression leaves too little of what tells two exposures apart; film something"
            " that moves, with little compression"
        )
    if result.still_frames:
        notes.append(
            f"the scene stands still in {result.still_frames} of {result.frames} frames, where a"
            " repeated frame and a new one look alike: the rate is that of the others"
        )
    if not has_times:
        notes.append("the file does not say when its frames are shown: no rate, drift or flicker")
    elif not facts.keeps_times:
        notes.append(f"{facts.container} numbers its frames and keeps no times: rates rest on the"
                     " rate that its header names")  # fmt: skip
    if result.clipped > 0.02:
        notes.append(f"up to {result.clipped:.0%} of a frame is clipped to white")
    return tuple(notes)


def _say_cut(result: ClipResult) -> str:
    stopped = "" if result.duration_s is None else f" and stops after {result.duration_s:.2f} s"
    stated = result.facts.duration_s
    promised = ""
    if stated is not None and result.duration_s is not None and stated > 1.05 * result.duration_s:
        promised = f" of {stated:.2f} s"
    return f"the file is cut off{stopped}{promised}; it was read as far as it goes"
