"""The live mosaic under a simulated hand: views found, tiles misplaced, and how long a frame takes.

A hand moves from view to view over a die, rests, trembles, sees what it is told and goes back where
the place is not sure. Frames (10 a second) have the optics' blur, that of the movement, noise, falling
light and JPEG. The truth is used only afterwards.
"""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from glassay.mosaic.live import GrowingMap, Place, Told
from glassay.simulate import Camera, Die, Optics
from glassay.simulate.stage import Exposed, MovedStage, Rest

Points = npt.NDArray[np.float64]
RATE = 10.0
EXPOSED = 0.25
"""Share of the time between frames for which the sensor is exposed."""
TREMBLE = 0.0003
"""Standard deviation of a resting stage under a hand, in widths of the view: half a px at 1080p."""
BACK_S = 1.0
"""How long the hand rests where it was sent back to."""
WAYS, MOST_VIEWS_BACK = 2, 6
"""Views on the map from which a view is tried that has no place, and so many are looked for to find the
map again."""
MISPLACED_PX = 4.0
"""A tile off by more, against a tile that it overlaps, is misplaced: half the finest period that the
dies repeat at, so that a step by one period never passes."""


@dataclass(frozen=True)
class Kind:
    """A row of the study: views of the die, frame size, spacing of views in shares of a frame."""

    name: str
    size: tuple[int, int]
    views: tuple[int, int]
    seed: int
    spacing: float = 0.72
    pixel_um: float = 0.55
    k1: float = 0.0
    turn_deg: float = 0.2
    rest_s: float = 1.0
    visited: int | None = None
    """How many views the hand goes to; None: all."""
    memory: tuple[float, float] | None = None
    """Size in views of one large memory in the middle."""


@dataclass
class Run:
    """What became of a die: tiles by number with their truth, and the processing time of frames."""

    growing: GrowingMap
    stage: MovedStage
    rests: dict[int, Rest] = field(default_factory=dict)
    visited: list[Rest] = field(default_factory=list)
    lags: list[float] = field(default_factory=list)
    worked: list[float] = field(default_factory=list)
    frames: int = 0
    states: dict[str, int] = field(default_factory=dict)


def stage_of(kind: Kind) -> MovedStage:
    """The die of a row, as large as its views cover."""
    w, h = kind.size
    width = w * (1 + (kind.views[0] - 1) * kind.spacing) * kind.pixel_um
    height = h * (1 + (kind.views[1] - 1) * kind.spacing) * kind.pixel_um
    memory = None
    if kind.memory is not None:
        memory = (kind.memory[0] * w * kind.pixel_um, kind.memory[1] * h * kind.pixel_um)
    die = Die(width * 0.96, height * 0.96, seed=kind.seed, memory_um=memory)
    box = (-width / 2 - 60, -height / 2 - 60, width / 2 + 60, height / 2 + 60)
    camera = Camera(w, h, colour="grey", read_noise_e=8, jpeg_quality=92)
    return MovedStage(die, box, kind.pixel_um, camera, Optics(na=0.4), k1=kind.k1)


class Hand:
    """Moves from view to view in lines that turn, and answers to what it is told."""

    def __init__(self, kind: Kind, stage: MovedStage) -> None:
        self._rng = np.random.default_rng([kind.seed, 77])
        self._kind = kind
        self._turn = 0.0
        self.view, self.rest_s = kind.size, kind.rest_s
        w, h = kind.size
        # the first view is at the top left
        x0 = (stage.width - w * (kind.views[0] - 1) * kind.spacing) / 2
        y0 = (stage.height - h * (kind.views[1] - 1) * kind.spacing) / 2
        self.targets = []
        for j in range(kind.views[1]):
            line = [(x0 + i * w * kind.spacing, y0 + j * h * kind.spacing)
                    for i in range(kind.views[0])]  # fmt: skip
            self.targets += line if j % 2 == 0 else line[::-1]
        self.here = Rest(*self.targets[0])

    def aim(self, target: tuple[float, float]) -> Rest:
        """Where it comes to rest: off by some percent of the view."""
        off = self._rng.normal(0, 0.02, 2) * self._kind.size[0]
        turn = float(np.clip(self._turn + self._rng.normal(0, 0.05), -1, 1) * 1.0)
        self._turn = turn if abs(turn) < self._kind.turn_deg else self._turn
        return Rest(target[0] + float(off[0]), target[1] + float(off[1]), self._turn)

    def move(self, to: Rest) -> Iterator[list[Rest]]:
        """The way to a rest, as the paths of the frames' exposures: slow, fast, slow."""
        away = math.hypot(to.x - self.here.x, to.y - self.here.y) / self._kind.size[0]
        frames = max(2, round(RATE * self._rng.uniform(0.6, 1.1) * max(0.3, away)))
        start = self.here
        for n in range(frames):
            yield [_between(start, to, (n + t) / frames) for t in (0.0, EXPOSED)]
        self.here = to

    def rest(self, seconds: float) -> Iterator[list[Rest]]:
        """Frames at rest, trembling."""
        for _ in range(round(seconds * RATE)):
            a, b = self._rng.normal(0, TREMBLE * self._kind.size[0], 2)
            yield [Rest(self.here.x + float(a), self.here.y + float(b), self.here.turn_deg)]


