"""A map that grows while the stage is moved by hand: each frame is placed, new views become tiles.

A frame is placed only where it fits and every other place within reach is ruled out; where a pattern
repeats it waits for something that occurs once. No clock and no file: frames come in with their times.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace

import numpy as np

from glassay.mosaic.live.evidence import Fit, Judged, judge
from glassay.mosaic.live.found import FoundAgain
from glassay.mosaic.live.guide import Vector, next_step
from glassay.mosaic.live.laid import Laid
from glassay.mosaic.live.lens import Points, straight, straightened
from glassay.mosaic.live.picture import Bytes, Place, View, view_of
from glassay.mosaic.live.repeats import is_in_doubt
from glassay.mosaic.live.search import candidates
from glassay.mosaic.live.sharpness import sharper
from glassay.mosaic.live.told import State, Tile, Told
from glassay.mosaic.live.track import Track

SAME_PX = 1.5
"""A view is taken where two frames on end, with noise of their own, have the same place."""
NEW_SHARE = 0.3
"""Share of a view not yet on the map from which it becomes a tile at once."""
LITTLE_NEW = 0.04
LINGERED_S = 0.7
"""A person who rests so long where little is new means it."""
SOFT = 0.8
"""Sharpness, against what the map shows of the same, below which a view is soft."""
SOFT_AFTER_S = 2.5
"""Resting so long on a soft view takes it, marked as soft: some places get no sharper."""
FIRST_AFTER_S = 0.15
HELD_AFTER_S = 0.4
MOST_HELD = 40
HELD_WITHIN, HELD_SHARE = 0.12, 0.6
"""Views around where the movement led in which a held tile may find its place later, and the share
of it that must be on the map."""
REACH, REACH_FOLLOWED = 0.85, 0.3
"""How far, in views, a frame is sought from its last sure place; and from where the movement from
frame to frame has led it, if that could be followed."""
REACH_GROWS, REACH_FOLLOWED_GROWS = 0.1, 0.03
MOST_REACH = 2.0
AGREES_WITHIN, CONFIRMS_FRAMES = 0.12, 15
"""Views within which the movement that was followed confirms a place, and frames for which it may be
followed without a sure one: errors of its steps add up."""
FOUND_WITHIN = 0.025
"""The same for two views that are found again: both are at rest, so that the movement is told to px."""
UNCONFIRMED_SHARE = 0.5
"""A place that the movement does not confirm needs so much of the view on the map."""
SURE_SHARE = 0.9
"""Of a view that lies on the map but for so little, all rivals lie there as well."""
TELLS_STEPS = 1 / 3
"""Part of a pattern's step within which the movement tells its places apart."""
LOST_FRAMES, LOST_FOLLOWED = 40, 200
"""Frames without a sure place after which the whole map is searched and two views must agree; and as
many as long as the movement from frame to frame could be followed."""
UNJUDGED_MOVING, UNJUDGED_AT_REST = 1, 3
"""Frames on end whose movement alone is followed: of a picture that moves, and of one that rests where
nothing is new. The next one is held against the map again."""
MOST_TILES = 400  # 60 cover a usual die; each is searched for its neighbours when one is laid


