"""Evenness of light and colour across the field, from a photo of something even.

A flat field is a photo of an even surface: a bare silicon wafer, a first-surface mirror, or paper
out of focus. Light at the corners and edges is held against that at the centre in linear light
(shading in the sense of ISO 17957, from memory). Reflections of a ring light's lamps stand out of
the smooth surface as hot spots.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.field.evenness_result import Evenness, HotSpot, coarser
from glassay.field.hot_spots import find_hot_spots
from glassay.field_stop import FieldStop, find_field_stop
from glassay.fitting import SIGMA_OF_MAD, scatter
from glassay.imaging.tone import LUMINANCE_WEIGHTS, FloatImage, Relight
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


CLIPPED_SHARE = 0.001
"""Share of px at full scale above which nothing is said: what is clipped looks even."""
DARKEST = 0.02
"""Mean light (full scale 1) below which stray light and the black level decide, not the lamp."""
SAME_SHADE = 1e-6
"""Range of light (full scale 1) that is rounding alone; one step of 16 bit is 15 times that."""
SMALLEST_SIDE_PX = 64
MAP_BLOCKS = 160
"""Blocks along the longer side into which the photo is averaged: 6 px each in a megapixel."""
ZONE_SHARE = 0.1
"""Side of the zones compared, as a share of the picture's height: the tenth usual for shading."""
RIM = (0.85, 0.95)
"""Ring of a round field that counts as its edge, in radii; the outermost part is softened."""
MOST_STRUCTURE = 0.03
"""Typical relative detail of 2 to 10 px beyond noise above which something else than a flat field
is shown. Simulated flat fields, also with eight hot spots, stay below 0.006, chips exceed 0.06."""
STRUCTURE_CELLS, STRUCTURE_IN = 10, 4
"""... in at least 4 of the cells of a tenth of the width: a speck of dust lies in one or two, the
lines of a scale in a row of them."""
EVENNESS_BLOCKS = 5
"""Least and greatest light are those of means over 5 by 5 blocks, so that noise has little say."""
STORED_COLOUR = 0.25
"""Standard uncertainty of a colour ratio from rounding and compressed chroma, percent: simulated
photos in even light departed by 0.2 % in the median and 0.46 % at most."""
COLOUR_CELLS = 5
"""Colour is compared in 5 by 5 cells: small enough to find a coloured corner."""
GREATEST_GAIN = 10.0
"""Largest factor of a correction image; where less than a tenth is left, noise is all there is."""
CORRECTION_SMOOTHING = 1 / 150
"""Gaussian of the correction image in picture widths: takes out noise and the grain of the surface,
keeps lamps and shading (a hot spot's usual width is four times that)."""


def measure_evenness(
    light: FloatImage,
    *,
    full: Mask | None = None,
    notes: tuple[str, ...] = (),
    other_tones: tuple[Relight, ...] = (),
) -> Evenness:
    """Measure a flat field, `light` (height, width) or (height, width, 3) in linear light.

    `full` (height, width) marks px at full scale; `other_tones` is what the light may be instead where
    the tone curve was only assumed (`Photo.other_tones`). Raises NotMeasurable when the photo is small,
    clipped, dark, perfectly flat, or shows something else than an even surface.
    """
    grey = _grey(light)
    _refuse(grey, full)
    stop = find_field_stop(grey)
    inside = np.ones(grey.shape, dtype=bool) if stop is None else _within(stop, grey.shape, 0.97)
    _refuse_structure(grey, inside)
    block = max(1, round(max(grey.shape) / MAP_BLOCKS))
    surface = _block_map(grey, inside, block)
    centre = _centre(surface, stop, block)
    if not centre > 0:
        raise NotMeasurable("the centre of the photo is black")
    surface = surface / centre
    noise = _noise_of_blocks(surface)
    zones = _zones(surface, stop, block)
    spots = find_hot_spots(surface, noise, block)
    corner = [zones[key] for key in zones if key.startswith("corner")]
    edge = [zones[key] for key in zones if key.startswith("edge")]
    count = _zone_blocks(surface)
    smooth = _running_mean(surface, EVENNESS_BLOCKS)
    low, high = float(np.nanmin(smooth)), float(np.nanmax(smooth))
    red, blue = (None, None) if light.ndim == 2 else _colour_shifts(light, inside, stop, block)
    return Evenness(
        shape=(grey.shape[0], grey.shape[1]),
        corner=_percent(float(np.mean(corner)), noise, 4 * count, count) if corner else None,
        edge=_percent(float(np.mean(edge)), noise, 4 * count, count),
        darkest=_percent(min(zones.values()), noise, count, count),
        evenness=_percent(low / high, 2 * noise, EVENNESS_BLOCKS**2, EVENNESS_BLOCKS**2),
        red_shift=red,
        blue_shift=blue,
        hot_spots=spots,
        surface=surface,
        field_stop=stop,
        level=centre,
        notes=notes + _notes(full, stop, spots, surface, block, zones),
    ).doubted(other_tones)