def _between(a: Rest, b: Rest, t: float) -> Rest:
    s = t * t * (3 - 2 * t)
    return Rest(a.x + s * (b.x - a.x), a.y + s * (b.y - a.y),
                a.turn_deg + s * (b.turn_deg - a.turn_deg))  # fmt: skip


def run(kind: Kind, stage: MovedStage) -> Run:
    """Move over the whole die once; where the map is not sure of a view, do as it tells."""
    out = Run(GrowingMap(), stage)
    hand = Hand(kind, stage)
    rng = np.random.default_rng([kind.seed, 5])
    _show(out, hand.rest(1.5), rng)
    sure = [hand.here]  # where the map was sure of the view: a person sees them on it
    for target in hand.targets[1 : kind.visited]:
        aimed = hand.aim(target)
        told = _go(out, hand, rng, aimed, kind.rest_s)
        for begin in sorted(sure, key=lambda one: _far(one, aimed))[:WAYS]:
            if _is_placed(told):
                break
            told = _from(out, hand, rng, begin, aimed, sure)
        if _is_placed(told):
            sure.append(hand.here)
        out.visited.append(aimed)
        if not _is_placed(told):
            _back_to_the_map(out, hand, rng, sure)
    return out


def _is_placed(told: Told | None) -> bool:
    return told is not None and told.place is not None


def _far(a: Rest, b: Rest) -> float:
    return math.hypot(a.x - b.x, a.y - b.y)


def _go(out: Run, hand: Hand, rng: np.random.Generator, to: Rest, seconds: float) -> Told | None:
    _show(out, hand.move(to), rng)
    return _show(out, hand.rest(seconds), rng)


def _back_to_the_map(
    out: Run, hand: Hand, rng: np.random.Generator, sure: list[Rest]
) -> Told | None:
    """To views that the map has, the nearest first, until it is sure of one; a view that is found
    again wants a second one, which lies towards the next."""
    told = None
    near = sorted(sure, key=lambda one: _far(one, hand.here))
    for one in near[:MOST_VIEWS_BACK]:
        told = _go(out, hand, rng, one, BACK_S)
        if told is not None and told.state == "again":
            for other in sorted(sure, key=lambda two: _far(one, two))[1:3]:
                told = _go(out, hand, rng, _between(one, other, 0.5), BACK_S)
                if _is_placed(told):
                    break
        if _is_placed(told):
            break
    return told


def _from(
    out: Run, hand: Hand, rng: np.random.Generator, begin: Rest, aimed: Rest, sure: list[Rest]
) -> Told | None:
    """From a view of which the map is sure, by thirds of a view."""
    if not _is_placed(_go(out, hand, rng, begin, BACK_S)):
        if not _is_placed(_back_to_the_map(out, hand, rng, sure)):
            return None
        _go(out, hand, rng, begin, BACK_S)
    w, h = hand.view
    steps = math.ceil(3 * max(abs(aimed.x - begin.x) / w, abs(aimed.y - begin.y) / h))
    for n in range(1, steps):
        _go(out, hand, rng, _between(begin, aimed, n / steps), BACK_S)
    return _go(out, hand, rng, aimed, hand.rest_s)


def _show(out: Run, paths: Iterator[list[Rest]], rng: np.random.Generator) -> Told | None:
    told = None
    for path in paths:
        how = Exposed(float(np.exp(rng.normal(0, 0.02))), float(rng.uniform(0, 0.5)))
        data = out.stage.frame(path, out.frames, how)
        start, own = time.perf_counter(), time.thread_time()
        luma = np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)
        told = out.growing.look(luma, out.frames / RATE)
        out.lags.append(time.perf_counter() - start)
        out.worked.append(time.thread_time() - own)
        out.frames += 1
        out.states[told.state] = out.states.get(told.state, 0) + 1
        if told.kept is not None:
            out.rests[told.kept] = path[0]
    return told


@dataclass(frozen=True)
class Outcome:
    """Views visited and those on the map, tiles placed and held, misplaced ones, worst px; median and
    99th percentile of a frame's lag and of its processor time."""

    views: int
    found: int
    placed: int
    held: int
    misplaced: int
    worst_px: float
    lag_ms: tuple[float, float]
    work_ms: tuple[float, float]


