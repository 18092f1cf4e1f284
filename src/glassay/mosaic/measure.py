"""From photos of one chip to where each lies, and how far lengths across them can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from glassay.errors import NotMeasurable, Unusable
from glassay.imaging.tone import Tone
from glassay.mosaic.compare import Progress
from glassay.mosaic.folds import left_open
from glassay.mosaic.groups import Groups
from glassay.mosaic.outcome import outcome
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.result import MosaicResult, Where
from glassay.mosaic.rival_places import only_decided
from glassay.mosaic.schedule import Workers
from glassay.mosaic.settle import settled, solved_without
from glassay.mosaic.tile import Tile, Unread, read_tile
from glassay.quantity import Quantity

MOST_BESIDE_TWO = 4
"""Photos of which two that no third joins are a mosaic. Of more, some show what these two do if they
lie side by side; where none does, what they show may occur twice (reasoned, not studied)."""

HUNG_ON_OTHERS = "only photos that were left out join it to the mosaic"


def quiet(_: str, __: int, ___: int) -> None:
    """Progress that nobody wants to see."""


def place_tiles(
    paths: Sequence[Path], *, pixel_size: Quantity | None = None, tone: Tone | None = None,
    workers: Workers | None = None, progress: Progress = quiet,
) -> MosaicResult:  # fmt: skip
    """Place photos of one chip, taken in one setting, in unknown order.

    Raises `NotMeasurable` when no two of them hold together, `Unusable` when fewer than two files
    can be read.
    """
    workers = workers or Workers()
    read = list(
        workers.map(read_tile, [(p, tone) for p in paths], lambda n, m: progress("read", n, m))
    )
    where: dict[int, Where] = {}
    tiles = _usable(read, where)
    usable = [n for n in range(len(read)) if n not in where]
    if len(usable) < 2:
        reason = next((w.reason for w in where.values() if w.reason), "")
        raise Unusable(
            f"a mosaic needs at least two different photos that can be read; {reason}".rstrip("; ")
        )
    lenses, groups, overlaps, found = Groups(tiles, workers, progress).found()
    if len(groups[0]) < 2:
        raise NotMeasurable(_why_none(overlaps))
    poses, solution, overlaps, zooms = settled(
        tiles, lenses, overlaps, groups[0], workers, progress
    )
    held = set(poses)
    poses, solution, overlaps, rivals = only_decided(
        tiles, poses, solution, overlaps, found, workers, progress
    )
    own = [solution.lens(t.shape) for t in tiles]
    unsure = left_open(tiles, poses, own, workers, progress)
    if unsure:
        poses, solution, overlaps = solved_without(unsure, poses, solution, overlaps, own)
    if len(poses) == 2 and len(tiles) > MOST_BESIDE_TWO:
        raise NotMeasurable(
            f"only two of {len(tiles)} photos seem to belong together, and no third confirms it: what"
            " they show may occur twice"
        )
    for tile, reason in unsure.items():
        where[usable[tile]] = Where(paths[usable[tile]], None, reason)
    for tile, distance in rivals.items():
        reason = (
            f"it fits as well {distance:.0f} px from its likeliest place: what it shows repeats"
        )
        where[usable[tile]] = Where(paths[usable[tile]], None, reason)
    for tile, scale in zooms.items():
        # how much, its neighbours tell too low: they gave way while all were solved together
        than = "larger" if scale > 1 else "smaller"
        reason = f"taken at another zoom: it shows things {than} than the others do"
        where[usable[tile]] = Where(paths[usable[tile]], None, reason)
    for tile in held - poses.keys():
        where.setdefault(usable[tile], Where(paths[usable[tile]], None, HUNG_ON_OTHERS))
    return outcome(paths, tiles, usable, where, groups, poses, solution, overlaps, pixel_size, read)


def _usable(read: Sequence[Tile | Unread], where: dict[int, Where]) -> list[Tile]:
    seen: dict[str, Path] = {}
    tiles = []
    for number, one in enumerate(read):
        if isinstance(one, Unread):
            where[number] = Where(one.path, None, one.reason)
        elif one.digest in seen:
            where[number] = Where(one.path, None, f"the same file as {seen[one.digest].name}")
        else:
            seen[one.digest] = one.path
            tiles.append(one)
    return tiles


def _why_none(overlaps: Sequence[Overlap]) -> str:
    if any(o.holds for o in overlaps):
        return "the photos fit at several places equally well: what they share only repeats"
    return (
        "of no two of these photos it is sure that they show the same place: they share nothing, or too"
        " little to tell how the lens distorts"
    )
