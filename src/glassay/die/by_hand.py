"""What a person corrects of what was found on a die: pads and their numbers, finest line and pitch.

Nothing measured is changed by it: sizes and pitches stay those of what was found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from glassay.die.likes import SIDES, Side, distance
from glassay.die.measure import DieResult
from glassay.die.numbers import holds, with_numbers
from glassay.die.pads import Spot
from glassay.die.rows import numbered, row_of
from glassay.errors import Unusable
from glassay.quantity import Quantity

Key = tuple[Side, int]


@dataclass(frozen=True)
class Corrections:
    """Pads that were missed (x and y of the middle, width, height), places at which a pad was found
    that is none, in um from the die's top left corner; the finest line as read by eye, um; on which pad
    counting begins (its place, um), and whether it then goes clockwise; the numbers given to single
    pads, by a place on them (x, y, number); the finest pitch of parallel lines as read by eye, um."""

    added: tuple[tuple[float, float, float, float], ...] = ()
    removed: tuple[tuple[float, float], ...] = ()
    line: Quantity | None = None
    first: tuple[float, float] | None = None
    clockwise: bool = False
    numbers: tuple[tuple[float, float, str], ...] = ()
    pitch: Quantity | None = None

    @property
    def are_any(self) -> bool:
        """Whether anything is corrected."""
        read = self.line is not None or self.pitch is not None
        return bool(read or self.added or self.removed or self.first or self.numbers)


def corrected(result: DieResult, by_hand: Corrections) -> DieResult:
    """The die with a person's corrections; pads that were found keep their numbers (see
    `glassay.die.numbers`), and those put in are marked.

    Raises `Unusable` where no pad was found at a place named as none, where a pad is put upon another
    or beside the die, where numbers cannot be (two alike), or when the die was measured without a pixel
    size.
    """
    if not by_hand.are_any:
        return result
    if result.pixel_size is None:
        raise Unusable(
            "corrections by hand are in um, and the die was measured without a pixel size"
        )
    out = result
    if by_hand.added or by_hand.removed:
        out = _pads_corrected(result, by_hand)
    per = result.per_px
    first = by_hand.first and (by_hand.first[0] / per, by_hand.first[1] / per)
    given = [((x / per, y / per), number) for x, y, number in by_hand.numbers]
    # pads put in come in the order in which they are noted
    order = {(x / per, y / per): n for n, (x, y, _, _) in enumerate(by_hand.added)}
    now = sorted(out.pads, key=lambda pad: order.get((pad.x, pad.y), -1))
    pads, vacant = with_numbers(result.pads, now, given, first, by_hand.clockwise)
    own = sum(pad.numbered_by_hand for pad in pads)
    said = (*result.by_hand, *_said(by_hand, own, vacant))
    return replace(
        out,
        pads=pads,
        by_hand=said,
        line_by_hand=by_hand.line,
        pitch_by_hand=by_hand.pitch,
        counted=_counted(by_hand, own),
    )


def _counted(by_hand: Corrections, own: int) -> str:
    way = "clockwise" if by_hand.clockwise else "counter-clockwise"
    start = "corner nearest the top left" if by_hand.first is None else "pad that a person named"
    return f"{way} from the {start}" + (f"; {own} numbered by hand" if own else "")


def _said(by_hand: Corrections, own: int, vacant: Sequence[str]) -> Sequence[str]:
    def pads(count: int) -> str:
        return f"{count} pad" if count == 1 else f"{count} pads"

    out = []
    if by_hand.added:
        out.append(f"{pads(len(by_hand.added))} put in by hand that was not found"
                   if len(by_hand.added) == 1 else
                   f"{pads(len(by_hand.added))} put in by hand that were not found")  # fmt: skip
    if by_hand.removed:
        out.append(f"{pads(len(by_hand.removed))} taken out by hand")
    if by_hand.first is not None:
        way = "clockwise" if by_hand.clockwise else "counter-clockwise"
        out.append(f"counting begins on the pad that a person named, and goes {way}")
    if own:
        out.append(f"{pads(own)} numbered by hand")
    if vacant:
        out.append(f"no pad is where the {'number' if len(vacant) == 1 else 'numbers'}"
                   f" {', '.join(vacant)} {'was' if len(vacant) == 1 else 'were'} given")  # fmt: skip
    if by_hand.line is not None:
        out.append("the finest line was read by a person, not measured")
    if by_hand.pitch is not None:
        out.append("the finest pitch was read by a person, not measured")
    return out


def _pads_corrected(result: DieResult, by_hand: Corrections) -> DieResult:
    per = result.per_px
    width, height = result.outline.width.value, result.outline.height.value
    rows: dict[Key, list[Spot]] = {}
    for pad in result.pads:
        spot = Spot(pad.x, pad.y, pad.width, pad.height, 1.0, 1.0)
        rows.setdefault((pad.side, pad.row), []).append(spot)
    for x, y in by_hand.removed:
        hit = [(key, s) for key, row in rows.items() for s in row if holds(s, (x / per, y / per))]
        if not hit:
            raise Unusable(f"no_pad: no pad was found at [{x:g}, {y:g}]")
        key, spot = hit[0]
        rows[key].remove(spot)
    put: set[tuple[float, float]] = set()
    for pad_um in by_hand.added:
        x, y, across, down = (v / per for v in pad_um)
        spot = Spot(x, y, across, down, 1.0, 1.0)
        if not (0 < spot.x < width and 0 < spot.y < height):
            raise Unusable(f"pad: [{pad_um[0]:g}, {pad_um[1]:g}] is not on the die")
        if any(holds(other, (spot.x, spot.y)) for row in rows.values() for other in row):
            raise Unusable(f"pad: there is a pad at [{pad_um[0]:g}, {pad_um[1]:g}] already")
        rows.setdefault(_row_for(spot, rows, width, height), []).append(spot)
        put.add((spot.x, spot.y))
    left = [(key[0], _in_order(key[0], row)) for key, row in rows.items() if row]
    pads, told = numbered(left, width, height)
    pads = [replace(pad, by_hand=(pad.x, pad.y) in put) for pad in pads]
    pitched = []
    for row in told:  # places set by hand are too rough for a pitch
        mine = [p for p in pads if (p.side, p.row) == (row.side, row.row) and not p.by_hand]
        spots = [Spot(p.x, p.y, p.width, p.height, 1.0, 1.0) for p in mine]
        measured = row_of(row.side, row.row, _in_order(row.side, spots))
        pitched.append(replace(row, pitch=measured.pitch))
    return replace(result, pads=tuple(pads), rows=tuple(pitched))


def _in_order(side: Side, row: Sequence[Spot]) -> list[Spot]:
    return sorted(row, key=lambda s: s.y if side in ("left", "right") else s.x)


def _row_for(spot: Spot, rows: dict[Key, list[Spot]], width: float, height: float) -> Key:
    """The row of the nearest side at whose distance from the rim a pad lies, else a new one."""
    side = min(SIDES, key=lambda one: distance(spot, one, width, height))
    away = distance(spot, side, width, height)
    for (where, number), row in rows.items():
        usual = float(np.median([distance(s, side, width, height) for s in row])) if row else 0.0
        if where == side and row and abs(usual - away) < min(spot.width, spot.height) / 2:
            return where, number
    return side, 1 + max((number for where, number in rows if where == side), default=-1)
