"""The tiles of a live mosaic as they are laid: the chart that they make, their ties, and their lens."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from glassay.mosaic.live.chart import Chart, chart_of
from glassay.mosaic.live.guide import Outlook, outlook
from glassay.mosaic.live.lens import MOST_BEND, straightened, told_by
from glassay.mosaic.live.picture import Place, View
from glassay.mosaic.live.settle import Tie, settled, ties_of
from glassay.mosaic.live.told import Tile

REDRAWN_PX = 0.3  # working px: a px or two of the frame


class Laid:
    """All tiles, by number; `size` (width, height) of their views, working px; `k1` of their lens,
    which is taken out of every view here."""

    def __init__(self, k1: float = 0.0) -> None:
        self.tiles: dict[int, Tile] = {}
        self.size = (0, 0)
        self.k1 = k1
        self.chart = Chart()
        self.outlook = Outlook((), 0)
        self._ties: list[Tie] = []

    def places(self) -> dict[int, Place]:
        """Of the tiles that have one, working px."""
        return {n: one.place for n, one in self.tiles.items() if one.place is not None}

    def without_place(self) -> list[int]:
        """Numbers of the tiles that are held."""
        return [n for n, one in self.tiles.items() if one.place is None]

    def lay(self, number: int) -> None:
        """Lay a tile that has a place on the chart, and tie it to the others."""
        tile = self.tiles[number]
        assert tile.place is not None
        self.chart.lay(tile.view, tile.place, soft=tile.soft)
        self._ties += ties_of(number, self._views(), self.places())
        self._look_out()

    def settle(self) -> bool:
        """Bring all tiles to where their ties want them; whether any moved."""
        before = self.places()
        bent = self.straighten()
        after = settled(before, self._ties)
        if not bent and max(after[n].distance(before[n]) for n in after) < REDRAWN_PX:
            return False
        for n, place in after.items():
            self.tiles[n] = replace(self.tiles[n], place=place)
        self.redraw()
        return True

    def straighten(self) -> bool:
        """Take out what the ties tell of the lens; whether that changed anything."""
        k1 = told_by([one.bend for one in self._ties])
        if k1 is None or abs(self.k1 + k1) > MOST_BEND:
            return False
        self.k1 += k1
        for n, one in self.tiles.items():
            self.tiles[n] = replace(one, view=straightened(one.view, self.k1))
        self.tie_all()
        return True

    def tie_all(self) -> None:
        """Tie all tiles anew."""
        places, views = self.places(), self._views()
        known: dict[int, Place] = {}
        self._ties = []
        for number in sorted(places):
            known[number] = places[number]
            self._ties += ties_of(number, views, known)

    def redraw(self) -> None:
        """Lay all tiles anew."""
        self.chart = chart_of(
            (one.view, one.place, one.soft) for one in self.tiles.values() if one.place is not None
        )
        self._look_out()

    def forget(self, number: int) -> None:
        """Take a tile off. Raises KeyError when there is none."""
        del self.tiles[number]
        self._ties = [one for one in self._ties if number not in (one.first, one.second)]
        self.redraw()

    def _look_out(self) -> None:
        self.outlook = outlook(self.chart, self.size)

    def _views(self) -> Mapping[int, View]:
        return {n: one.view for n, one in self.tiles.items()}
