"""Planning to photograph a die: instrument and setting, tiles, focus steps, shots, time, storage."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from glassay.bench.judging.hold_line import Word, hold_line
from glassay.bench.keeping.results import (
    SCALE_IN_DOUBT,
    BenchResults,
    CaptureResult,
    SettingResult,
)
from glassay.bench.measuring.resolved import finest_in
from glassay.errors import NotMeasurable, Unusable
from glassay.quantity import Quantity

OVERLAP = 0.2
"""Overlap of neighbouring tiles: enough for registration where a fifth of the field is featureless
(common practice, no source)."""
FOCUS_OVERLAP = 0.2
"""Overlap of neighbouring focus steps, as a share of the depth of field (common practice, no
source)."""
PER_SHOT_S, PER_TILE_S = 5.0, 15.0
"""Seconds for one exposure and for moving on by hand; our own guess, stated with the plan."""
MOST_TILES = 1_000_000
"""More tiles than this are no plan for a person; most likely a length has the wrong unit."""
BYTES_PER_PIXEL = 0.6
"""Size of a photo where none was filed in the setting: a good JPEG of a chip takes 0.4 to 0.8 bytes
a pixel (common practice, no source)."""


@dataclass(frozen=True)
class Job:
    """What is to be photographed. Lengths in um; `line_um` is the width of the finest line, to be
    told at `contrast` (None: told apart at all); `overlap` a share of the field."""

    die_um: tuple[float, float]
    line_um: float
    relief_um: float = 0.0
    contrast: float | None = None
    overlap: float = OVERLAP
    exposures: int = 1
    per_shot_s: float = PER_SHOT_S
    per_tile_s: float = PER_TILE_S

    def __post_init__(self) -> None:
        if not 0 <= self.overlap <= 0.9:
            raise Unusable(f"an overlap of {self.overlap:.0%} is not between 0 and 90 %")


@dataclass(frozen=True)
class Tile:
    """One position: number from 1 in the order to be taken, column and row from 0, and the middle
    of the field in um from the die's top left corner."""

    number: int
    column: int
    row: int
    x_um: float
    y_um: float


@dataclass(frozen=True)
class Tiling:
    """How fields of `field_um` cover a die. `turned`: the die lies turned by 90 degrees, so that
    `die_um` has its sides swapped. `overlap` is what neighbours really share, along x and y."""

    die_um: tuple[float, float]
    field_um: tuple[float, float]
    columns: int
    rows: int
    overlap: tuple[float, float]
    turned: bool

    @property
    def count(self) -> int:
        """Tiles in all."""
        return self.columns * self.rows

    def tiles(self) -> Iterator[Tile]:
        """Positions to and fro, row by row, so that every move is a short one."""
        xs = _centres(self.die_um[0], self.field_um[0], self.columns)
        ys = _centres(self.die_um[1], self.field_um[1], self.rows)
        number = 0
        for row, y in enumerate(ys):
            order = range(self.columns) if row % 2 == 0 else reversed(range(self.columns))
            for column in order:
                number += 1
                yield Tile(number, column, row, xs[column], y)


@dataclass(frozen=True)
class Plan:
    """One setting's way to do the job.

    `word` says whether the finest line is resolved there. `depth` is the depth of field in um and
    `depth_from` where it comes from; None with `steps` 1 when there is no relief.
    """

    instrument: str
    setting: str
    word: Word
    why: str
    line: Quantity | None
    tiling: Tiling
    depth: float | None
    depth_from: str
    steps: int
    step_um: float
    shots: int
    time_s: float
    bytes: float
    mosaic_px: tuple[int, int]
    notes: tuple[str, ...]


def cover(die_um: tuple[float, float], field_um: tuple[float, float], overlap: float) -> Tiling:
    """The fewest fields that cover a die with at least this overlap, the die turned if that helps."""
    straight, turned = (
        _tiling(die, field_um, overlap, is_turned)
        for die, is_turned in ((die_um, False), ((die_um[1], die_um[0]), True))
    )
    best = turned if turned.count < straight.count else straight
    if best.count > MOST_TILES:
        raise Unusable(
            f"it would take {best.count} tiles of {field_um[0]:.3g} x {field_um[1]:.3g} um;"
            " is a length given in the wrong unit?"
        )
    return best


def _tiling(
    die: tuple[float, float], field: tuple[float, float], overlap: float, turned: bool
) -> Tiling:
    counts = tuple(_needed(side, view, overlap) for side, view in zip(die, field, strict=True))
    shared = tuple(
        (view - (side - view) / (n - 1)) / view if n > 1 else 0.0
        for side, view, n in zip(die, field, counts, strict=True)
    )
    return Tiling(die, field, counts[0], counts[1], (shared[0], shared[1]), turned)


def _needed(side: float, view: float, overlap: float) -> int:
    if side <= view:
        return 1
    # n fields with n - 1 overlaps reach n view - (n - 1) overlap view.
    return math.ceil((side / view - overlap) / (1 - overlap) - 1e-9)


def _centres(side: float, view: float, count: int) -> list[float]:
    if count == 1:
        return [side / 2]
    step = (side - view) / (count - 1)
    return [view / 2 + i * step for i in range(count)]


def focus_steps(relief_um: float, depth_um: float) -> tuple[int, float]:
    """Number of focus positions that keep a relief sharp, and the step between them in um.

    n positions at a step s cover (n - 1) s + depth; s is the depth less its overlap, or less where
    the relief divides evenly.
    """
    if relief_um <= depth_um:
        return 1, 0.0
    step = (1 - FOCUS_OVERLAP) * depth_um
    more = math.ceil((relief_um - depth_um) / step - 1e-9)
    return more + 1, (relief_um - depth_um) / more


