"""The array of an image sensor, from photos of its die."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from glassay.distortion import Frame
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging.tone import FloatImage
from glassay.lattice.array_findings import (
    count_along,
    count_findings,
    megapixels_of,
    size_findings,
)
from glassay.lattice.extent import Extent, find_extent
from glassay.lattice.finer import SIDES_DEG, SOFT, Finer, not_along, sharpness
from glassay.lattice.moire import OFF_DEG, edge_direction_deg
from glassay.lattice.mosaic_cell import Mosaic
from glassay.lattice.own_edges import Field, is_within, own_extent
from glassay.lattice.pitch import LatticeResult, lattice_findings, measure_lattice
from glassay.quantity import Quantity, combine

Array = npt.NDArray[np.float64]

MARGIN = 2.0
"""Periods by which an outline of even colour may be larger than where the lattice ends: shielded pixels
may hide their lattice, and a margin without pixels may be as even as they are."""

SAME_PITCH = 0.003
"""How far two photos' pitches may be apart beyond what is uncertain: distortion and tilted dies."""

FAINT_OVERVIEW = 0.1
"""Amplitude, relative to the mean, up to which the lattice in an overview may be moire, unless it
agrees with the closer photo's."""

OTHER_SCALE = 0.05
"""Least difference in scale from which moire in both would show another pitch: between pixels of
1.3 px and of 1.37 px, 4.3 and 3.7 px, 20 % apart."""


@dataclass(frozen=True)
class DiePicture:
    """A photo of a sensor's die: linear light (height, width[, 3]) and its pixel size, um/px (None:
    not calibrated), along x and, where it differs, y."""

    image: FloatImage
    pixel_size: Quantity | None = None
    pixel_size_y: Quantity | None = None
    name: str = "photo"
    frame: Frame | None = None
    """The photo's frame, in px of the image, where that is a part of the photo."""

    @property
    def sizes(self) -> tuple[Quantity, Quantity] | None:
        """Pixel sizes along x and y."""
        if self.pixel_size is None:
            return None
        return self.pixel_size, self.pixel_size_y or self.pixel_size


@dataclass(frozen=True)
class ArrayResult:
    """A sensor's array: pitch (um; px where uncalibrated), active size, pixel count, format.

    `lattice` and `extent` are the evidence, `lattice_of` and `extent_of` the numbers of the
    pictures they were measured in; `extent` and what follows from it is None when the array is not
    wholly in view in any.
    """

    lattice: LatticeResult
    lattice_of: int
    pitch_x: Quantity | None
    pitch_y: Quantity | None
    extent: Extent | None
    extent_of: int | None
    columns: Quantity | None
    rows: Quantity | None
    width: Quantity | None
    height: Quantity | None
    notes: tuple[str, ...] = ()

    @property
    def megapixels(self) -> Quantity | None:
        """Columns times rows, in millions."""
        if self.columns is None or self.rows is None:
            return None
        return megapixels_of(self.columns, self.rows)

    def findings(self) -> dict[str, Finding]:
        """Findings by key; pitches and sizes in um when the photos they rest on are calibrated."""
        out = lattice_findings(self.lattice, self.pitch_x, self.pitch_y)
        if self.columns is not None and self.rows is not None:
            out |= count_findings(self.columns, self.rows)
        if self.width is not None and self.height is not None:
            out |= size_findings(self.width, self.height)
        return out


def measure_array(
    pictures: Sequence[DiePicture], *, mosaic: Mosaic = "auto", same_scale: bool = False
) -> ArrayResult:
    """A sensor's pixel array from one or several photos of its die.

    The pitch comes from the photo that shows the lattice most finely, the active size from the one
    that holds the whole array largest; one photo may do for both. The count is size over pitch, in
    um, or in px where both come from one photo or all were taken at one magnification
    (`same_scale`). Raises `NotMeasurable` when no photo resolves the lattice, or none but as what may
    be moire of a finer one.
    """
    lattices: dict[int, LatticeResult] = {}
    reasons: list[str] = []
    for number, picture in enumerate(pictures):
        try:
            lattices[number] = measure_lattice(picture.image, mosaic=mosaic, frame=picture.frame)
        except NotMeasurable as error:
            reasons.append(str(error) if len(pictures) == 1 else f"{picture.name}: {error}")
    for number, doubt in _doubts(pictures, lattices).items():
        reasons.append(doubt if len(pictures) == 1 else f"{pictures[number].name}: {doubt}")
        del lattices[number]
    if not lattices:
        raise NotMeasurable("; ".join(reasons))
    finest, notes = _finest(pictures, lattices, same_scale)
    lattice = lattices[finest]
    extents: dict[int, Extent] = {}
    for number, picture in enumerate(pictures):
        try:
            extents[number] = _extent_beside(pictures, lattices, number, finest, same_scale)
        except NotMeasurable as error:
            reasons.append(str(error) if len(pictures) == 1 else f"{picture.name}: {error}")
    pitch = _pitch_um(lattice, pictures[finest])
    result = ArrayResult(
        lattice, finest, *pitch, None, None, None, None, None, None, (*lattice.notes, *notes)
    )
    if not extents:
        why = f" ({reasons[-1]})" if reasons else ""
        return replace(result, notes=(*result.notes, f"the extent of the array is not told{why}"))
    whole = max(extents, key=lambda n: extents[n].width.value)
    return _with_extent(result, pictures, whole, extents[whole], same_scale)


