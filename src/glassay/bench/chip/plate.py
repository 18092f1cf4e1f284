"""What a plate shows: one piece of a chip through several instruments, at one scale.

Where the captures lie on each other is known from their matches (`glassay.bench.chip.same_chip`). The
plate stands as its frame stands: the capture that the region was chosen in, or the one with the
finest pixels. Its absolute scale is that of the capture whose calibration is best known.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt

from glassay.bench.chip.panel import Caption, Panel
from glassay.bench.chip.richest_piece import area, middle_px, richest, shows
from glassay.bench.chip.same_chip import Points, Route, SameChip, pixel_size_of_capture
from glassay.bench.document.model import Bench, Capture
from glassay.bench.keeping.results import BenchResults, SettingResult
from glassay.bench.measuring.native_pixels import enlargement, native_pixel_size
from glassay.bench.measuring.resolved import Resolved, finest_in
from glassay.errors import NotMeasurable, Unusable
from glassay.imaging import Photo, linear_to_srgb, read_photo
from glassay.imaging.resample import KERNEL_WORDS, Kernel, resample, step_of
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity

Region = tuple[float, float, float, float]
"""x, y, width and height of a piece."""


@dataclass(frozen=True)
class Wanted:
    """What the plate is to show. Everything may be left open.

    `object` is the chip, `captures` the ids to show (the first of each setting by default).
    `region` is (x, y, width, height) in px of the capture `frame`; without it the richest piece
    `width_um` wide is found.
    """

    object: str | None = None
    captures: tuple[str, ...] = ()
    region: Region | None = None
    frame: str | None = None
    width_um: float | None = None
    kernel: Kernel = "smooth"


@dataclass(frozen=True, eq=False)
class Plate:
    """A plate before it is drawn.

    `corner` is the top left of the piece in px of the frame, `step` as (n, 2) vectors the frame's px
    along the plate's width and height. `scale_by` names whose calibration the length rests on;
    `left_out` the captures that are not shown, by title, with the reason.
    """

    title: str
    chip: str
    panels: tuple[Panel, ...]
    frame: Route
    corner: tuple[float, float]
    size_px: tuple[float, float]
    width_um: Quantity
    scale_by: str
    kernel: Kernel
    left_out: Mapping[str, str]

    @property
    def height_um(self) -> float:
        """Height of the piece."""
        return self.width_um.value * self.size_px[1] / self.size_px[0]

    @property
    def aspect(self) -> float:
        """Width over height."""
        return self.size_px[0] / self.size_px[1]

    @cached_property
    def kernel_words(self) -> str:
        """How photos are brought to the plate's px."""
        return KERNEL_WORDS[self.kernel]

    def placed(self, panel: Panel, shape: tuple[int, int]) -> Callable[[Points], Points]:
        """From px of a panel of `shape` (height, width) to px of its photo."""
        across, down = self.size_px[0] / shape[1], self.size_px[1] / shape[0]

        def to_photo(points: Points) -> Points:
            here = (points + 0.5) * (across, down) - 0.5 + self.corner
            return panel.route(self.frame.back(here))

        return to_photo

    def enlargement(self, panel: Panel, shape: tuple[int, int]) -> float:
        """Px of a panel of `shape` for each px of its photo."""
        return 1 / step_of(self.placed(panel, shape), shape)

    def pixels(
        self, panel: Panel, shape: tuple[int, int], columns: tuple[int, int] | None = None
    ) -> npt.NDArray[np.uint8]:
        """The panel in 8-bit sRGB, shape (height, width, 3); grey where the photo does not reach.

        With `columns` (first, end) only these of it.
        """
        first, end = columns or (0, shape[1])
        whole = self.placed(panel, shape)

        def to_photo(points: Points) -> Points:
            return whole(points + np.array([first, 0.0]))

        part = (shape[0], end - first)
        planes, covered = resample(_planes(panel.photo), to_photo, part, self.kernel)
        colour = np.stack(planes if len(planes) == 3 else planes * 3, axis=2)
        stored = np.rint(linear_to_srgb(colour) * 255).astype(np.uint8)
        stored[~covered] = OUTSIDE
        return stored


OUTSIDE = 128
"""Grey value where a photo does not reach."""


def _planes(photo: Photo) -> list[FloatImage]:
    """The photo's channels in linear light, 0..1; linear photos with their brightest 0.1 % at 1."""
    channels = range(3) if photo.is_colour else range(1)
    planes = [photo.linear_channel(index) for index in channels]
    if photo.tone != "linear":
        return planes
    top = float(np.percentile(np.stack(planes), 99.9))
    return [np.asarray(plane / max(top, 1e-30), dtype=np.float32) for plane in planes]


Search = Callable[[Sequence[Panel], Route, float, float | None], Region]


