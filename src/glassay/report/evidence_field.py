"""The evidence behind what changes across the field: maps of light, distortion and colour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.bench.keeping.plain import to_plain
from glassay.bench.saying.words import say, short
from glassay.field import FieldResult
from glassay.finding import Finding
from glassay.report.curves import even_step, steps
from glassay.report.drawing import Figure, Label, Overlay, Stroke
from glassay.report.evidence import FILE_BYTES, Case
from glassay.report.figure_file import write_panels
from glassay.report.pictures import jpeg_uri
from glassay.report.strokes import displacement_arrows, joined_paths, ring_path

Array = npt.NDArray[np.float64]

ARROW_SHARE = 0.09
"""Length of the longest arrow drawn, as a share of the picture's width."""
LEAST_RANGE = 2.0
"""Range of light, percent of the centre's, from which on lines of equal light are drawn."""
EVENNESS, DISTORTION, COLOUR = "evenness", "distortion", "lateral colour"


def draw_field(result: FieldResult, name: str, path: Path) -> None:
    """Draw whatever was measured into a file: light, then how points move, then how colours part.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    found = [
        (method, part)
        for method, part in (
            (EVENNESS, result.evenness), (DISTORTION, result.distortion), (COLOUR, result.colour)
        )
        if part is not None
    ]  # fmt: skip
    panels = []
    for method, part in found:
        evidence = to_plain(part.evidence())
        words, strokes, labels = _drawn(method, evidence, part.findings())
        height, width = evidence["shape"]
        source = _map_of_light(evidence) if method == EVENNESS else ""
        panels.append(
            Overlay(method, words, source, (-0.5, -0.5, float(width), float(height)), strokes,
                    labels, max(width, height) / LETTERS)
        )  # fmt: skip
    write_panels(panels, path, name)


LETTERS = 45
"""Labels are this part of the longer side high."""


def figures(case: Case) -> tuple[Figure, ...]:
    """One part over the photo: lines of equal light, or arrows for what is moved."""
    words, strokes, labels = _drawn(case.method, case.evidence, case.findings)
    height, width = case.evidence["shape"]
    shown = case.overlay(case.photo(), words, strokes, labels, max(width, height) / LETTERS)
    box = (-0.5, -0.5, float(width), float(height))
    return (Figure((replace(shown, box=box),), words),)


def _drawn(
    method: str, evidence: Mapping[str, Any], found: Mapping[str, Finding]
) -> tuple[str, tuple[Stroke, ...], tuple[Label, ...]]:
    """What one part shows: in words, as strokes, and their labels."""
    if method == EVENNESS:
        lines, labels = _lines_of_equal_light(evidence)
        spots = "".join(_ring(spot, evidence["shape"]) for spot in evidence["hot_spots"])
        words = (
            "Light across the field over that at its centre; lines join places of equal light"
            if lines
            else "Light across the field over that at its centre departs by less than 2 %"
        ) + ("; rings mark hot spots." if spots else ".")
        return words, (("", lines), ("", spots)), tuple(labels)
    if method == DISTORTION:
        points, moved = (_pairs(evidence[key]) for key in ("points", "moved"))
        enlarged = _enlarged(moved, evidence["shape"])
        corner = say(found["distortion_corner"].quantity, " %")
        words = (
            f"How far distortion moves points, {short(enlarged)} times enlarged; {corner} at the"
            " corner."
        )
        return words, (("", displacement_arrows(points, moved, enlarged)),), ()
    red, blue = (_pairs(evidence[key]) for key in ("red", "blue"))
    enlarged = _enlarged(np.concatenate([red, blue]), evidence["shape"])
    strokes = tuple(
        (key, displacement_arrows(_pairs(evidence[f"{key}_places"]), moved, enlarged))
        for key, moved in (("red", red), ("blue", blue))
    )
    spread = say(found["lateral_colour"].quantity, " px")
    words = (
        "How far red (solid) and blue (dashed) edges lie from the green ones,"
        f" {short(enlarged)} times enlarged; {spread} between the outermost colours in the"
        " corners."
    )
    return words, strokes, ()


def _map_of_light(evidence: Mapping[str, Any]) -> str:
    """The light across the field as a picture, the brightest place white."""
    _, _, light = _light(evidence)
    shown = np.nan_to_num(light / np.nanmax(light), nan=0.0)
    height, width = evidence["shape"]
    size = (MAP_PX, max(1, round(MAP_PX * height / width)))
    pixels = np.asarray(cv2.resize(np.rint(255 * shown).astype(np.uint8), size), dtype=np.uint8)
    return jpeg_uri(pixels, FILE_BYTES)


MAP_PX = 800


def _lines_of_equal_light(
    evidence: Mapping[str, Any],
) -> tuple[str, list[tuple[float, float, str]]]:
    """SVG path data at whole steps of percent, and the words on each line."""
    from skimage.measure import find_contours

    x, y, light = _light(evidence)
    low, high = float(np.nanmin(light)), float(np.nanmax(light))
    if high - low <= LEAST_RANGE:
        return "", []
    levels = [at for at, _ in steps(low, high, even_step(high - low, 6)) if low < at < high]
    path, labels = "", []
    for level in levels:
        lines = [  # rows and columns of blocks
            np.column_stack([np.interp(line[:, 1], np.arange(len(x)), x),
                             np.interp(line[:, 0], np.arange(len(y)), y)])
            for line in find_contours(light, level)  # type: ignore[no-untyped-call]
        ]  # fmt: skip
        path += joined_paths(lines)
        longest = max(lines, key=len, default=np.empty((0, 2)))
        if len(longest):
            a, b = longest[len(longest) // 3]
            labels.append((float(a), float(b), f"{level:g} %"))
    return path, labels


def _light(evidence: Mapping[str, Any]) -> tuple[Array, Array, Array]:
    """Places of the blocks' middles along x and y (px), and their light in percent."""
    light = 100 * np.array(evidence["light_map"], dtype=float)  # None becomes NaN
    height, width = evidence["shape"]
    rows, columns = light.shape
    x = (np.arange(columns) + 0.5) * width / columns
    y = (np.arange(rows) + 0.5) * height / rows
    return x, y, light


def _ring(spot: Mapping[str, Any], shape: Sequence[int]) -> str:
    return ring_path(spot["x"], spot["y"], max(spot["diameter_px"] / 2, max(shape) / 80))


def _pairs(numbers: Any) -> Array:
    return np.asarray(numbers, dtype=float).reshape(-1, 2)


def _enlarged(moved: Array, shape: Sequence[int]) -> float:
    """By how much displacements are enlarged for the longest to be `ARROW_SHARE` of the width."""
    longest = float(np.hypot(*moved.T).max(initial=0.0))
    return float(f"{ARROW_SHARE * shape[1] / max(longest, 1e-3):.2g}")
