"""A coarser photo of a chip as its instrument's response foretells it from a finer one, and as it was.

The match says where the coarser photo lies on the finer one and how large its pixels are there, so
neither calibration is needed; the responses are those of the edges photographed in both settings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from glassay.bench.chip.panel import Panel
from glassay.bench.chip.plate import Plate
from glassay.bench.chip.same_chip import Points, SameChip, Twosome
from glassay.bench.document.model import Capture
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.response import response_of
from glassay.detail.predict import Response, ViewAgreement, compare_aligned, predict_view
from glassay.errors import NotMeasurable
from glassay.imaging.resample import resample
from glassay.imaging.tone import FloatImage

MOST = 2
"""Instruments shown: the one with the finest pixels and the one with the coarsest."""


@dataclass(frozen=True, eq=False)
class Foretold:
    """`predicted` and `real` show one piece, (height, width) in linear light, px for px, brightness
    matched; `source` is the finer capture, whose own response was divided out if it is known
    (`divided`)."""

    capture: Capture
    source: Capture
    predicted: FloatImage
    real: FloatImage
    agreement: ViewAgreement
    divided: bool
    notes: tuple[str, ...]


def foretell(results: BenchResults, chip: SameChip, plate: Plate) -> tuple[Foretold, ...]:
    """The plate's piece, foretold from the chip's finest capture; empty where data are lacking."""
    shown = {panel.capture.id: panel for panel in plate.panels}
    if chip.reference not in shown:
        return ()
    source = shown[chip.reference]
    likely = [
        (pair, shown[pair.second])
        for pair in chip.pairs
        if pair.result is not None and pair.first == chip.reference and pair.second in shown
    ]
    likely.sort(key=lambda one: _ratio(one[0]))
    found: list[Foretold] = []
    for pair, panel in likely:
        one = _one(results, plate, source, panel, pair)
        if one is not None:
            found.append(one)
    return (found[0], found[-1]) if len(found) > MOST else tuple(found)


def _ratio(pair: Twosome) -> float:
    assert pair.result is not None, "only pairs that match were kept"
    return pair.result.scale_ratio.value


def _one(
    results: BenchResults, plate: Plate, source: Panel, panel: Panel, pair: Twosome
) -> Foretold | None:
    response = _response(results, panel.capture)
    if response is None:
        return None
    own = _response(results, source.capture)
    ratio = _ratio(pair)
    corners = np.array([[-0.5, -0.5], [plate.size_px[0] - 0.5, plate.size_px[1] - 0.5]])
    piece = source.route(plate.frame.back(corners + plate.corner))
    left, top = np.maximum(np.ceil(piece.min(axis=0)), 0).astype(int)
    right, bottom = np.floor(piece.max(axis=0)).astype(int)
    scene = source.photo.linear_grey()[top:bottom, left:right]
    try:
        view = predict_view(scene, 1.0, response, ratio, scene_response=own)

        def to_photo(points: Points) -> Points:
            fine = (points + 0.5) * ratio - 0.5 + (left, top)
            return panel.route(source.route.back(fine))

        (real,), seen = resample([panel.photo.linear_grey()], to_photo, _shape(view.picture))
        if not seen.all():
            return None
        agreement = compare_aligned(view.picture, real)
    except NotMeasurable:
        return None
    return Foretold(panel.capture, source.capture, agreement.aligned, real, agreement,
                    own is not None, view.notes)  # fmt: skip


def _response(results: BenchResults, capture: Capture) -> Response | None:
    here = (capture.instrument, capture.setting)
    for one in results.settings_of(capture.instrument):
        if (one.instrument.id, one.setting.id) == here:
            return response_of(results, one)
    return None


def _shape(picture: FloatImage) -> tuple[int, int]:
    return picture.shape[0], picture.shape[1]