def _doubts(pictures: Sequence[DiePicture], lattices: dict[int, LatticeResult]) -> dict[int, str]:
    """Why the lattices of some pictures may be moire of finer ones (`glassay.lattice.finer`)."""
    doubts = {}
    for number, lattice in lattices.items():
        if any(_agree(pictures, lattices, number, other) for other in lattices):
            continue
        left = _finer_left(pictures[number], lattice)
        if left:
            pitch = lattice.pitch_x or lattice.pitch_y
            assert pitch is not None
            doubts[number] = (
                f"what repeats every {pitch.value:.2f} px is as faint as moire of pixels"
                f" {left[0].pitch:.2f} px apart would be, and nothing in the picture rules that out; a"
                " closer photo is needed, or one with the die turned by some degrees and the sides of"
                " its array in view"
            )
    return doubts


def _agree(
    pictures: Sequence[DiePicture], lattices: dict[int, LatticeResult], one: int, other: int
) -> bool:
    """Whether two pictures at different scales show one pitch, as moire would not."""
    sizes = pictures[one].sizes, pictures[other].sizes
    if sizes[0] is None or sizes[1] is None:
        return False
    if abs(sizes[0][0].value / sizes[1][0].value - 1) < OTHER_SCALE:
        return False
    a, b = (_pitch_um(lattices[n], pictures[n])[0] for n in (one, other))
    return a is not None and b is not None and _is_same(a, b, most=OTHER_SCALE)


def _is_same(one: Quantity, other: Quantity, most: float = math.inf) -> bool:
    """Whether two pitches agree; a ratio that is less certain than `most` proves nothing."""
    ratio = combine(lambda a, b: a / b, (one, other), "1")
    return abs(ratio.value - 1) <= max(ratio.expanded, SAME_PITCH) and ratio.expanded <= most


def _finer_left(picture: DiePicture, lattice: LatticeResult) -> tuple[Finer, ...]:
    """The finer lattices that nothing else in the picture rules out."""
    finer, step = lattice.steps.finer, lattice.steps.x
    if not finer:
        return ()
    try:
        extent = _extent(picture, lattice)
    except NotMeasurable:
        main = edge_direction_deg(picture.image, lattice.reduced_by / math.hypot(*step))
        if main is None:
            return finer
        return not_along(finer, step, main, OFF_DEG, lattice.hexagonal)
    left = not_along(finer, step, extent.tilt_deg, SIDES_DEG, lattice.hexagonal)
    sharp = sharpness(picture.image, extent.corners) if left else None
    return () if sharp is not None and sharp < SOFT else left


def _finest(
    pictures: Sequence[DiePicture], lattices: dict[int, LatticeResult], same_scale: bool
) -> tuple[int, tuple[str, ...]]:
    """The picture with most px a pitch; a note where another one's lattice disagrees with it. Pitches
    in px are compared only where all were taken at one magnification (`same_scale`)."""

    def fineness(number: int) -> float:
        pitch = lattices[number].pitch_x or lattices[number].pitch_y
        sizes = pictures[number].sizes
        return 1 / sizes[0].value if sizes else (pitch.value if pitch else 0.0)

    best = max(lattices, key=fineness)
    notes = []
    mine = _pitch_um(lattices[best], pictures[best])[0]
    for number in lattices:
        other = _pitch_um(lattices[number], pictures[number])[0]
        if number == best or mine is None or other is None or mine.unit != other.unit:
            continue
        if mine.unit == "px" and not same_scale:
            continue
        if not _is_same(other, mine):
            ratio = other.value / mine.value
            notes.append(
                f"{pictures[number].name} shows a pitch {ratio:.4g} times that of"
                f" {pictures[best].name}: moire, or a wrong pixel size; the finer photo is used"
            )
    return best, tuple(notes)


def _extent_beside(
    pictures: Sequence[DiePicture], lattices: dict[int, LatticeResult], number: int, finest: int,
    same_scale: bool,
) -> Extent:  # fmt: skip
    """The extent in one picture, where a finer one gives the pitch.

    A faint lattice of its own may be moire of the finer one; its outline must lie where that ends all
    the same. Raises `NotMeasurable` also where it does not.
    """
    picture, own = pictures[number], lattices.get(number)
    if own is None or number == finest or own.amplitude > FAINT_OVERVIEW:
        return _extent(picture, own)
    mine, other = (_pitch_um(lattices[n], pictures[n])[0] for n in (number, finest))
    if mine is not None and other is not None and mine.unit == other.unit:
        is_compared = mine.unit == "um" or same_scale
        if is_compared and _is_same(mine, other, most=OTHER_SCALE):
            return _extent(picture, own)
    outline = _extent(picture, None)
    try:
        ends = _extent(picture, own)
    except NotMeasurable:  # too faint to be followed, it tells nothing
        return outline
    if _is_larger(outline, ends, MARGIN * _period_px(own)):
        raise NotMeasurable(
            "the largest even rectangle reaches beyond where the lattice seen in the picture ends: it"
            " may be the die's outline; state the pixel size of all photos, or take one that shows the"
            " whole array and its pixels"
        )
    return outline


