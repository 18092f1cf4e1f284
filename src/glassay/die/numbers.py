"""The numbers of pads: one that a pad has does not move when another is put in or taken out.

The pads that were found are counted around the die. One that a person takes out leaves its number
vacant. One that a person puts in, and one that is found where all numbers are given away, is called
after the pad before it: 12a, then 12b. A person may give any pad a number, by its place.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from glassay.die.pads import Spot
from glassay.die.rows import Pad, ring_place
from glassay.errors import Unusable

Place = tuple[float, float]

NUMBER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,11}")
"""What a pad's number may be: it must hold in a CSV, in an id, and on the pad in a picture."""


def checked_number(text: str) -> str:
    """A number as a person gives it. Raises `Unusable` where it can be none."""
    if not NUMBER.fullmatch(text):
        raise Unusable(
            f"{text[:40]!r} is no number of a pad: write up to 12 letters and digits, like 12a or A3"
        )
    return text


def holds(pad: Pad | Spot, place: Place) -> bool:
    """Whether a place (px of the die) lies on a pad."""
    return abs(pad.x - place[0]) < pad.width / 2 and abs(pad.y - place[1]) < pad.height / 2


def with_numbers(
    found: Sequence[Pad], now: Sequence[Pad], given: Sequence[tuple[Place, str]],
    first: Place | None = None, clockwise: bool = False,
) -> tuple[tuple[Pad, ...], tuple[str, ...]]:  # fmt: skip
    """The pads `now` in the order of their ring with their numbers, and the numbers that were `given`
    to places (px of the die) on which there is no pad: these stay vacant.

    `found` are those that were measured, of which some may be gone; counting begins on the pad at
    `first`. Raises `Unusable` where no pad is or was at `first`, where one pad is given two numbers, or
    two pads one.
    """
    gone = [pad for pad in found if not any(_same(pad, other) for other in now)]
    ring, begins = _ring([*now, *gone], first, clockwise)
    there = [n for n, pad in enumerate(ring) if not any(pad is other for other in gone)]
    own = _own(ring, there, given)
    left = _own(ring, sorted(set(range(len(ring))) - set(there)), given)
    used = {name.casefold() for name in own.values()}
    vacant = tuple(dict.fromkeys(name for _, name in given if name.casefold() not in used))
    # a first pad that was put in by hand is counted like those that were found
    counts = iter(range(1, len(ring) + 1))
    counted = {n: str(next(counts)) for n, pad in enumerate(ring)
               if not pad.by_hand or (n == 0 and begins)}  # fmt: skip
    taken = {name.casefold() for name in (*own.values(), *vacant)}
    names = {
        n: name for n, name in counted.items() if n not in own and name.casefold() not in taken
    }
    names |= left | own
    taken |= {name.casefold() for name in names.values()}
    put = {id(pad): n for n, pad in enumerate(now) if pad.by_hand}  # in the order of the notes
    called = dict(names)
    for n in sorted(set(there) - set(names), key=lambda n: (put.get(id(ring[n]), -1), n)):
        before = [called[k % len(ring)] for k in range(n + len(ring) - 1, n, -1)
                  if k % len(ring) in called]  # fmt: skip
        names[n] = next(
            name for name in _after(before[0] if before else "") if name.casefold() not in taken
        )
        taken.add(names[n].casefold())
    pads = (replace(ring[n], number=names[n], numbered_by_hand=n in own) for n in there)
    return tuple(pads), vacant


def _ring(pads: Sequence[Pad], first: Place | None, clockwise: bool) -> tuple[list[Pad], bool]:
    """Pads from the first one on, and whether a person named that one."""
    ring = sorted(pads, key=ring_place)
    if first is None:
        return ring, False
    hit = [n for n, pad in enumerate(ring) if holds(pad, first)]
    if not hit:
        raise Unusable("numbering: no pad is where counting begins")
    ring = [*ring[hit[0] :], *ring[: hit[0]]]
    return ([ring[0], *ring[:0:-1]] if clockwise else ring), True


def _own(
    ring: Sequence[Pad], which: Sequence[int], given: Sequence[tuple[Place, str]]
) -> dict[int, str]:
    """The numbers given to these pads of the ring."""
    own: dict[int, str] = {}
    for place, name in given:
        for n in [n for n in which if holds(ring[n], place)][:1]:
            if own.get(n, name) != name:
                raise Unusable(f"one pad is given two numbers, {own[n]} and {name}")
            own[n] = name
    seen: set[str] = set()
    for name in own.values():
        if name.casefold() in seen:
            raise Unusable(f"two pads are given the number {name}")
        seen.add(name.casefold())
    return own


def _same(one: Pad, other: Pad) -> bool:
    return not one.by_hand and not other.by_hand and (one.x, one.y) == (other.x, other.y)


def _after(name: str) -> Iterator[str]:
    """What a pad after this one is called: 12a, 12b ... 12z, 12aa; without one before it 1, 2, 3."""
    n = 1
    while True:
        text, rest = "", n
        while name and rest:
            rest, letter = divmod(rest - 1, 26)
            text = "abcdefghijklmnopqrstuvwxyz"[letter] + text
        yield f"{name}{text}" if name else str(n)
        n += 1