def flat_correction(light: FloatImage, *, full: Mask | None = None) -> FloatImage:
    """The image by which photos of the same setting are multiplied (in linear light) to be even.

    Shape and channels are those of `light`; 1 at the centre, at most `GREATEST_GAIN`, 1 outside a
    round field. Colour photos get each channel its own, so that a tint of the corners goes too
    while that of the whole stays. Refuses as `measure_evenness` does.
    """
    found = measure_evenness(light, full=full)
    stop = found.field_stop
    # Smoothing with the weights of the field alone keeps the dark surround out of the rim.
    field = np.ones(found.shape, np.float32)
    if stop is not None:
        field = _within(stop, found.shape, 0.98).astype(np.float32)
    sigma = max(found.shape) * CORRECTION_SMOOTHING
    weight = cv2.GaussianBlur(field, (0, 0), sigma)
    planes = [light] if light.ndim == 2 else [light[..., k] for k in range(3)]
    gains = []
    for plane in planes:
        smooth = cv2.GaussianBlur(plane * field, (0, 0), sigma) / np.maximum(weight, 1e-6)
        y, x = _centre_px(found.shape, stop)
        half = max(2, round(ZONE_SHARE * found.shape[0] / 2))
        centre = float(smooth[y - half : y + half, x - half : x + half].mean())
        gain = np.clip(centre / np.maximum(smooth, 1e-6), 1 / GREATEST_GAIN, GREATEST_GAIN)
        gains.append(np.where(field > 0, gain, 1.0).astype(np.float32))
    return np.asarray(gains[0] if light.ndim == 2 else np.stack(gains, axis=2), dtype=np.float32)


def _grey(light: FloatImage) -> FloatImage:
    if light.ndim == 2:
        return light
    return np.asarray(light @ np.asarray(LUMINANCE_WEIGHTS, dtype=np.float32), dtype=np.float32)


def _refuse(grey: FloatImage, full: Mask | None) -> None:
    height, width = grey.shape
    if min(height, width) < SMALLEST_SIDE_PX:
        raise NotMeasurable(
            f"{width} x {height} px is too small; {SMALLEST_SIDE_PX} px both ways are needed"
        )
    share = 0.0 if full is None else float(np.mean(full))
    if share > CLIPPED_SHARE:
        raise NotMeasurable(
            f"{share:.1%} of the flat field is at full scale, where light is lost and everything"
            " looks even: expose less, to about half of full scale at the brightest place"
        )
    if float(grey.mean()) < DARKEST:
        raise NotMeasurable(
            f"the photo is nearly black (mean {grey.mean():.2%} of full scale): expose more"
        )
    if np.ptp(grey) < SAME_SHADE:
        raise NotMeasurable(
            "every pixel has the same value: a single shade without any noise is no camera's photo"
        )