class GrowingMap:
    """One map. `look` is called with one frame after the other, all of one size."""

    def __init__(self, k1: float = 0.0) -> None:
        """`k1`: distortion of the lens where an earlier map told it (see `k1` below)."""
        self._laid = Laid(k1)
        self._track = Track()
        self._sure: Place | None = None
        self._before: Vector = (1.0, 0.0)
        self._unsure = 0
        self._is_lost = False
        self._found = FoundAgain(self._track)
        self._retry: deque[int] = deque()
        self._held_view: View | None = None
        self._told = Told("lost")
        self._unjudged = 0
        self.factor = 1.0

    # ---- what is known ----
    @property
    def tiles(self) -> dict[int, Tile]:
        """All tiles by number, those without a place too."""
        return self._laid.tiles

    @property
    def k1(self) -> float:
        """Distortion at a frame's corner (see `glassay.distortion`), as far as tiles told it."""
        return self._laid.k1

    @property
    def _size(self) -> tuple[int, int]:
        return self._laid.size

    @property
    def gaps(self) -> int:
        """Holes within the outline of the map."""
        return self._laid.outlook.gaps

    @property
    def is_complete(self) -> bool:
        """Whether nothing more seems to be missing."""
        return bool(self._laid.chart.known.size) and not self._laid.outlook.wanted

    def places(self) -> dict[int, Place]:
        """Places of all tiles that have one, in px of the frame."""
        return {n: self._in_px(place) for n, place in self._laid.places().items()}

    def straight(self, points: Points) -> Points:
        """Where points (n, 2) px of a frame lie in the straightened one, of which `places` are."""
        size = (round(self._size[0] * self.factor), round(self._size[1] * self.factor))
        return straight(points, self._laid.k1, size)

    def _in_px(self, place: Place) -> Place:
        return Place(place.x * self.factor, place.y * self.factor, place.turn)

    # ---- frames ----
    def look(self, grey: Bytes, at_s: float) -> Told:
        """Place a frame (height, width), encoded 8 bit, seen at `at_s` seconds of any clock.

        Raises ValueError for a frame of another size than the first.
        """
        view = straightened(view_of(grey), self._laid.k1)
        size = (view.detail.shape[1], view.detail.shape[0])
        if self.tiles and size != self._size:
            raise ValueError("the frames of one map have one size")
        self._laid.size, self.factor = size, view.factor
        steady = self._track.see(view, at_s)
        if not self._laid.places():
            return self._first(view, at_s, steady)
        if self._may_be_followed(steady):
            return self._followed(steady)
        self._unjudged = 0
        judged = self._judged(view, steady)
        told = self._unplaced(view, judged, at_s, steady)
        if told is None:
            assert judged.fit is not None
            told = self._on_the_map(view, judged.fit, at_s, steady)
        if told.kept is None and self._retry:
            told = replace(told, placed=self._try_held(), redrawn=True)
        self._told = replace(told, steady=steady, step=self._step(told))
        return self._told

    def _may_be_followed(self, steady: bool) -> bool:
        """Whether this frame need not be held against the map: the last one that was had a sure place,
        from which the movement was followed, and at rest nothing was new there."""
        if self._is_lost or self._sure is None or self._unsure or self._retry:
            return False
        if not self._track.is_followed:
            return False
        if not steady:
            return self._unjudged < UNJUDGED_MOVING
        last = self._told
        idle = last.steady and last.state == "seen" and last.new < LITTLE_NEW
        stayed = math.hypot(*self._track.moved) <= SAME_PX
        return idle and stayed and self._unjudged < UNJUDGED_AT_REST

    def _followed(self, steady: bool) -> Told:
        """What is told of a frame where the movement has led it."""
        assert self._sure is not None
        self._unjudged += 1
        place = self._track.led_to(self._sure)
        told = Told("seen", self._in_px(place), steady=steady)
        return replace(told, step=self._step(told))

    def _first(self, view: View, at_s: float, steady: bool) -> Told:
        textured = float(np.abs(view.detail).mean()) > 0.25
        if not steady or self._track.rested(at_s) < FIRST_AFTER_S or not textured:
            return Told("moving" if not steady else "lost", steady=steady)
        self._sure = Place(0.0, 0.0)
        self._track.begin_anew(self._sure)
        number = self._keep(Tile(0, view, self._sure))
        return Told("taken", self._in_px(self._sure), number, new=1.0, steady=steady,
                    step=self._step(Told("taken", self._sure)))  # fmt: skip

    # ---- where it lies ----
    def _judged(self, view: View, steady: bool) -> Judged:
        if self._is_lost:
            self._found.count_frame()
            if not steady:
                return Judged(None, False, None)
            return self._anywhere(view, self._found.led_to(CONFIRMS_FRAMES))
        middle, reach = self._expected()
        led_to = (middle, AGREES_WITHIN * self._size[0]) if self._track.is_followed else None
        judged = judge(
            view, self._laid.chart, candidates(view, self._laid.chart, middle, reach), led_to
        )
        fit = judged.fit
        if fit and fit.share < UNCONFIRMED_SHARE and not self._is_confirmed(fit.place):
            return replace(judged, fit=None)
        return self._doubted(view, judged, self._confirmed_by() if fit else None)

    def _doubted(self, view: View, judged: Judged, led_to: Place | None) -> Judged:
        """Without its place where the frame resembles itself a step further, and neither the map nor
        where the movement `led_to` tells the two places apart."""
        fit = judged.fit
        if fit is None or fit.share >= SURE_SHARE:
            return judged
        within = math.inf if led_to is None else fit.place.distance(led_to) / TELLS_STEPS
        return (
            Judged(None, True, fit) if is_in_doubt(view, self._laid.chart, fit, within) else judged
        )

    def _confirmed_by(self) -> Place | None:
        """Where the movement has led since the last sure place, as long as it can be relied on."""
        if self._sure is None or not self._track.is_followed or self._unsure > CONFIRMS_FRAMES:
            return None
        return self._track.led_to(self._sure)

    def _expected(self) -> tuple[Place, tuple[float, float]]:
        """Where the next frame is sought, and how far around."""
        assert self._sure is not None
        if not self._track.is_followed:
            reach = min(MOST_REACH, REACH + REACH_GROWS * self._unsure)
            return self._sure, self._in_views(reach)
        reach = min(REACH, REACH_FOLLOWED + REACH_FOLLOWED_GROWS * self._unsure)
        return self._track.led_to(self._sure), self._in_views(reach)

    def _is_confirmed(self, place: Place) -> bool:
        """Whether the movement from frame to frame has led there since the last sure place."""
        led_to = self._confirmed_by()
        return led_to is not None and place.distance(led_to) <= AGREES_WITHIN * self._size[0]

    def _count_unsure(self) -> None:
        """One more frame without a sure place; after too many the track is lost, until it is found."""
        self._unsure += 1
        most = LOST_FOLLOWED if self._track.is_followed else LOST_FRAMES
        if self._unsure > most and not self._is_lost:
            self._is_lost = True
            self._found.forget()

    def _anywhere(self, view: View, near: Place | None = None) -> Judged:
        """Search the whole map; `near` is where a movement had led, if that is known."""
        left, top, right, bottom = self._laid.chart.box
        reach = ((right - left) / 2, (bottom - top) / 2)
        middle = Place((left + right) / 2, (top + bottom) / 2)
        judged = judge(view, self._laid.chart, candidates(view, self._laid.chart, middle, reach))
        return self._doubted(view, judged, near)

    def _in_views(self, reach: float) -> tuple[float, float]:
        return reach * self._size[0], reach * self._size[1]

    def _unplaced(self, view: View, judged: Judged, at_s: float, steady: bool) -> Told | None:
        """What is told of a frame without a sure place; None when it has one."""
        lost = self._is_lost
        if judged.fit is None:
            self._count_unsure()
            word: State = "several" if judged.several else "lost" if steady else "moving"
            if steady and self._track.rested(at_s) >= HELD_AFTER_S and self._is_unlike_held(view):
                near = (
                    self._track.led_to(self._sure)
                    if self._sure and not lost and self._track.is_followed
                    else None
                )
                if sum(one.place is None for one in self.tiles.values()) < MOST_HELD:
                    self._held_view = view
                    return Told("held", kept=self._keep(Tile(0, view, None, near=near)))
            return Told(word)
        if lost and not self._found.agree(
            judged.fit.place, judged.fit.share, self._found.led_to(CONFIRMS_FRAMES), self._size,
            FOUND_WITHIN * self._size[0],
        ):  # fmt: skip
            return Told("again")
        self._found.forget()
        return None

    def _is_unlike_held(self, view: View) -> bool:
        if self._held_view is None:
            return True
        product = float((view.detail * self._held_view.detail).mean())
        return product < 0.5 * float((view.detail**2).mean())

    def _on_the_map(self, view: View, fit: Fit, at_s: float, steady: bool) -> Told:
        again = self._unsure == 0 and self._sure is not None
        again = again and fit.place.distance(self._sure or fit.place) <= SAME_PX
        self._track.begin_anew(fit.place)
        self._sure, self._unsure, self._held_view = fit.place, 0, None
        self._is_lost = False
        new = 1 - self._laid.chart.sharp_share(fit.place, self._size)
        sharpness = self._sharpness(view, fit.place)
        told = Told("seen", self._in_px(fit.place), new=new, sharpness=sharpness)
        if not steady or not again:
            return told
        soft = sharpness < SOFT
        wanted = new >= NEW_SHARE or (new >= LITTLE_NEW and self._track.rested(at_s) >= LINGERED_S)
        if not wanted:
            return told
        if soft and (self._track.rested(at_s) < SOFT_AFTER_S or not self._shows_more(fit.place)):
            return replace(told, state="soft")
        if len(self.tiles) >= MOST_TILES:
            return replace(told, state="full")
        number = self._keep(Tile(0, view, fit.place, soft))
        return replace(told, state="taken", kept=number, redrawn=self._laid.settle())

    def _shows_more(self, place: Place) -> bool:
        """Whether the map knows less of a view than it would, soft or sharp."""
        _, known = self._laid.chart.seen_at(place, self._size)
        return 1 - float(known.mean()) >= LITTLE_NEW

    def _sharpness(self, view: View, place: Place) -> float:
        """Against the sharpest that the map shows of the same; tiles far softer are marked."""
        ratios = []
        for number, one in list(self.tiles.items()):
            if one.place is None:
                continue
            ratio = sharper(view, one.view, place.seen_from(one.place))
            if math.isnan(ratio):
                continue
            ratios.append(ratio)
            if ratio > 1 / SOFT and not one.soft and self._track.rests:
                self.tiles[number] = replace(one, soft=True)
                self._laid.redraw()
        return min(ratios, default=math.nan)

    # ---- tiles ----
    def _keep(self, tile: Tile) -> int:
        number = max(self.tiles, default=0) + 1
        tile = replace(tile, number=number, view=tile.view.for_keeps())
        self.tiles[number] = tile
        if tile.place is not None:
            previous = [one.place for n, one in self.tiles.items() if n != number and one.place]
            if previous:
                last = previous[-1]
                self._before = (
                    (tile.place.x - last.x) / self._size[0], (tile.place.y - last.y) / self._size[1]
                )  # fmt: skip
            self._laid.lay(number)
            self._retry = deque(self._laid.without_place())
        return number

    def _try_held(self) -> tuple[int, ...]:
        """Try one held tile on what the map knows now."""
        number = self._retry.popleft()
        tile = self.tiles.get(number)
        if tile is None or tile.place is not None:
            return ()
        fit = self._anywhere(tile.view, tile.near).fit
        if fit is None or tile.near is None or fit.share < HELD_SHARE:
            return ()
        if fit.place.distance(tile.near) > HELD_WITHIN * self._size[0]:
            return ()
        del self.tiles[number]
        self.tiles[number] = replace(tile, place=fit.place)
        self._laid.lay(number)
        self._laid.settle()
        return (number,)

    def take_back(self, number: int) -> None:
        """Forget a tile. Raises KeyError when there is none."""
        self._laid.forget(number)

    def _step(self, told: Told) -> Vector | None:
        if self._sure is None:
            return None
        if told.place is not None:
            return next_step(self._laid.outlook.wanted, self._sure, self._size, self._before)
        if not self._track.is_followed:
            return None
        return -self._track.moved[0] / self._size[0], -self._track.moved[1] / self._size[1]

    # ---- going on later ----
    def add(self, number: int, grey: Bytes, place: Place | None, *, soft: bool = False) -> None:
        """Put a tile back that was kept before, at `place` in px of the frame."""
        view = view_of(grey).for_keeps()
        self._laid.size, self.factor = (view.detail.shape[1], view.detail.shape[0]), view.factor
        if place is not None:
            place = Place(place.x / self.factor, place.y / self.factor, place.turn)
        self.tiles[number] = Tile(number, straightened(view, self._laid.k1), place, soft)

    def ready(self) -> None:
        """After all were put back: tie them together and search the whole map for the next frame."""
        self._laid.tie_all()
        self._laid.straighten()
        self._laid.redraw()
        self._sure, self._is_lost = None, True
        self._retry = deque(self._laid.without_place())
