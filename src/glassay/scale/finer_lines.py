"""Signs of lines finer than the ones found: seen beside them, or only as a veil between them."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from glassay.fitting import block_mean
from glassay.imaging.tone import FloatImage
from glassay.scale.lines import Lines
from glassay.scale.search import Sighting
from glassay.scale.strips import cut_strips

Array = npt.NDArray[np.float64]

FINER_POWER = 60.0
"""Power of a finer period over that of neighbouring frequencies at which finer lines are taken to be
there: noise alone exceeds 20 once in a million strips."""
FINER_HARMONIC = 8.0
"""Likewise over its neighbours among the harmonics of the division: those of a line change slowly."""

UNEXPECTED, FAINTEST = 0.5, 0.03
"""Beside the lines' common part, what is more than their own waveform must exceed this share of it, and
of the lines' fundamental: sharp edges meet the px differently from strip to strip."""
GROUND_BINS = 48
EDGE_MARGIN = 0.08
GROUND_WAVE = 0.05
"""Least wave of the ground, as a share of the lines' contrast, that is taken for finer lines; within
the margin of the edges, in divisions, blur and sharpening make their own."""

VEIL_STEP = (0.4, 3.7)
"""By how much the ground darkens where a veil begins, as a share of the contrast of the lines found:
0.8 and more for lines of any width that are not resolved; what the ends of a slide or of the field
do is mostly larger, and dirt and uneven light do not stay even."""
VEIL_EVENNESS = 0.5
"""Largest change of the veil along its first division, as a share of the step."""
SWAPPED = 0.25
"""How alike, as a share of the contrast, ground and gaps are where wide bars are what ends."""
VEIL_PX = 8.0
"""Shortest division for which a veil is looked for."""
FAINT = 1e-3
"""Contrast of the lines, on the square-root scale, below which no veil can be told."""


def finer_lines_beside(light: FloatImage, row: Sighting, lines: Lines, division_px: float) -> int:
    """5 or 10 when lines that many times as fine run beside the ones found, else 0.

    The sign is a strip in which that fraction of the division stands far above the noise and above
    its neighbours among the harmonics of the division. Thick sharp lines have strong odd harmonics of
    their own, so beside the lines' common part their waveform, as strong as it still is there, is
    taken out first; and within it the ground between the lines must wave as well.
    """
    factor = max(1, int(division_px / 10 / 2.5))  # a tenth of a division keeps its 2.5 px
    strips = cut_strips(block_mean(light, factor), None, lines.angle, 4)
    places = strips.t_centres * factor
    beside = np.abs(places - sum(row.core) / 2) < 3 * division_px + np.ptp(row.core)
    along = (strips.s0 + np.arange(strips.rows.shape[1])) * factor
    inside = (along > lines.positions.min()) & (along < lines.positions.max())
    number = np.interp(along[inside], lines.positions, lines.numbers.astype(np.float64))
    rows = strips.rows[beside][:, inside].astype(np.float64)
    rows = rows - rows.mean(axis=1, keepdims=True)
    margin = 0.1 * np.ptp(row.core)
    core = (places[beside] > row.core[0] + margin) & (places[beside] < row.core[1] - margin)
    for parts in (5, 10):
        if division_px / parts < 2.0:
            continue  # beyond the sampling limit nothing can be seen of them
        cycles = parts + np.array([0.0, -1.0, 1.0, -0.42, -0.35, 0.35, 0.42, 1.0 - parts])
        waves = np.exp(2j * np.pi * cycles[:, None] * number[None, :]) * np.hanning(len(number))
        found = rows @ waves.T
        power = np.abs(found) ** 2
        noise = np.median(power[:, 3:7], axis=1) + 1e-12
        waves_there, thick = power[:, 0], np.zeros(len(found))
        if core.any():
            own = found[core].mean(axis=0)
            left = np.real(found[:, -1] * np.conj(own[-1])) / max(
                float(np.abs(own[-1]) ** 2), 1e-30
            )
            expected = np.clip(left, 0, 1.5) * own[0]
            beyond = np.abs(found[:, 0] - expected) ** 2
            waves_there = np.where(core, waves_there, beyond)
            least = np.maximum(UNEXPECTED * np.abs(expected), FAINTEST * np.abs(own[-1]))
            thick = np.where(core, 0.0, least**2)
        clear = waves_there > np.maximum(FINER_POWER * noise, thick)
        clear &= waves_there > FINER_HARMONIC * power[:, 1:3].sum(axis=1)
        if (clear & ~core).any() or (
            (clear & core).any() and _ground_waves(rows[core], number, parts)
        ):
            return parts
    return 0


