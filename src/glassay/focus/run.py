"""A focus run: photos (or the frames of a clip) taken while focus passes through the object.

Contrast at a spatial frequency is the root of the power in a narrow ring of the spectrum over the
mean light. The scene is the same in every photo, so contrast against place is the modulation transfer
at that frequency times a constant: its peak is best focus, and the depth over which it stays above
half is the depth of field at that frequency. It needs no target, any chip will do. The picture's
sideways walk meanwhile is followed by registration from photo to photo.

The focus quality is the one number here that is comparable between instruments: the modulation that
edges keep at the stated frequency in the sharpest photo (edge response, pixel aperture included).
Stated on the object's side, in line pairs per mm, it asks every instrument for the same detail.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.errors import NotMeasurable, Unusable
from glassay.exposures import LEAST_OVER_NOISE
from glassay.focus.curve import FEWEST_FRAMES, HAND_STEPS, Peak, find_peak, with_doubles
from glassay.focus.doubles import fingerprint, goes_back, refuse_copies, same_heights
from glassay.focus.result import FREQUENCIES, EdgeCurve, FocusResult
from glassay.focus.tiles import Heights, TileWatch, heights_of, of_parts
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity
from glassay.registration import find_shift

Array = npt.NDArray[np.float64]
Box = tuple[int, int, int, int]

USUAL_FREQUENCY = 0.1
"""Cycles/px at which focus is judged where nothing is stated: detail of 10 px, which every camera
carries and which goes soft early."""
LARGEST_PIECE_PX = 768
SMALLEST_PIECE_PX = 96
FOLLOWED_PX = 384
"""Side of the piece that is registered."""
RING_SHARE = 0.08
"""Half-width of the ring of a frequency, relative. Spectra fall steeply, so that a wide ring speaks for
its lower edge: with 0.2 the depth of simulated chips came out 3 to 10 % too large."""
COMPARED = [0, *(1 + n for n, f in enumerate(FREQUENCIES) if 0.05 < f < 0.25)]
"""Columns of contrast by which heights are compared: the frequency that is judged, and those that
change with focus and stand above noise."""
NOISE_RING = (0.47, 0.6)
"""Frequencies, cycles/px, in which out-of-focus photos hold noise alone (0.5 to 0.7 are the corners
of the spectrum)."""
REGISTERED_PX = 0.03
"""Standard uncertainty of one registered step between photos of different sharpness."""
JUMP_STEPS, JUMP_PX = 6.0, 3.0
"""A step of more than six times the usual one and 3 px is no walk of a barrel but a push."""
FARTHEST_SHARE = 0.25
"""Share of the piece's side that the picture may walk while it is sharp: beyond, other detail is
compared."""


def measure_focus_run(
    frames: Iterable[FloatImage],
    *,
    frequency: float = USUAL_FREQUENCY,
    step: Quantity | None = None,
    by_stage: bool = False,
    pixel_size: Quantity | None = None,
    box: Box | None = None,
    edges_of: Callable[[FloatImage], EdgeCurve] | None = None,
    names: Sequence[str] = (),
    of_clip: bool = False,
    notes: tuple[str, ...] = (),
) -> FocusResult:
    """Measure a focus run: pictures (height, width) in linear light, in order, evenly spaced in focus.

    Taken one by one, so that a clip of any length fits. `frequency` is in cycles/px, `step` the way of
    focus from picture to picture in um, taken by a motor or a stage with a scale if `by_stage`, else
    by hand and uneven by a part of it; `pixel_size` in um/px; `box` = (x, y, width, height) is the
    part that is judged, else the middle. `edges_of` measures the edges of a whole picture, or raises
    NotMeasurable; without it the focus quality is not stated. `names` are those of the pictures;
    `of_clip` says that frames may stand still, as where a camera repeats one that came late. Raises
    NotMeasurable for too few pictures, pictures of different size, blank ones, copies, no peak, a
    one-sided run, and an object that was moved.
    """
    if not 0.01 <= frequency <= 0.45:
        raise NotMeasurable(
            f"focus cannot be judged at {frequency:.3g} cycles/px: the photos carry 0.01 to 0.45"
        )
    uneven = 0.0 if by_stage else HAND_STEPS
    watch = _Watch(frequency, box)
    for frame in frames:
        watch.take(frame)
    power, noise = watch.power(), watch.noise()
    contrast = np.sqrt(np.maximum(power - noise, 0.0))
    if contrast.shape[0] < FEWEST_FRAMES:
        find_peak(contrast[:, 0])  # refuses
    best = int(np.argmax(contrast[:, 0]))
    if power[best, 0] < LEAST_OVER_NOISE * noise or power[best, 0] <= 0:
        raise NotMeasurable(
            f"no photo shows detail at {frequency:.3g} cycles/px beyond noise: focus on something"
            " with texture, such as a chip"
        )
    peak = find_peak(contrast[:, 0], uneven)
    if not of_clip:
        refuse_copies(watch.prints, names)
    doubles = same_heights(contrast[:, COMPARED], peak)
    peak = with_doubles(peak, len(doubles))
    tiles = watch.tiles.contrast(noise, LEAST_OVER_NOISE)
    back = goes_back(contrast[:, 0], tiles, peak)
    # A second peak of the whole is told by itself: what is about the first is of one height.
    heights = None if peak.has_second else heights_of(tiles, uneven)
    if heights is not None and heights.part:
        peak = with_doubles(of_parts(peak, heights), len(doubles))
    else:
        heights = None
    steps = np.array(watch.steps)
    _refuse_movement(steps, contrast[:, 0], peak, watch.side)
    path = _path(steps, best)
    edges, why = _edges(watch.sharpest, edges_of)
    quality = None if edges is None else _quality(edges, frequency)
    walk, walk_range = _walk(steps, path, contrast[:, 0], peak)
    return FocusResult(
        frequency=frequency, contrast=contrast[:, 0], bands=contrast[:, 1:], peak=peak,
        path_px=path, walk=walk, walk_range=walk_range, quality=quality, edges=edges, step=step,
        uneven=uneven, doubles=len(doubles), pixel_size=pixel_size,
        parted=heights is not None,
        notes=notes + tuple(_notes(peak, steps, why, doubles, back, heights)),
    )  # fmt: skip


class _Watch:
    """Takes pictures one by one; keeps numbers, the picture before, and the sharpest one."""

    def __init__(self, frequency: float, box: Box | None) -> None:
        self._box = box
        self._shape: tuple[int, ...] = ()
        self._frequencies = (frequency, *FREQUENCIES)
        self._rings: list[npt.NDArray[np.bool_]] = []
        self._powers: list[Array] = []
        self._noises: list[float] = []
        self._before: FloatImage | None = None
        self._best = 0.0
        self._window: FloatImage | None = None
        self.steps: list[tuple[float, float]] = []
        self.prints: list[bytes] = []
        self.sharpest: FloatImage | None = None

    @property
    def side(self) -> int:
        """Shorter side of the piece that is judged, px."""
        assert self._box is not None
        return min(self._box[2:])

    def take(self, frame: FloatImage) -> None:
        if not self._shape:
            self._begin(frame)
        if frame.shape != self._shape:
            raise NotMeasurable(
                "the photos differ in size:"
                f" {self._shape[1]} x {self._shape[0]} and {frame.shape[1]} x {frame.shape[0]} px"
            )
        assert self._box is not None
        assert self._window is not None
        x, y, w, h = self._box
        piece = frame[y : y + h, x : x + w]
        level = float(piece.mean())
        if level <= 0 or float(piece.std()) == 0:
            raise NotMeasurable(f"photo {len(self._powers) + 1} is blank")
        self.prints.append(fingerprint(frame))
        relative = np.asarray(piece / np.float32(level) - 1, dtype=np.float32)
        spectrum = fft.rfft2(relative * self._window)
        power = spectrum.real**2 + spectrum.imag**2
        means = np.array([float(power[ring].mean(dtype=np.float64)) for ring in self._rings])
        scale = float((self._window.astype(np.float64) ** 2).sum())
        self._powers.append(means[:-1] / scale)
        self._noises.append(float(means[-1]) / scale)
        if means[0] > self._best:
            self._best, self.sharpest = float(means[0]), frame
        self._follow(piece)
        step = self.steps[-1] if self.steps else (0.0, 0.0)
        self.tiles.take(frame, level, (x, y), step)

    def power(self) -> Array:
        """Power by frame and frequency (the stated one first), relative to the light."""
        return np.array(self._powers).reshape(len(self._powers), len(self._frequencies))

    def noise(self) -> float:
        """Power of noise: that of the photos with the least at the highest frequencies."""
        return float(np.quantile(self._noises, 0.1)) if self._noises else 0.0

    def _begin(self, frame: FloatImage) -> None:
        self._shape = frame.shape
        height, width = frame.shape
        if self._box is None:
            w, h = min(width, LARGEST_PIECE_PX), min(height, LARGEST_PIECE_PX)
            self._box = ((width - w) // 2, (height - h) // 2, w, h)
        x, y, w, h = self._box
        if min(x, y) < 0 or x + w > width or y + h > height:
            raise Unusable(
                f"the box {x},{y},{w},{h} does not lie within the photos of {width} x {height} px"
            )
        if min(w, h) < SMALLEST_PIECE_PX:
            raise NotMeasurable(
                f"{w} x {h} px is too small; {SMALLEST_PIECE_PX} px both ways are needed"
            )
        self.tiles = TileWatch((h, w), self._frequencies[0], RING_SHARE)
        self._window = np.outer(np.hanning(h), np.hanning(w)).astype(np.float32)
        f = np.hypot(fft.fftfreq(h)[:, None], fft.rfftfreq(w)[None, :])
        for one in self._frequencies:
            ring = np.abs(f / one - 1) <= RING_SHARE
            self._rings.append(ring if ring.any() else np.abs(f - one) <= 1.5 / min(w, h))
        self._rings.append((f >= NOISE_RING[0]) & (f <= NOISE_RING[1]))

    def _follow(self, piece: FloatImage) -> None:
        top, left = (max(0, (side - FOLLOWED_PX) // 2) for side in piece.shape)
        small = piece[top : top + FOLLOWED_PX, left : left + FOLLOWED_PX]
        small = np.asarray(small / np.float32(small.mean()), dtype=np.float32)
        if self._before is not None:
            shift = find_shift(self._before, small)
            sure = shift.is_certain
            self.steps.append((shift.dx, shift.dy) if sure else (math.nan, math.nan))
        self._before = small


def _refuse_movement(steps: Array, contrast: Array, peak: Peak, side: int) -> None:
    sharp = contrast > 0.5 * peak.top
    both = sharp[1:] & sharp[:-1]
    length = np.hypot(*steps.T)
    if np.isnan(length[both]).any():
        lost = int(np.flatnonzero(both & np.isnan(length))[0])
        raise NotMeasurable(
            f"photos {lost + 1} and {lost + 2} do not show the same detail: the object or the stand"
            " moved, or these are not of one run"
        )
    clear = (contrast[1:] > 0.25 * peak.top) & (contrast[:-1] > 0.25 * peak.top)
    known = length[clear & np.isfinite(length)]
    if known.size == 0:
        return
    usual = float(np.median(known))
    jumps = clear & (length > JUMP_STEPS * usual) & (length > JUMP_PX)
    if jumps.any():
        at = int(np.flatnonzero(jumps)[0])
        raise NotMeasurable(
            f"the picture jumped by {length[at]:.0f} px between photos {at + 1} and {at + 2}: the"
            " object or the stand was pushed; take the run again"
        )
    away = np.nancumsum(np.where(both[:, None], steps, 0.0), axis=0)
    if away.size and float(np.hypot(*np.ptp(away, axis=0))) > FARTHEST_SHARE * side:
        raise NotMeasurable(
            "the picture moved too far while it was sharp, so that different detail would be"
            " compared: the object moves; fix it"
        )


def _path(steps: Array, best: int) -> Array:
    """Where the picture stands against the sharpest photo; unknown beyond an uncertain step."""
    path = np.full((len(steps) + 1, 2), np.nan)
    path[best] = 0.0
    for at in range(best, len(steps)):
        path[at + 1] = path[at] + steps[at]
    for at in range(best, 0, -1):
        path[at - 1] = path[at] - steps[at - 1]
    return path


def _walk(steps: Array, path: Array, contrast: Array, peak: Peak) -> tuple[Quantity, Quantity]:
    """Mean way from frame to frame, and the farthest distance between two places, where sharp."""
    sharp = contrast > 0.25 * peak.top
    both = sharp[1:] & sharp[:-1] & np.isfinite(steps).all(axis=1)
    lengths = np.hypot(*steps[both].T)
    count = max(1, lengths.size)
    mean = float(lengths.mean()) if lengths.size else 0.0
    scatter = float(lengths.std(ddof=1)) / math.sqrt(count) if count > 1 else 0.0
    walk = Quantity(
        mean, "px/frame",
        (Contribution("unevenness of the walk", scatter, max(1.0, count - 1.0)),
         Contribution("registration", REGISTERED_PX)),
    )  # fmt: skip
    places = path[sharp & np.isfinite(path).all(axis=1)]
    farthest = 0.0
    if len(places) > 1:
        gaps = places[:, None] - places[None, :]
        farthest = float(np.hypot(gaps[..., 0], gaps[..., 1]).max())
    u = REGISTERED_PX * math.sqrt(count)
    return walk, Quantity.of(farthest, u, "px", "registration")


def _edges(
    sharpest: FloatImage | None, edges_of: Callable[[FloatImage], EdgeCurve] | None
) -> tuple[EdgeCurve | None, str]:
    """The response of edges in the sharpest photo, or why there is none."""
    assert sharpest is not None
    if edges_of is None:
        return None, ""
    try:
        return edges_of(sharpest), ""
    except NotMeasurable:
        return None, (
            "the sharpest photo has no edge that can be measured, so its focus quality is not"
            " stated: focus on a scale, a target or a chip with straight edges"
        )


def _quality(edges: EdgeCurve, frequency: float) -> Quantity:
    return kept_contrast(
        edges.frequency, edges.modulation, edges.modulation_low, edges.modulation_high, frequency
    )


def kept_contrast(
    at: Array, middle: Array, low: Array, high: Array, frequency: float
) -> Quantity:  # fmt: skip
    """Modulation at `frequency` of a curve with its 95 % band, all over frequencies `at`."""
    here = [float(np.interp(frequency, at, curve)) for curve in (middle, low, high)]
    u = max(here[2] - here[0], here[0] - here[1], 0.0) / 1.96
    return Quantity.of(here[0], u, "1", "band of the edge response")


def _notes(
    peak: Peak, steps: Array, why: str, doubles: Sequence[int], back: bool, heights: Heights | None
) -> list[str]:
    notes = [why] if why else []
    if peak.depth.value < 3:
        notes.append("fewer than 3 photos are sharp: smaller steps of focus tell more")
    if doubles:
        which = ", ".join(f"{n + 1} and {n + 2}" for n in doubles)
        notes.append(
            f"photos {which} differ by noise alone while those around differ by more: one height taken"
            " twice counts as a step and makes the depth too great; leave one out"
        )
    if heights is not None:
        notes.append(
            "parts of the picture are in focus at other places of the run, up to"
            f" {heights.apart:.1f} photos apart: the object is tilted or has several heights, or the"
            " field is curved. The depth told is the median of the parts; level the object, or mark"
            " one height with a box"
        )
    if back:
        notes.append(
            "every part of the picture is sharp twice: the run goes there and back, or everything in"
            " view has two heights; the sharper time is told. Give one way through focus"
        )
    elif peak.has_second:
        notes.append(
            "contrast rises again elsewhere in the run: the object has another height; mark one"
            " height with a box"
        )
    unsure = int(np.isnan(steps).any(axis=1).sum())
    if unsure:
        notes.append(f"{unsure} steps between soft photos could not be followed")
    return notes