def _refuse_structure(grey: FloatImage, inside: Mask) -> None:
    """Detail of a few px, beyond what noise of that size leaves after smoothing, in any part."""
    soft = cv2.GaussianBlur(grey, (0, 0), 2.0)
    detail = np.where(inside, soft - cv2.GaussianBlur(grey, (0, 0), 8.0), 0)
    noise = scatter((grey - soft)[inside])
    level = float(np.median(grey[inside]))
    side = math.ceil(max(grey.shape) / STRUCTURE_CELLS)
    power = _block_map(np.asarray(detail**2, dtype=np.float32), _eroded(inside), side)
    cells = np.sort(power[np.isfinite(power)])
    spread = float(cells[-min(STRUCTURE_IN, cells.size)]) if cells.size else 0.0
    # White noise keeps 1 / (2 sqrt(pi) sigma) = 0.14 of itself through the smoothing.
    excess = math.sqrt(max(0.0, spread - (0.2 * noise) ** 2)) / max(level, 1e-9)
    if excess > MOST_STRUCTURE:
        raise NotMeasurable(
            f"the photo shows structure ({excess:.0%} of the light), not an even surface:"
            " photograph bare silicon, a mirror, or white paper out of focus"
        )


def _within(stop: FieldStop, shape: tuple[int, ...], radii: float) -> Mask:
    y, x = np.ogrid[: shape[0], : shape[1]]
    return np.asarray(np.hypot(x - stop.x, y - stop.y) < radii * stop.diameter / 2)


def _eroded(inside: Mask) -> Mask:
    """Without the surroundings of a round field's rim, into which the smoothing reaches."""
    if inside.all():
        return inside
    return np.asarray(cv2.erode(inside.astype(np.uint8), np.ones((49, 49), np.uint8)) > 0)


def _block_map(plane: FloatImage, inside: Mask, block: int) -> Array:
    """Mean of each block of `block` px, (rows, columns); NaN where it is not all inside."""
    rows, columns = plane.shape[0] // block, plane.shape[1] // block
    cut = (slice(0, rows * block), slice(0, columns * block))
    means = plane[cut].reshape(rows, block, columns, block).mean(axis=(1, 3), dtype=np.float64)
    whole = inside[cut].reshape(rows, block, columns, block).all(axis=(1, 3))
    return np.where(whole, means, np.nan)


def _running_mean(surface: Array, side: int) -> Array:
    """Mean of `side` by `side` blocks about each, of those inside the field; NaN outside it."""
    known = np.isfinite(surface)
    total = cv2.blur(np.where(known, surface, 0.0), (side, side), borderType=cv2.BORDER_CONSTANT)
    weight = cv2.blur(known.astype(np.float64), (side, side), borderType=cv2.BORDER_CONSTANT)
    return np.where(known, total / np.maximum(weight, 1e-9), np.nan)


def _centre_px(shape: tuple[int, ...], stop: FieldStop | None) -> tuple[int, int]:
    if stop is None:
        return shape[0] // 2, shape[1] // 2
    return round(min(max(stop.y, 0), shape[0] - 1)), round(min(max(stop.x, 0), shape[1] - 1))


def _zone_side(surface: Array) -> int:
    return max(1, round(ZONE_SHARE * int(surface.shape[0])))


def _zone_blocks(surface: Array) -> int:
    return _zone_side(surface) ** 2


def _centre(surface: Array, stop: FieldStop | None, block: int) -> float:
    if stop is None:
        row, column = surface.shape[0] / 2, surface.shape[1] / 2
    else:
        row, column = stop.y / block, stop.x / block
    return _zone_mean(surface, row, column)


def _zone_mean(surface: Array, row: float, column: float) -> float:
    """Mean of the zone around a place in blocks, moved to lie within the picture."""
    side = _zone_side(surface)
    top = min(max(round(row - side / 2), 0), surface.shape[0] - side)
    left = min(max(round(column - side / 2), 0), surface.shape[1] - side)
    zone = surface[top : top + side, left : left + side]
    known = zone[np.isfinite(zone)]
    return float(known.mean()) if known.size else math.nan


