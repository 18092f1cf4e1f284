"""Pitch of the lattice in one photo."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.distortion import Frame, at_picture_corner
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging.tone import LUMINANCE_WEIGHTS, FloatImage
from glassay.lattice.array_findings import METHOD
from glassay.lattice.basis import MoireSuspected, Steps, find_steps
from glassay.lattice.moire import is_off_edges
from glassay.lattice.mosaic_cell import Mosaic, MosaicUntold, is_hexagonal
from glassay.lattice.peaks import MIN_PERIODS, SMALLEST_TILE_PX, find_peaks, tile_of
from glassay.lattice.phase import Blocks, Step, combined, fit_phase, pitch_of, waves
from glassay.lattice.row import STRIP, fit_row
from glassay.quantity import Quantity

SPACINGS = ("column_spacing", "row_spacing")
"""Keys of the distances between lines of sites, where they are not the pitches."""

GOOD_PERIOD_PX = 14.0
"""Longest step, px, that is looked for at full size; coarser lattices are reduced first, so that a
tile holds many periods."""

REDUCTIONS = (1, 2, 4, 8, 16)
"""The photo is looked at as it is, then averaged over so many px: powers of two, as periods up to
`GOOD_PERIOD_PX` are found in each."""

SMALLEST_SIDE_PX = 4 * SMALLEST_TILE_PX
"""Side below which a photo is not reduced any more: four tiles of the smallest size (`peaks`)."""

LENS_SHARE = 1e-4
"""Relative standard uncertainty of a pitch beyond the scatter of its phases: what is left of lens
distortion and of compression (worst seen in simulated photos: 3e-4, at JPEG 50)."""

MOST_VAGUE = 0.01
"""Expanded uncertainty of a pitch, as a share of it, beyond which what repeats is no lattice: pixels,
cells and weaves, close-ups of a dozen of them and blurred ones too, are told to 0.02 to 0.3 %, the
lines and letters of a page of type to 4 and 12 %."""

ROW_TILT_DEG = 0.3
"""Standard uncertainty of the tilt of a single row, which follows from the heights of its pads."""

LATERAL_COLOUR = 1e-3
"""Largest difference in magnification between green and red or blue that is allowed for
(rectangular) where the lattice is not seen in green (common practice, no source)."""


TWICE = 0.005
"""How near one pitch must be to twice the other, as a share, for pairs to be suspected: distortion and
oblique views make two pitches differ by less."""


def is_twice(one: float, other: float) -> bool:
    """Whether one of two pitches is twice the other, whichever it is."""
    low, high = sorted((one, other))
    return abs(high / low / 2 - 1) < TWICE


@dataclass(frozen=True)
class LatticeResult:
    """A lattice in one photo, px of the photo.

    `pitch_x` and `pitch_y` are the distances from site to site along the axes nearest to horizontal
    and vertical on the optical axis; one of them None for a pattern in one direction only.
    `mosaic` pixels make one period of what repeats (1: all alike; `steps.coloured` tells whether that
    is a colour mosaic); `pixels_seen` is False where only
    the mosaic was resolved. `tilt_deg` is clockwise as seen. `distortion` at the corner of the
    photo, None if not seen. `filled` (rows, columns) tells which blocks of `block_px` (height,
    width) the lattice fills. `steps` are those in a copy `reduced_by` so much.
    """

    pitch_x: Quantity | None
    pitch_y: Quantity | None
    tilt_deg: float
    angle_deg: float | None
    mosaic: int
    pixels_seen: bool
    amplitude: float
    distortion: float | None
    steps: Steps
    filled: npt.NDArray[np.bool_]
    block_px: tuple[int, int]
    shape: tuple[int, int]
    notes: tuple[str, ...] = ()
    reduced_by: int = 1

    @property
    def hexagonal(self) -> bool:
        """Whether each site has six neighbours at the pitch."""
        return self.steps.y is not None and is_hexagonal(self.steps.x, self.steps.y)

    @property
    def maybe_pairs(self) -> bool:
        """Whether one pitch is twice the other, as where neighbours that share their circuits lean
        towards each other, and the true pitch is the smaller one both ways."""
        if self.pitch_x is None or self.pitch_y is None:
            return False
        return is_twice(self.pitch_x.value, self.pitch_y.value)

    @property
    def spacing(self) -> tuple[float, float]:
        """Distance between columns and between rows of sites, in pitches: 1, but for the lines of a
        hexagonal lattice that are cos 30 deg of a pitch apart, which run along one of the axes."""
        if not self.hexagonal:
            return 1.0, 1.0
        # lines of sites stand across the lattice's frequencies, which are 60 deg apart
        turned = math.degrees(math.atan2(self.steps.x[1], self.steps.x[0])) % 60
        apart = math.cos(math.radians(30))
        return (apart, 1.0) if min(turned, 60 - turned) < 15 else (1.0, apart)

    def findings(self) -> dict[str, Finding]:
        """pitch_x, pitch_y, mosaic_period_x, mosaic_period_y, tilt; of a hexagonal lattice also
        column_spacing and row_spacing; in px."""
        return lattice_findings(self, self.pitch_x, self.pitch_y)


def lattice_findings(
    result: LatticeResult, pitch_x: Quantity | None, pitch_y: Quantity | None
) -> dict[str, Finding]:
    out: dict[str, Finding] = {}
    for axis, pitch in (("x", pitch_x), ("y", pitch_y)):
        if pitch is None:
            continue
        out[f"pitch_{axis}"] = Finding(pitch, METHOD)
        if result.steps.coloured:
            period = pitch.scaled(result.mosaic, pitch.unit)
            out[f"mosaic_period_{axis}"] = Finding(period, METHOD)
    if result.hexagonal and pitch_x is not None and pitch_y is not None:
        for key, pitch, share in zip(SPACINGS, (pitch_x, pitch_y), result.spacing, strict=True):
            out[key] = Finding(pitch.scaled(share, pitch.unit), METHOD)
    out["tilt"] = Finding(Quantity(result.tilt_deg, "deg"), METHOD)
    return out


def measure_lattice(
    image: FloatImage, *, mosaic: Mosaic = "auto", frame: Frame | None = None
) -> LatticeResult:
    """Pitch of the lattice in a picture (height, width) or (height, width, 3), linear light.

    `mosaic` "colour" states that the pixels lie under a two by two colour mosaic, "none" that
    nothing but single cells repeats, "auto" lets the colours tell. In a strip too low for a lattice
    a single row is looked for. `frame` is that of the photo where the picture is a part of it, in px
    of the part: pitches are those on the optical axis. Raises `NotMeasurable` when nothing repeats,
    or what does may be moire of something finer.
    """
    frame = frame or Frame.of(image.shape)
    strip = max(image.shape[:2]) >= STRIP * min(image.shape[:2])
    try:
        found = _measured_lattice(image, mosaic, frame)
    except NotMeasurable as refusal:
        if not strip:
            raise
        try:
            return _measured_row(image, frame)
        except NotMeasurable:
            raise refusal from None
    if not strip:
        return found
    pitches = [pitch.value for pitch in (found.pitch_x, found.pitch_y) if pitch is not None]
    if min(image.shape[:2]) < MIN_PERIODS * max(pitches):
        return _measured_row(image, frame)  # too few periods across for two directions to be told
    if len(pitches) == 1:
        try:
            return _measured_row(image, frame)
        except NotMeasurable:
            return found
    return found


def _measured_row(image: FloatImage, frame: Frame) -> LatticeResult:
    """A single row that runs along a strip, level or upright."""
    grey = np.asarray(image if image.ndim == 2 else image @ np.array(LUMINANCE_WEIGHTS, np.float32))
    upright = grey.shape[0] > grey.shape[1]
    fit, blocks, tilt, amplitude = fit_row(
        grey.T if upright else grey, frame.transposed() if upright else frame
    )
    along = combined([fit], np.array([1.0]))
    pitch = _with_lens(pitch_of(along, None), False)
    assert pitch is not None
    turned = math.radians(tilt)
    pitch = pitch.scaled(1 / math.cos(turned), "px").with_contribution(
        "tilt of the row",
        abs(math.tan(turned)) * math.radians(ROW_TILT_DEG) * pitch.value,
        scope="capture",
    )
    step = fit.step[::-1] if upright else fit.step
    one = np.array([[1.0]])
    return LatticeResult(
        pitch_x=None if upright else pitch,
        pitch_y=pitch if upright else None,
        tilt_deg=-tilt if upright else tilt,
        angle_deg=None,
        mosaic=1,
        pixels_seen=True,
        amplitude=amplitude,
        distortion=None,
        steps=Steps(step, None, 1, False, True, 1.0, (step,), (0,), one),
        filled=fit.filled.T if upright else fit.filled,
        block_px=(blocks.width, blocks.height) if upright else (blocks.height, blocks.width),
        shape=(image.shape[0], image.shape[1]),
        notes=("a single row: its pitch runs along the row",),
    )


def _measured_lattice(image: FloatImage, mosaic: Mosaic, frame: Frame) -> LatticeResult:
    reasons: list[str] = []
    coarse: tuple[FloatImage, int, Steps, float] | None = None
    for factor in REDUCTIONS:
        shorter, longer = sorted(image.shape[:2])
        if factor > 1 and (longer < SMALLEST_SIDE_PX * factor or shorter < factor):
            break
        small = _reduced(image, factor)
        try:
            steps, amplitude = _steps(small, mosaic, factor)
        except (MoireSuspected, MosaicUntold):
            if coarse is None:
                raise
            break
        except NotMeasurable as error:
            reasons.append(str(error))
            continue
        found = small, factor, steps, amplitude
        fine_enough = 1 / math.hypot(*steps.x) <= GOOD_PERIOD_PX
        if fine_enough and coarse is None:
            return _measured(*found, image.shape[:2], frame)
        if fine_enough:
            try:
                return _measured(*found, image.shape[:2], frame)
            except NotMeasurable:  # too few periods are left for phases; the larger copy has them
                break
        coarse = found
    if coarse is not None:
        return _measured(*coarse, image.shape[:2], frame)
    raise NotMeasurable(reasons[0])


def _reduced(image: FloatImage, factor: int) -> FloatImage:
    if factor == 1:
        return image
    height, width = image.shape[0] // factor, image.shape[1] // factor
    # a box alone would let finer patterns through as moire of its own making
    soft = cv2.GaussianBlur(image, (0, 0), 0.5 * factor)[: height * factor, : width * factor]
    return np.asarray(cv2.resize(soft, (width, height), interpolation=cv2.INTER_AREA))


def _steps(image: FloatImage, mosaic: Mosaic, factor: int) -> tuple[Steps, float]:
    peaks = find_peaks(image)
    steps = find_steps(peaks, tile_of(*image.shape[:2]), mosaic, factor)
    amplitude = max(p.amplitude for p in peaks)
    if is_off_edges(image, steps.x, amplitude):
        raise MoireSuspected(
            "the pattern in the picture lies askew to the edges of what it lies on: moire of a"
            " pattern finer than the px; a closer photo is needed"
        )
    return steps, amplitude


def _measured(
    small: FloatImage, factor: int, steps: Steps, amplitude: float, shape: tuple[int, int],
    frame: Frame,
) -> LatticeResult:  # fmt: skip
    planes = small[..., None] if small.ndim == 2 else small
    longest = max(1 / min(math.hypot(*w) for w in steps.waves), 1 / math.hypot(*steps.x))
    blocks = Blocks.over((planes.shape[0], planes.shape[1]), steps.mosaic * longest)
    fits = [
        fit_phase(
            waves(np.ascontiguousarray(planes[..., channel]), wave, blocks),
            wave,
            blocks,
            frame.reduced(factor),
        )
        for wave, channel in zip(steps.waves, steps.channels, strict=True)
    ]
    found = [combined(fits, share) for share in steps.shares]
    x = found[0]
    y = found[1] if len(found) > 1 else None
    off_green = planes.shape[2] == 3 and set(steps.channels) != {1}
    pitch_x, pitch_y = (_with_lens(q, off_green) for q in _pitches(x, y, factor))
    for pitch in (pitch_x, pitch_y):
        if pitch is not None and pitch.expanded > MOST_VAGUE * pitch.value:
            raise NotMeasurable(
                "what repeats is too uneven, or holds over too little of the picture, to be a"
                f" lattice: its pitch would be known to {pitch.expanded / pitch.value:.1%} only"
            )
    known = [fit.distortion for fit in fits if fit.distortion is not None]
    tilt = math.degrees(math.atan2(x.vector[1], x.vector[0]))
    angle = None
    if y is not None:
        angle = math.degrees(math.atan2(y.vector[1], y.vector[0])) - tilt
    tilt = (tilt + 90) % 180 - 90
    if steps.y is not None and is_hexagonal(steps.x, steps.y):
        tilt = (tilt + 15) % 30 - 15  # waves stand across lines of sites, both at every 30 deg
    filled = np.logical_and.reduce([fit.filled for fit in fits])
    result = LatticeResult(
        pitch_x=pitch_x,
        pitch_y=pitch_y,
        tilt_deg=tilt,
        angle_deg=angle,
        mosaic=steps.mosaic,
        pixels_seen=steps.seen,
        amplitude=amplitude,
        distortion=float(np.mean(known)) if known else None,
        steps=steps,
        filled=filled,
        block_px=(blocks.height * factor, blocks.width * factor),
        shape=shape,
        reduced_by=factor,
    )
    return replace(result, notes=_lattice_notes(result))


def _pitches(x: Step, y: Step | None, factor: int) -> tuple[Quantity | None, Quantity | None]:
    pitch = pitch_of(x, y).scaled(factor, "px")
    if y is not None:
        return pitch, pitch_of(y, x).scaled(factor, "px")
    upright = abs(x.vector[1]) > abs(x.vector[0])
    return (None, pitch) if upright else (pitch, None)


def _with_lens(pitch: Quantity | None, off_green: bool) -> Quantity | None:
    """The pitch with what its phases cannot show: lens and compression."""
    if pitch is None:
        return None
    pitch = pitch.with_contribution(
        "lens and compression", LENS_SHARE * pitch.value, scope="setting"
    )
    if off_green:
        return pitch.with_contribution(
            "red or blue magnified differently",
            LATERAL_COLOUR / math.sqrt(3) * pitch.value,
            scope="setting",
        )
    return pitch


def _lattice_notes(result: LatticeResult) -> tuple[str, ...]:
    notes = []
    if result.steps.coloured:
        how = "colours alternate from pixel to pixel"
        notes.append(
            f"the pattern repeats every {result.mosaic} pixels ({how}): a colour mosaic; the pitch"
            " is that of single pixels"
        )
        if not result.pixels_seen:
            notes.append(
                "only the mosaic is resolved; that it is two pixels wide is taken from its colours"
            )
    elif result.mosaic > 1:
        notes.append(
            "cells of two kinds alternate, and the pitch is that from cell to cell; whether it is a"
            " colour mosaic, no colours tell"
        )
    if result.maybe_pairs:
        notes.append(
            "one pitch is twice the other: pixels in pairs may repeat so, half as far apart; the pixels"
            " are not counted"
        )
    if result.hexagonal:
        notes.append("a hexagonal lattice: each site has six neighbours at the pitch")
    if result.pitch_x is None or result.pitch_y is None:
        notes.append("the pattern repeats in one direction only")
    if result.distortion is not None and abs(result.distortion) > 0.003:
        notes.append(
            f"lens distortion of {at_picture_corner(result.distortion):+z.2%} at the corner of the"
            " picture; the pitch is that at the middle of the photo"
        )
    return tuple(notes)