def _ground_waves(rows: Array, number: Array, parts: int) -> bool:
    """Whether the ground between the lines' edges waves `parts` times a division."""
    phase = (number + 0.5) % 1 - 0.5  # lines stand at 0
    bins = np.floor((phase + 0.5) * GROUND_BINS).astype(int) % GROUND_BINS
    mean = rows.mean(axis=0)
    profile = np.array([
        np.median(mean[bins == k]) if (bins == k).any() else np.nan for k in range(GROUND_BINS)
    ])  # fmt: skip
    at = (np.arange(GROUND_BINS) + 0.5) / GROUND_BINS - 0.5
    line, ground = profile[GROUND_BINS // 2], np.nanmedian(profile[np.abs(at) > 0.4])
    contrast = abs(float(ground - line))
    still_line = np.abs(profile - ground) > 0.5 * contrast
    middle = still_line & (np.abs(at) < 0.45)
    edge = float(np.abs(at[middle]).max()) if middle.any() else 0.0
    free = (np.abs(at) > edge + EDGE_MARGIN) & np.isfinite(profile)
    if free.sum() < GROUND_BINS / parts or contrast <= 0:
        return False
    u = at[free] % 1  # the gap in one piece
    turn = 2 * np.pi * parts * u
    design = np.column_stack([np.ones_like(u), u, np.cos(turn), np.sin(turn)])
    fit = np.linalg.lstsq(design, profile[free], rcond=None)[0]
    return bool(math.hypot(fit[2], fit[3]) > GROUND_WAVE * contrast)


def is_veiled(light: FloatImage, row: Sighting, lines: Lines, division_px: float) -> bool:
    """Whether the ground between the lines found darkens (brightens for bright lines) where their
    common part ends, as a band of lines too close to be resolved makes it.

    Beside the finer lines of a slide only every 5th and 10th line still reaches; there the row is
    found, with plain ground between its lines.
    """
    if division_px < VEIL_PX or len(lines.positions) < 3:
        return False
    at = np.sort(lines.positions)
    gaps = at[:-1] + np.diff(at) / 2
    margin = 0.25 * (row.core[1] - row.core[0])
    inner = np.linspace(row.core[0] + margin, row.core[1] - margin, 9)
    between, line = (_levels(light, row.angle, along, inner) for along in (gaps, at))
    known = np.isfinite(between) & np.isfinite(line)
    if not known.any():
        return False
    contrast = float(np.median((between - line)[known]))
    if abs(contrast) < FAINT:
        return False
    away = np.linspace(0.3, 1.3, 11) * division_px
    for end, outwards in ((row.core[0], -1.0), (row.core[1], 1.0)):
        beyond = _levels(light, row.angle, gaps, end + outwards * away)
        before = _levels(light, row.angle, gaps, end - outwards * away[:3])
        if np.isfinite(beyond).all() and np.isfinite(before).all():
            step = float(np.median(before) - np.median(beyond)) / contrast
            lines_on = _levels(light, row.angle, at, end + outwards * away)
            if abs(step - 1) < SWAPPED and (
                abs(float(np.median(lines_on - beyond))) < SWAPPED * abs(contrast)
            ):
                continue  # bars wider than their gaps end here, on ground that is as light as the gaps
            change = abs(float(np.median(beyond[-4:]) - np.median(beyond[:4])) / contrast)
            if VEIL_STEP[0] < step < VEIL_STEP[1] and change < VEIL_EVENNESS * step:
                return True
    return False


def _levels(light: FloatImage, angle: float, along: Array, across: Array) -> Array:
    """Median over `along` of the light at each place of `across`, NaN where half is out of view."""
    height, width = light.shape
    c, s = math.cos(angle), math.sin(angle)
    x = (along[None, :] * c - across[:, None] * s + (width - 1) / 2).astype(np.float32)
    y = (along[None, :] * s + across[:, None] * c + (height - 1) / 2).astype(np.float32)
    seen = (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)
    value = np.where(seen, cv2.remap(light, x, y, cv2.INTER_LINEAR), np.nan)
    known = seen.mean(axis=1) > 0.5
    levels = np.full(len(across), np.nan)
    if known.any():
        levels[known] = np.nanmedian(value[known], axis=1)
    return levels