def _extent(picture: DiePicture, lattice: LatticeResult | None) -> Extent:
    """The extent in a picture, by its lattice where that is known."""
    if lattice is None or lattice.steps.y is None:
        return find_extent(picture.image, frame=picture.frame)
    return _resolved_extent(picture, lattice)


def _period_px(lattice: LatticeResult) -> float:
    pitches = (lattice.pitch_x, lattice.pitch_y)
    return lattice.mosaic * max(pitch.value for pitch in pitches if pitch is not None)


def _resolved_extent(picture: DiePicture, lattice: LatticeResult) -> Extent:
    """The extent of an array whose pixels the picture resolves: by its colour where that outline is
    the lattice's too, else by where the lattice ends."""
    pitches = [pitch.value for pitch in (lattice.pitch_x, lattice.pitch_y) if pitch is not None]
    period = _period_px(lattice)
    factor = lattice.reduced_by
    waves = tuple(wave / factor for wave in lattice.steps.waves)
    field = Field(lattice.filled, lattice.block_px, waves, lattice.steps.channels, period)
    image = picture.image
    planes = image[..., None] if image.ndim == 2 else image
    found, own = None, None
    with contextlib.suppress(
        NotMeasurable
    ):  # the array's colour may not tell it from what is around
        found = find_extent(
            image, smooth_px=lattice.mosaic * pitches[0], distortion=lattice.distortion,
            frame=picture.frame,
        )  # fmt: skip
    if found is not None and not is_within(found, field):
        found = None
    try:
        own = own_extent(planes, field, lattice.distortion, picture.frame or Frame.of(image.shape))
    except NotMeasurable:
        if found is None:
            raise
    # beyond the pixels a margin may be as even as they are
    if found is None or (own is not None and _is_larger(found, own, MARGIN * period)):
        assert own is not None
        return own
    return found


def _is_larger(one: Extent, other: Extent, by_px: float) -> bool:
    """Whether one outline is wider or higher than another by so much and by what is uncertain."""
    pairs = ((one.width, other.width), (one.height, other.height))
    return any(a.value - b.value > by_px + math.hypot(a.expanded, b.expanded) for a, b in pairs)


def _pitch_um(
    lattice: LatticeResult, picture: DiePicture
) -> tuple[Quantity | None, Quantity | None]:
    if picture.sizes is None:
        return lattice.pitch_x, lattice.pitch_y
    pair = (lattice.pitch_x, lattice.pitch_y)
    x, y = (
        None if pitch is None else combine(lambda p, s: p * s, (pitch, size), "um")
        for pitch, size in zip(pair, picture.sizes, strict=True)
    )
    return x, y


def _counted(
    sizes: tuple[Quantity, Quantity], pitches: tuple[Quantity, Quantity], lattice: LatticeResult
) -> tuple[Quantity, Quantity]:
    """Columns and rows of sites in an array of these sizes."""
    apart = [p.scaled(share, p.unit) for p, share in zip(pitches, lattice.spacing, strict=True)]
    return count_along(sizes[0], apart[0]), count_along(sizes[1], apart[1])


def _with_extent(
    result: ArrayResult, pictures: Sequence[DiePicture], whole: int, extent: Extent,
    same_scale: bool,
) -> ArrayResult:  # fmt: skip
    sizes = pictures[whole].sizes
    width, height = extent.width, extent.height
    if sizes is not None:
        width, height = (
            combine(lambda p, s: p * s, pair, "um")
            for pair in zip((width, height), sizes, strict=True)
        )
    notes = list(result.notes)
    columns, rows = None, None
    x, y = result.lattice.pitch_x, result.lattice.pitch_y
    if x is not None and y is not None and not result.lattice.maybe_pairs:
        if whole == result.lattice_of or same_scale:
            columns, rows = _counted((extent.width, extent.height), (x, y), result.lattice)
        elif width.unit == "um" and result.pitch_x is not None and result.pitch_x.unit == "um":
            assert result.pitch_y is not None
            pitches = (result.pitch_x, result.pitch_y)
            columns, rows = _counted((width, height), pitches, result.lattice)
        else:
            notes.append("without the pixel size of both photos the pixels are not counted")
    return replace(
        result, extent=extent, extent_of=whole, columns=columns, rows=rows, width=width,
        height=height, notes=tuple(notes),
    )  # fmt: skip
