"""Rough mappings by laying the whole of the finer photo over the coarser one.

Where the finer photo covers only a few dozen px of the coarser one, or everything is soft, too few
features are left. Then the finer photo, reduced to the coarser one's sampling, is correlated with
it as a whole, in every turn and, without calibrations, at every scale.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
from scipy import fft

from glassay.fitting import block_mean
from glassay.imaging.tone import FloatImage
from glassay.match.features import Proposal
from glassay.match.mapping import Mapping, enlarged, similarity
from glassay.match.pictures import Look, Pair, blurred, edge_energy, edge_light

LONGEST_SIDE_PX = 420
"""The coarser photo is reduced to this for the search."""

SMALLEST_TEMPLATE_PX = 14
"""A finer photo that covers less than this many px of the searched picture is not recognised."""

EVENING_PX = 6.0
"""Light and contrast are evened out over this sigma, px of the searched picture."""

SCALE_STEP = 1.12
"""From one tried scale to the next: a template of 40 px is then at most 1.2 px wrong at its rim."""

LARGEST_TEMPLATE_PX = 130
"""Without calibrations, scales at which the template would be larger are left to the features."""

KEPT = 12
"""Best places that are handed on."""


def turns_for(side_px: int) -> int:
    """How many turns to try: the rim of the template moves by at most 3.2 px between two."""
    return int(np.clip(math.ceil(2 * math.pi * side_px / 2 / 3.2), 24, 180))


def scales_for(pair: Pair, ratio: float | None, most: float) -> list[float]:
    """Scales (coarse px / fine px) to try."""
    if ratio is not None:
        return [ratio / 1.04, ratio, ratio * 1.04]
    base = _base(pair)
    least = max(1.0, max(pair.fine.shape) / base / LARGEST_TEMPLATE_PX)
    most = min(most, min(pair.fine.shape) / base / SMALLEST_TEMPLATE_PX)
    if most < least:
        return []
    count = math.ceil(math.log(most / least) / math.log(SCALE_STEP))
    return [least * SCALE_STEP**n for n in range(count + 1)]


def _base(pair: Pair) -> int:
    return math.ceil(float(max(pair.coarse.shape)) / LONGEST_SIDE_PX)


def search(pair: Pair, look: Look, scales: list[float]) -> Iterator[Proposal]:
    """The best places of the finer photo in the coarser one, best first."""
    base = _base(pair)
    coarse = block_mean(pair.coarse, base)
    if look == "coarse edge light":
        coarse = block_mean(edge_light(pair.coarse), base)
    fine = edge_light(pair.fine) if look == "edge light" else pair.fine
    found: list[tuple[float, Mapping]] = []
    ready = _evened(edge_energy(coarse) if look == "edges" else coarse)
    room = [fft.next_fast_len(side + 64, real=True) for side in coarse.shape]
    spectrum = np.conj(fft.rfft2(ready, s=room))
    for scale in scales:
        found += _at_scale(pair, look, fine, ready, spectrum, room, scale, base)
    found.sort(key=lambda one: -one[0])
    for score, mapping in found[:KEPT]:
        yield Proposal(mapping, look, round(score))


def _at_scale(
    pair: Pair, look: Look, fine: FloatImage, ready: FloatImage,
    spectrum: FloatImage, room: list[int], scale: float, base: int,
) -> list[tuple[float, Mapping]]:  # fmt: skip
    """Best place of every turn at one scale, as (score, mapping)."""
    step = scale * base  # fine px per px of the searched picture
    factor = max(1, int(step))
    small = block_mean(fine, factor)
    rest = step / factor
    small = blurred(small, 0.5 * math.sqrt(max(rest**2 - 1, 0)))
    height, width = (max(1, int(side / rest)) for side in small.shape)
    if min(height, width) < SMALLEST_TEMPLATE_PX:
        return []
    resized = cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)
    template: FloatImage = np.asarray(resized, dtype=np.float32)
    if look == "edges":
        template = edge_energy(template)
    template = _evened(template)
    energy = np.maximum(cv2.blur(ready**2, (width, height)), 0.05)
    half = math.hypot(width, height) / 2
    found = []
    count = turns_for(max(width, height))
    for turn in np.arange(count) * (360 / count):
        found.append(_best_place(template, float(turn), half, energy, spectrum, room, ready.shape))
    shapes = (pair.coarse.shape, pair.fine.shape)
    mappings = []
    for score, turn, (x, y) in found:
        # searched px -> template px: back by (x, y), turned back, about the template's middle
        back = similarity(1, -turn, (0, 0)) @ similarity(1, 0, (-x, -y))
        middle = similarity(1, 0, ((width - 1) / 2, (height - 1) / 2))
        out = _template_to_fine(rest, factor)
        matrix = out @ middle @ back @ np.linalg.inv(enlarged(base))
        # chance reaches high correlations in few px: the larger template's counts for more
        surprise = math.atanh(min(max(score, 0.0), 0.99)) * math.sqrt(height * width)
        mappings.append((surprise, Mapping(matrix, *shapes)))
    return mappings


def _template_to_fine(rest: float, factor: int) -> FloatImage:
    to_small = similarity(rest, 0, ((rest - 1) / 2, (rest - 1) / 2))
    return np.asarray(enlarged(factor) @ to_small)


def _best_place(
    template: FloatImage, turn: float, half: float, energy: FloatImage,
    spectrum: FloatImage, room: list[int], shape: tuple[int, ...],
) -> tuple[float, float, tuple[int, int]]:  # fmt: skip
    side = 2 * math.ceil(half) + 1
    middle = side // 2
    height, width = template.shape
    lay = similarity(1, turn, (0, 0)) @ similarity(1, 0, (-(width - 1) / 2, -(height - 1) / 2))
    lay[:2, 2] += middle
    turned = cv2.warpAffine(template, lay[:2], (side, side), flags=cv2.INTER_LINEAR)
    frame = np.zeros(room, dtype=np.float32)
    rows, columns = min(side, room[0]), min(side, room[1])
    frame[:rows, :columns] = turned[:rows, :columns]
    surface = fft.irfft2(np.conj(fft.rfft2(frame) * spectrum), s=room)
    surface = np.roll(surface, (middle, middle), axis=(0, 1))[: shape[0], : shape[1]]
    norm = math.sqrt(float((turned**2).mean()) * side**2 / (height * width)) + 1e-9
    score = surface / (norm * np.sqrt(energy) * height * width)
    y, x = np.unravel_index(int(np.argmax(score)), score.shape)
    return float(score[y, x]), turn, (int(x), int(y))


def _evened(picture: FloatImage) -> FloatImage:
    """Detail of about unit contrast everywhere: local mean taken off, local spread divided out."""
    detail = picture - blurred(picture, EVENING_PX)
    spread = np.sqrt(blurred(detail**2, EVENING_PX))
    floor = 0.2 * float(np.quantile(spread, 0.9)) + 1e-9
    return np.asarray(detail / (spread + floor), dtype=np.float32)