def _zones(surface: Array, stop: FieldStop | None, block: int) -> dict[str, float]:
    """Light of the zones by name: corners and edges, or eight parts of a round field's rim."""
    rows, columns = surface.shape
    if stop is None:
        places = {"corner 1": (0, 0), "corner 2": (0, columns), "corner 3": (rows, 0),
                  "corner 4": (rows, columns), "edge 1": (0, columns / 2),
                  "edge 2": (rows, columns / 2), "edge 3": (rows / 2, 0),
                  "edge 4": (rows / 2, columns)}  # fmt: skip
        return {key: _zone_mean(surface, *place) for key, place in places.items()}
    y, x = np.mgrid[:rows, :columns]
    dx, dy = (x + 0.5) * block - 0.5 - stop.x, (y + 0.5) * block - 0.5 - stop.y
    radius = np.hypot(dx, dy) / (stop.diameter / 2)
    sector = np.floor((np.degrees(np.arctan2(dy, dx)) + 180) / 45).astype(int) % 8
    ring = (radius > RIM[0]) & (radius < RIM[1]) & np.isfinite(surface)
    if not ring.any():
        raise NotMeasurable("the rim of the round field lies outside the photo")
    return {
        f"edge {k + 1}": float(surface[ring & (sector == k)].mean())
        for k in range(8)
        if (ring & (sector == k)).any()
    }


def _noise_of_blocks(surface: Array) -> float:
    """Standard deviation of one block's mean, from neighbours along both axes (robust)."""
    second = [np.diff(surface, 2, axis=axis) for axis in (0, 1)]
    values = np.concatenate([np.abs(s[np.isfinite(s)]) for s in second])
    return SIGMA_OF_MAD * float(np.median(values)) / math.sqrt(6) if values.size else 0.0


def _percent(share: float, noise: float, blocks: int, centre_blocks: int) -> Quantity:
    """A share of the centre's light as a percentage, with the noise of both."""
    parts = (
        Contribution("noise of the zone", 100 * noise / math.sqrt(blocks)),
        Contribution("noise of the centre", 100 * share * noise / math.sqrt(centre_blocks)),
        Contribution("choice of the zones", 100 * 0.02 * abs(1 - share), scope="setting"),
    )
    return Quantity(100 * share, "%", parts)


def _colour_shifts(
    light: FloatImage, inside: Mask, stop: FieldStop | None, block: int
) -> tuple[Quantity, Quantity]:
    """Largest departure of red / green and of blue / green from the centre's, percent."""
    planes = [_block_map(np.ascontiguousarray(light[..., k]), inside, block) for k in range(3)]
    found = []
    for plane in (planes[0], planes[2]):
        ratio = plane / np.maximum(planes[1], 1e-9)
        middle = _centre(ratio, stop, block)
        noise = _noise_of_blocks(ratio)
        size = max(1, ratio.shape[0] // COLOUR_CELLS)
        cells = coarser(ratio, size)
        known = cells[np.isfinite(cells)]
        top = float(known[np.argmax(np.abs(known - middle))])
        share = top / middle - 1 if middle > 0 else math.nan
        if not math.isfinite(share):
            raise NotMeasurable("a colour channel is black at the centre")
        parts = (
            Contribution("noise of the cell", 100 * noise / middle / size),
            Contribution("rounding and compression", STORED_COLOUR, scope="capture"),
            Contribution("noise of the centre", 100 * noise / middle / _zone_side(ratio)),
        )
        found.append(Quantity(100 * share, "%", parts))
    return found[0], found[1]


def _notes(
    full: Mask | None, stop: FieldStop | None, spots: tuple[HotSpot, ...], surface: Array,
    block: int, zones: dict[str, float],
) -> tuple[str, ...]:  # fmt: skip
    notes = []
    if full is not None and full.any():
        notes.append(f"{int(full.sum())} px are at full scale (specks, or a lamp's reflection)")
    if stop is not None:
        notes.append(
            "the field is round: its rim is held against its middle, and there are no corners"
        )
    if spots:
        y, x = _centre_px((surface.shape[0] * block, surface.shape[1] * block), stop)
        nearest = min(math.hypot(spot.x - x, spot.y - y) for spot in spots)
        if nearest < ZONE_SHARE * surface.shape[0] * block:
            notes.append(
                "a hot spot lies at the centre, which all other light is held against: shares are"
                " too low"
            )
    if max(zones.values()) > 1.05:
        notes.append("the brightest zone is not the centre: the lamp stands to one side")
    return tuple(notes)