def make_plate(
    results: BenchResults, chips: Sequence[SameChip], wanted: Wanted, search: Search = richest
) -> Plate:
    """Choose captures, piece and scale of a plate; `search` finds the piece where none is wanted.

    Raises `Unusable` for an unknown chip, capture or region, and `NotMeasurable` when there are not
    two captures that match, when no scale is known, or when nothing is common.
    """
    chip = _chosen_chip(results.bench, chips, wanted)
    shown, left_out = _chosen_captures(results.bench, chip, wanted)
    panels = [_panel(results, chip, one) for one in shown]
    frame_id = wanted.frame or chip.reference
    if frame_id not in chip.routes:
        raise Unusable(f"{frame_id} is no capture of {chip.object} that matches the others")
    frame = chip.routes[frame_id]
    size_um, scale_by = _scale(results, chip, panels, frame)
    if wanted.region is not None:
        x, y, width, height = wanted.region
        if not (width > 0 and height > 0):
            raise Unusable("the region has no size; give x,y,width,height in px")
    else:
        x, y, width, height = search(panels, frame, size_um.value, wanted.width_um)
    kept = []
    for panel in panels:
        if shows(panel, frame, (x, y, width, height)):
            kept.append(panel)
        else:
            left_out[_title(results.bench, panel.capture)] = "does not show this piece of the chip"
    if len(kept) < 2:
        raise NotMeasurable("fewer than two captures show that piece of the chip")
    thing = results.bench.object(chip.object)
    return Plate(
        results.bench.title, thing.name or thing.id, tuple(kept), frame, (x, y), (width, height),
        size_um.scaled(width, "um"), scale_by, wanted.kernel, left_out,
    )  # fmt: skip


def _chosen_chip(bench: Bench, chips: Sequence[SameChip], wanted: Wanted) -> SameChip:
    if wanted.object is not None:
        bench.object(wanted.object)  # raises for an unknown one
        chips = [one for one in chips if one.object == wanted.object]
    if not chips:
        raise NotMeasurable(
            "there is no chip of which this bench has two photos; file captures of one chip through"
            ' several instruments as an object of kind "chip"'
        )
    best = max(chips, key=lambda one: len(one.routes))
    if len(best.routes) < 2:
        reasons = "; ".join(dict.fromkeys(best.unmatched.values()))
        raise NotMeasurable(
            f"no two captures of {best.object} could be laid on each other: {reasons}"
        )
    return best


def _chosen_captures(
    bench: Bench, chip: SameChip, wanted: Wanted
) -> tuple[list[Capture], dict[str, str]]:
    captures = {one.id: one for one in bench.captures}
    left_out: dict[str, str] = {}
    for capture_id in wanted.captures:
        if capture_id not in captures:
            raise Unusable(f"there is no capture {capture_id!r} in this bench")
    known = {*chip.routes, *chip.unmatched}  # clips of the chip are in neither
    ids = wanted.captures or [one.id for one in bench.captures if one.id in known]
    shown: list[Capture] = []
    for capture_id in ids:
        one = captures[capture_id]
        if capture_id in chip.routes:
            again = any((o.instrument, o.setting) == (one.instrument, one.setting) for o in shown)
            if not again or wanted.captures:
                shown.append(one)
        else:
            reason = chip.unmatched.get(capture_id, "is no photo of this chip")
            left_out[_title(bench, one)] = reason
    return shown, left_out


def _title(bench: Bench, capture: Capture) -> str:
    instrument = bench.instrument(capture.instrument)
    if len(instrument.settings) == 1:
        return instrument.title
    return f"{instrument.title}, {instrument.setting(capture.setting).title}"


def _panel(results: BenchResults, chip: SameChip, capture: Capture) -> Panel:
    bench = results.bench
    path = bench.shown_path(capture.files[0])
    photo_size = _size(results, capture, path)
    instrument = bench.instrument(capture.instrument)
    one = next(
        (s for s in results.settings_of(capture.instrument) if s.setting.id == capture.setting),
        None,
    )
    size = pixel_size_of_capture(results.settings, capture, photo_size)
    setting = instrument.setting(capture.setting)
    caption = Caption(
        instrument.title, "" if len(instrument.settings) == 1 else setting.title, size,
        _finest(one, results), None if one is None else one.reading(READING),
        _native(one, results),
    )  # fmt: skip
    return Panel(capture, caption, photo_size, lambda: read_photo(path), chip.routes[capture.id])


def _size(results: BenchResults, capture: Capture, path: Path) -> tuple[int, int]:
    """Width and height of a photo: as its measurements state them, else by reading it."""
    facts = next((one.facts for one in results.captures if one.capture.id == capture.id), {})
    if "width" in facts and "height" in facts:
        return int(facts["width"]), int(facts["height"])
    photo = read_photo(path)
    return photo.width, photo.height


READING = "field_equivalent_magnification"
"""The reading in captions: the one that every kind of instrument has."""


def _finest(one: SettingResult | None, results: BenchResults) -> Resolved | None:
    return None if one is None else finest_in(one, results.captures)


def _native(one: SettingResult | None, results: BenchResults) -> Quantity | None:
    if one is None or enlargement(one, results.captures) is None:
        return None
    return native_pixel_size(one, results.captures)


def _scale(
    results: BenchResults, chip: SameChip, panels: Sequence[Panel], frame: Route
) -> tuple[Quantity, str]:
    """Um for each px of the frame, and whose calibration says so: the one that is best known."""
    known = [panel for panel in panels if panel.caption.pixel_size is not None]
    if not known:
        raise NotMeasurable(
            "the scale of none of these captures is known; photograph a ruled scale in one of their"
            " settings"
        )
    best = min(known, key=lambda panel: _relative(panel.caption.pixel_size))
    size = best.caption.pixel_size
    assert size is not None, "only panels with a known size were kept"
    there = frame(best.route.back(middle_px(best)))
    px = math.sqrt(abs(area(there)))  # px of the frame for each px of that photo
    return size.scaled(1 / px, "um"), _title(results.bench, best.capture)


def _relative(size: Quantity | None) -> float:
    return math.inf if size is None else size.relative


# ---- which piece ---------------------------------------------------------------------------------
