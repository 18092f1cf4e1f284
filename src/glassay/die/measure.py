"""A die sheet's numbers from one picture in which the die lies wholly: what `glassay die` measures."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from glassay.die.filled_by import SAID, is_filled_by_likes
from glassay.die.finest import Finest, find_finest
from glassay.die.outline import Outline
from glassay.die.pads import SEARCH_PX, find_spots, refined
from glassay.die.pointed import PointedOutline, outline_of
from glassay.die.process import Process, process_of
from glassay.die.rows import Pad, Row, rows_of
from glassay.die.sides import fit_outline
from glassay.die.silhouette import find_silhouette
from glassay.die.stripes import find_stripes
from glassay.distortion import Frame
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity, combine

METHOD = "die in one picture"
FEWEST_LINES = 12
"""Lines and spaces without which, where there are no pads either, a rectangle is no die."""

FEW_PADS = 16
"""Pads below which it is said that they may be none: pages of type, keypads and prints of photographs
gave 3 to 12 in the attack."""

ROWS_AGREE = 0.003
"""Relative difference up to which the pitches of rows are one, beyond their own uncertainty."""


@dataclass(frozen=True)
class DieResult:
    """A die in one picture. Lengths of `outline`, `pads` and `rows` are px of the die from its top
    left corner; the properties give them in `unit`: "um", or "px" where no pixel size was stated.
    `told_um` is the finest line that the instrument tells, as it was stated. `by_hand` says what a
    person corrected (see `glassay.die.by_hand`), `line_by_hand` and `pitch_by_hand` are the finest line
    and pitch so read, um, and `counted` which way the pads' numbers run."""

    outline: Outline
    pads: tuple[Pad, ...]
    rows: tuple[Row, ...]
    finest: Finest
    pixel_size: Quantity | None
    told_um: float | None = None
    by_hand: tuple[str, ...] = ()
    line_by_hand: Quantity | None = None
    pitch_by_hand: Quantity | None = None
    counted: str = "counter-clockwise from the corner nearest the top left"

    @property
    def unit(self) -> str:
        """Unit of lengths."""
        return "px" if self.pixel_size is None else "um"

    @property
    def per_px(self) -> float:
        """Length of one px of the die, in `unit`."""
        return 1.0 if self.pixel_size is None else self.pixel_size.value

    def with_finest(self, finest: Finest) -> DieResult:
        """The same with the finest line, space and pitch as they were told elsewhere, px of the die."""
        return replace(self, finest=finest)

    def length(self, px: Quantity) -> Quantity:
        """A length on the die in `unit`, with the calibration's uncertainty."""
        if self.pixel_size is None:
            return px
        return combine(lambda n, size: n * size, (px, self.pixel_size), "um")

    @property
    def width(self) -> Quantity:
        """From the left side to the right one, at the edges that end the die (the saw cut)."""
        return self.length(self.outline.width)

    @property
    def height(self) -> Quantity:
        """From the top side to the bottom one."""
        return self.length(self.outline.height)

    @property
    def pad_pitch(self) -> Quantity | None:
        """The pitch of all rows that have one, if they agree, else that of the finest row."""
        told = [row for row in self.rows if row.pitch is not None]
        if not told:
            return None
        pitches = [row.pitch for row in told if row.pitch is not None]
        least = min(p.value for p in pitches)
        close = [p for p in pitches if p.value - least < ROWS_AGREE * least + 3 * p.u]
        weights = [1 / (p.u**2 + (1e-5 * p.value) ** 2) for p in close]
        mean = combine(
            lambda *values: sum(w * v for w, v in zip(weights, values, strict=True)) / sum(weights),
            close, "px",
        )  # fmt: skip
        left = self._lens_share()
        return self.length(mean.with_contribution("distortion", left * mean.value, scope="setting"))

    @property
    def process(self) -> Process | None:
        """What the finest line and pitch tell of the process; None without a pixel size."""
        if self.pixel_size is None:
            return None
        found = self.findings()
        line, pitch = (
            found[name].quantity if name in found else None
            for name in ("finest_line", "finest_pitch")
        )
        limit = None if self.finest.limit is None else self.finest.limit * self.per_px
        read = {"line": self.line_by_hand, "pitch": self.pitch_by_hand}
        by_hand = [name for name, one in read.items() if one is not None]
        return process_of(line, pitch, limit, self.finest.at_limit, by_hand, self.finest.seen)

    def _lens_share(self) -> float:
        """Relative standard uncertainty that distortion leaves in a length on the die."""
        size = self.outline.width
        return sum(p.u for p in size.contributions if p.source == "distortion") / size.value

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed, and what a reader must know beside the numbers."""
        out = [*self.outline.notes]
        if self.by_hand:
            out.append(f"corrected by hand: {'; '.join(self.by_hand)}")
        if self.pixel_size is None:
            out.append(
                "the size of a px is not known: lengths are in px of the middle of the photo"
            )
        hidden = [
            f"{name} ({seen:.0%} seen)"
            for name, seen in zip(("top", "right", "bottom", "left"), self.outline.support, strict=True)
            if seen < 0.75
        ]  # fmt: skip
        if hidden:
            out.append(f"sides partly covered or broken: {', '.join(hidden)}")
        if not self.pads:
            out.append("no rows of bright pads were found along the rim")
        elif len(self.pads) < FEW_PADS and not self.by_hand:
            out.append(
                f"{len(self.pads)} pads are few: check in the picture that this is a die and that these"
                " are its pads"
            )
        out += self._rows_said()
        if self.finest.few is not None and self.line_by_hand is None:
            few = self._about(self.finest.few)
            out.append(f"finest line: none is told: a few lines of about {few} are finer than those of"
                       " which there are many, and too few to be measured")  # fmt: skip
        if self.finest.at_limit:
            limit = self._about(self.finest.limit or 0.0)
            out.append(f"finest line: no finer than {limit} could be seen in this picture, and there"
                       " are lines that are as fine as that or finer")  # fmt: skip
        out += self._read_below_the_limit()
        if self.finest.seen < 1:
            share = f"{self.finest.seen:.0%}"
            out.append(f"finest line and pitch: told of {share} of the die, the parts in which light"
                       " changes most often and most steeply; finer ones may be elsewhere")  # fmt: skip
        out += self.finest.notes
        return tuple(out)

    def _read_below_the_limit(self) -> list[str]:
        """What a person read of what this picture cannot tell: it may be from elsewhere, or no line."""
        return [
            f"finest {name}: what was read by hand is finer than the {self._about(limit)} below which"
            " nothing could be told in this picture"
            for name, read, limit in (("line", self.line_by_hand, self.finest.limit),
                                      ("pitch", self.pitch_by_hand, self.finest.limit_pitch))
            if read is not None and limit is not None and read.value < limit * self.per_px
        ]  # fmt: skip

    def _about(self, px: float) -> str:
        return f"{px * self.per_px:.2g} {self.unit}"

    def _rows_said(self) -> list[str]:
        out = []
        for row in self.rows:
            if row.pitch is None:
                out.append(
                    f"the {row.side} row's pads do not stand on even steps, or on few of them: it has"
                    " no pitch"
                )
            elif row.gaps:
                out.append(f"the {row.side} row has {row.gaps} steps without a pad within it")
        pitches = [row.pitch for row in self.rows if row.pitch is not None]
        if pitches:
            least, most = min(p.value for p in pitches), max(p.value for p in pitches)
            if most - least > ROWS_AGREE * least + 3 * max(p.u for p in pitches):
                out.append("rows differ in pitch: pad_pitch is that of the finest")
        return out

    def findings(self) -> dict[str, Finding]:
        """width, height, tilt, pads, pad_pitch, finest_line, finest_space, finest_pitch, and the limits
        finest_line_limit and finest_pitch_limit below which nothing can be told."""
        how = "corners set by hand" if self.outline.by_hand else METHOD
        out = {
            "width": Finding(self.width, how),
            "height": Finding(self.height, how),
            "tilt": Finding(self.outline.tilt, how),
            "pads": Finding(len(self.pads), "bright rectangles in rows" + self._pads_by_hand()),
        }
        pitch = self.pad_pitch
        if pitch is not None:
            out["pad_pitch"] = Finding(pitch, "places of pads on whole steps")
        for name, px in (("line", self.finest.line), ("space", self.finest.space),
                         ("pitch", self.finest.pitch)):  # fmt: skip
            if px is not None:
                out[f"finest_{name}"] = Finding(self.length(px), "edges in strips of the die")
        for name, read in (("line", self.line_by_hand), ("pitch", self.pitch_by_hand)):
            if read is not None:
                out[f"finest_{name}"] = Finding(read, "read by hand in the picture")
        for name, limit in (("line", self.finest.limit), ("pitch", self.finest.limit_pitch)):
            if limit is not None:
                value = Quantity(limit * self.per_px, self.unit)
                out[f"finest_{name}_limit"] = Finding(value, "blur of the sharpest edges")
        if self.outline.distortion is not None:
            out["distortion"] = Finding(self.outline.distortion, "bow of the four sides")
        return out

    def _pads_by_hand(self) -> str:
        return ", corrected by hand" if any("pad" in said for said in self.by_hand) else ""

    def beside(self) -> dict[str, Any]:
        """Plain data beside the findings: outline (photo px), pads and rows (in `unit`), process."""
        per = self.per_px
        process = self.process
        return {
            "unit": self.unit,
            "outline": np.round(self.outline.seen_corners(), 3).tolist(),
            **({"outline_by": "hand"} if self.outline.by_hand else {}),
            "pads": [
                {"number": pad.number, "side": pad.side, "row": pad.row,
                 "place": [round(pad.x * per, 3), round(pad.y * per, 3)],
                 "size": [round(pad.width * per, 3), round(pad.height * per, 3)],
                 **({"by": "hand"} if pad.by_hand else {}),
                 **({"number_by": "hand"} if pad.numbered_by_hand else {})}
                for pad in self.pads
            ],
            "rows": [
                {"side": row.side, "row": row.row, "count": row.count, "gaps": row.gaps,
                 "pitch": None if row.pitch is None else self.length(row.pitch).as_json()}
                for row in self.rows
            ],
            "process": None if process is None else {
                "low_um": process.low_um, "high_um": process.high_um,
                "statement": process.statement, "reasons": list(process.reasons)},
        }  # fmt: skip


def outline_in(
    grey: FloatImage, *, frame: Frame | None = None, flat: bool = False,
    pointed: PointedOutline | None = None, bare: bool = False,
) -> Outline:  # fmt: skip
    """The outline alone, as `measure_die` finds it; where the die is `bare`, as its back is, the
    sharpest of its sides tells how sharp the picture is. Arguments and exceptions are those of
    `measure_die`."""
    grey = np.ascontiguousarray(grey, dtype=np.float32)
    frame = frame or Frame.of(grey.shape)
    if pointed is not None:
        return outline_of(pointed, grey.shape, frame, flat)
    return fit_outline(grey, find_silhouette(grey), frame, flat, bare)


def measure_die(
    grey: FloatImage,
    pixel_size: Quantity | None = None,
    *,
    told_um: float | None = None,
    frame: Frame | None = None,
    flat: bool = False,
    pointed: PointedOutline | None = None,
) -> DieResult:
    """Measure the die in a picture (height, width) of linear light.

    `pixel_size` um/px in the middle of the photo; `told_um` the finest line that the instrument tells
    (half a pitch at 10 % modulation), where it is known. `frame` is that of the photo where the
    picture is a part of it; `flat` states that the picture is free of distortion, as a mosaic is. With
    `pointed` the outline is the one that a person set, and everything else is measured within it.
    Raises `NotMeasurable` when the die's outline is not wholly in the picture, does not stand out from
    an even surround, when there are two, or when nothing on the rectangle is like a die; `Unusable`
    where the corners set by hand are none of a die in the picture.
    """
    grey = np.ascontiguousarray(grey, dtype=np.float32)
    outline = outline_in(grey, frame=frame, flat=flat, pointed=pointed)
    level = outline.levelled(grey)
    step = max(1.0, max(outline.width.value, outline.height.value) / SEARCH_PX)
    coarse = outline.levelled(grey, step)
    placed = (refined(level, spot) for spot in find_spots(coarse, step))
    pads, rows = rows_of(level, [spot for spot in placed if spot is not None])
    filled = is_filled_by_likes(level, pads)
    if filled:
        pads, rows = [], []
    stripes = find_stripes(level)
    if not pads and len(stripes.stripes) < FEWEST_LINES and pointed is None:
        raise NotMeasurable(
            "the rectangle in the picture shows neither pads nor lines: nothing on it is like a die"
        )
    told_px = None
    if told_um is not None and pixel_size is not None and math.isfinite(told_um):
        told_px = told_um / pixel_size.value
    by_hand = ("the corners of the outline were set by hand",) if outline.by_hand else ()
    said = (*by_hand, *((SAID,) if filled else ()))
    return DieResult(
        outline, tuple(pads), tuple(rows), find_finest(stripes, told_px), pixel_size, told_um, said
    )