def plan(results: BenchResults, job: Job) -> tuple[Plan, ...]:
    """A plan for every setting whose field and pixel size are known, the best first.

    Best: settings that were shown to resolve the line first, then those that may, then those that
    cannot; among equals the fewest shots. Raises `NotMeasurable` when no setting has a measured
    pixel size of its own camera, or only ones in doubt, and `Unusable` for a job
    that takes too many tiles.
    """
    usable = [
        one
        for one in results.settings
        if not one.setting.through_eyepiece and one.setting.for_chips
        and {"pixel_size", "field_width"} <= set(one.findings)
    ]  # fmt: skip
    if not usable:
        raise NotMeasurable(
            "no setting for chips with a camera of its own has a measured field; "
            + results.run_or("photograph a ruled scale")
        )
    sound = [one for one in usable if not results.is_scale_doubtful(one)]
    if not sound:
        raise NotMeasurable(f"no setting can be planned with; of each {SCALE_IN_DOUBT}")
    order: tuple[Word, ...] = ("yes", "not shown", "no")
    captures = results.captures_that_count
    plans = [_plan(one, captures, job) for one in sound]
    return tuple(sorted(plans, key=lambda p: (order.index(p.word), p.shots, p.time_s)))


def left_out(results: BenchResults) -> tuple[str, ...]:
    """What no plan is made for since its scale is in doubt: a sentence for each setting."""
    return tuple(
        f"{one.instrument.title}, {one.setting.title} is in no plan: {SCALE_IN_DOUBT}"
        for one in results.settings
        if one.setting.for_chips and results.is_scale_doubtful(one)
    )


def _plan(one: SettingResult, captures: Sequence[CaptureResult], job: Job) -> Plan:
    word, why, line = _resolves(one, captures, job)
    width, height = (one.findings[k].quantity for k in ("field_width", "field_height"))
    # The lower end of the field's interval: tiles must meet wherever in it the truth lies.
    field = (width.value - width.expanded, height.value - height.expanded)
    tiling = cover(job.die_um, field, job.overlap)
    depth, origin = _depth(one, captures)
    steps, step = (1, 0.0) if not job.relief_um or depth is None else (
        focus_steps(job.relief_um, depth)
    )  # fmt: skip
    shots = tiling.count * steps * job.exposures
    size, note = _bytes(one, captures)
    pixel = one.findings["pixel_size"].quantity.value
    mosaic = (math.ceil(tiling.die_um[0] / pixel), math.ceil(tiling.die_um[1] / pixel))
    notes = [note] if note else []
    if job.relief_um and depth is None:
        notes.append("its depth of field is not known: state an aperture (numerical_aperture) or"
                     " photograph a focus run")  # fmt: skip
    return Plan(
        one.instrument.id, one.setting.id, word, why, line, tiling, depth, origin, steps, step,
        shots, shots * job.per_shot_s + tiling.count * job.per_tile_s, shots * size, mosaic,
        tuple(notes),
    )  # fmt: skip


def _resolves(
    one: SettingResult, captures: Sequence[CaptureResult], job: Job
) -> tuple[Word, str, Quantity | None]:
    held = hold_line(one, captures, job.line_um, job.contrast)
    why = f"{held.said}; it takes {held.shoot}" if held.is_unseen else held.said
    return held.word, why, held.line


def _depth(one: SettingResult, captures: Sequence[CaptureResult]) -> tuple[float | None, str]:
    """Depth of field in um: measured, or from the aperture and the pixels.

    n wavelength / NA^2 + n p / NA, where p, the pixel size at the object, is e / M of the usual
    formula. Without a stated aperture, the one that carries the finest resolved detail stands in;
    that one may be too small, and the depth then too large.
    """
    for result in one.among(captures):
        if "depth_of_field" in result.findings:
            value = result.findings["depth_of_field"].quantity
            if value.unit == "um":
                return value.value - value.expanded, "measured through focus"
    own = one.pixel or one.findings["pixel_size"]
    chain, pixel = one.setting.chain, own.quantity.value
    aperture, origin = chain.numerical_aperture, "from the stated aperture and the pixels"
    if aperture is None:
        found = finest_in(one, captures)
        if found is None:
            return None, ""
        aperture = chain.wavelength_um * found.frequency.value / 2
        origin = "from the finest detail resolved; try it out on the die before relying on it"
    wave = chain.refractive_index * chain.wavelength_um / aperture**2
    return wave + chain.refractive_index * pixel / aperture, origin


def _bytes(one: SettingResult, captures: Sequence[CaptureResult]) -> tuple[float, str]:
    """Size of one photo: the median of those filed in the setting."""
    sizes = [float(c.facts["bytes"]) for c in one.among(captures) if c.facts.get("bytes")]
    if sizes:
        return statistics.median(sizes), ""
    width, height = one.picture or (0, 0)
    return BYTES_PER_PIXEL * width * height, (
        f"storage is estimated at {BYTES_PER_PIXEL:g} bytes a pixel"
    )


def plan_as_json(one: Plan) -> dict[str, Any]:
    """A plan as plain data, without the positions."""
    t = one.tiling
    return {
        "instrument": one.instrument, "setting": one.setting, "resolves": one.word, "why": one.why,
        "line": None if one.line is None else one.line.as_json(),
        "columns": t.columns, "rows": t.rows, "tiles": t.count, "turned": t.turned,
        "field_um": list(t.field_um), "overlap": list(t.overlap),
        "depth_of_field_um": one.depth, "depth_from": one.depth_from,
        "focus_steps": one.steps, "step_um": one.step_um, "shots": one.shots,
        "time_s": one.time_s, "bytes": one.bytes, "mosaic_px": list(one.mosaic_px),
        "notes": list(one.notes),
    }  # fmt: skip