def judged(out: Run, kind: Kind) -> Outcome:
    """Hold the map against the truth."""
    places = out.growing.places()
    errors = pair_errors(out, kind)
    bad = set(places) - _largest_group(places, errors)
    covered = np.zeros((out.stage.height // 8, out.stage.width // 8), np.uint8)
    for n in places:
        if n not in bad:
            _cover(covered, out.rests[n], kind.size)
    found = 0
    for rest in out.visited:
        view = np.zeros_like(covered)
        _cover(view, rest, kind.size)
        found += bool(covered[view > 0].mean() >= 0.95)
    held = len(out.growing.tiles) - len(places)
    worst = max(errors.values(), default=0.0)
    lag, work = (np.percentile(1000 * np.array(one), [50, 99]) for one in (out.lags, out.worked))
    return Outcome(
        len(out.visited), found, len(places), held, len(bad), worst,
        (float(lag[0]), float(lag[1])), (float(work[0]), float(work[1])),
    )  # fmt: skip


def _largest_group(
    places: Mapping[int, Place], errors: Mapping[tuple[int, int], float]
) -> set[int]:
    """The most tiles that lie rightly to each other, from neighbour to neighbour; and of two that lie
    wrongly to each other, held together by others, the one that does so to more of them is out."""
    group = {n: {n} for n in places}
    for (a, b), error in errors.items():
        if error <= MISPLACED_PX and group[a] is not group[b]:
            group[a] |= group[b]
            for n in group[b]:
                group[n] = group[a]
    largest = set(max(group.values(), key=len, default=set()))
    while True:
        wrong = Counter(
            n for pair, error in errors.items()
            if error > MISPLACED_PX and largest.issuperset(pair) for n in pair
        )  # fmt: skip
        if not wrong:
            return largest
        largest.remove(wrong.most_common(1)[0][0])


def pair_errors(out: Run, kind: Kind) -> dict[tuple[int, int], float]:
    """Of tiles that overlap in truth: median px by which common points lie apart on the map."""
    places = out.growing.places()
    w, h = kind.size
    mid = np.array([(w - 1) / 2, (h - 1) / 2])
    found: dict[tuple[int, int], float] = {}
    for a in places:
        for b in places:
            if a >= b:
                continue
            ra, rb = out.rests[a], out.rests[b]
            xs = np.linspace(min(ra.x, rb.x) - w, max(ra.x, rb.x) + w, 80)
            ys = np.linspace(min(ra.y, rb.y) - h, max(ra.y, rb.y) + h, 80)
            points = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
            pa, pb = out.stage.seen(points, ra), out.stage.seen(points, rb)
            both = ((pa > 0) & (pb > 0) & (pa < (w, h)) & (pb < (w, h))).all(axis=1)
            if both.sum() < 0.12 * w * h / ((xs[1] - xs[0]) * (ys[1] - ys[0])):
                continue
            pa, pb = (out.growing.straight(p[both]) for p in (pa, pb))
            apart = _on_map(places[a], pa - mid) - _on_map(places[b], pb - mid)
            found[a, b] = float(np.median(np.hypot(*apart.T)))
    return found


def _on_map(place: Place, away: Points) -> Points:
    c, s = math.cos(place.turn), math.sin(place.turn)
    return away @ np.array([[c, s], [-s, c]]) + (place.x, place.y)


def _cover(sheet: npt.NDArray[np.uint8], rest: Rest, size: tuple[int, int]) -> None:
    x0, y0 = (rest.x - size[0] / 2) / 8, (rest.y - size[1] / 2) / 8
    x1, y1 = (rest.x + size[0] / 2) / 8, (rest.y + size[1] / 2) / 8
    sheet[max(0, round(y0)) : max(0, round(y1)), max(0, round(x0)) : max(0, round(x1))] = 1


FULL = (
    Kind("1920 x 1080, 8 views", (1920, 1080), (4, 2), 4, pixel_um=0.3),
    Kind("640 x 360, 60 views", (640, 360), (10, 6), 2, pixel_um=1.0),
    Kind("the same, a large memory", (640, 360), (10, 6), 3, pixel_um=1.0, memory=(2.2, 2.0)),
    Kind("the same, distorted 2 %", (640, 360), (10, 6), 6, pixel_um=1.0, k1=-0.02),
)
QUICK = (Kind("384 x 216, 12 views", (384, 216), (4, 3), 5, pixel_um=1.0, rest_s=0.5),)


def report(quick: bool = False) -> str:
    """The study as text."""
    cv2.setNumThreads(1)
    lines = [
        "Live mosaic under a simulated hand, 10 frames/s",
        "  targets: 95 % of the views found (95 % of each on the map), none misplaced (more than"
        f" {MISPLACED_PX:.0f} px against a neighbour), lag below 300 ms",
        f"  {'die':<28}{'views':>6}{'found':>7}{'tiles':>7}{'held':>6}{'misplaced':>11}{'worst px':>10}"
        f"{'lag ms: median':>16}{'99 %':>7}{'processor ms':>14}{'99 %':>7}",
    ]
    for kind in QUICK if quick else FULL:
        one = judged(run(kind, stage_of(kind)), kind)
        lines.append(
            f"  {kind.name:<28}{one.views:6d}{one.found:7d}{one.placed:7d}{one.held:6d}"
            f"{one.misplaced:11d}{one.worst_px:10.2f}{one.lag_ms[0]:16.0f}{one.lag_ms[1]:7.0f}"
            f"{one.work_ms[0]:14.0f}{one.work_ms[1]:7.0f}"
        )
    return "\n".join(lines)
