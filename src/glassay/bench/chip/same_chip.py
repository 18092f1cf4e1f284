"""Captures of one chip by several instruments, laid over each other, and what that says of scales.

The capture with the finest pixels is the reference. Every other one is matched with it; one that
does not match is tried against its neighbours in scale that did. Matches are kept like any other
result, by the contents of both photos.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.bench.document.model import Bench, Capture
from glassay.bench.keeping.results import MethodResult, SettingResult
from glassay.bench.measuring.methods import medium_of
from glassay.bench.measuring.settings import REPEATABILITY
from glassay.match import Mapping as Laid
from glassay.match import MatchResult
from glassay.quantity import Quantity, combine

FALLBACKS = 2
"""Neighbours in scale that are tried for a capture which does not match the reference."""

PRIOR_DIGITS = 3
"""Digits of a pixel size that guides the search: a calibration that moves in the fourth digit makes
no new match."""

Points = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Twosome:
    """Two captures of one chip (ids) and how they match.

    `result` is None where they do not, with `reason`. With calibrations of both, `expected` is the
    scale ratio they state, `error` what it is over the measured one minus 1, and `verdict` "agree"
    when that lies within its expanded uncertainty, else "disagree".
    """

    first: str
    second: str
    result: MatchResult | None
    reason: str = ""
    expected: Quantity | None = None
    error: Quantity | None = None
    verdict: str = ""


@dataclass(frozen=True)
class Route:
    """From px of the reference photo to px of another, over the photos in between."""

    legs: tuple[Laid, ...] = ()

    def __call__(self, points: npt.ArrayLike) -> Points:
        """Points (n, 2) of the reference as points of the other photo."""
        found = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        for leg in self.legs:
            found = leg(found)
        return found

    def back(self, points: npt.ArrayLike) -> Points:
        """Points (n, 2) of the other photo as points of the reference."""
        found = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        for leg in reversed(self.legs):
            found = leg.inverse()(found)
        return found


@dataclass(frozen=True)
class SameChip:
    """The captures of one chip.

    `routes` holds, for every capture that matches, how points of the reference lie in it (the
    reference itself included); `unmatched` the others with the reason; `pairs` all that was tried.
    `waiting` says that some pairs are not matched yet.
    """

    object: str
    reference: str
    pairs: tuple[Twosome, ...]
    routes: Mapping[str, Route] = field(default_factory=dict)
    unmatched: Mapping[str, str] = field(default_factory=dict)
    waiting: bool = False


Pair = tuple[Capture, Capture]
Lookup = Callable[[Sequence[Pair]], Sequence[MethodResult | None]]
"""Matches of pairs, measured or kept; None for one that is not there."""


def chip_groups(bench: Bench) -> Iterator[tuple[str, tuple[Capture, ...]]]:
    """Each chip with the photos of it, where there are at least two."""
    for thing in bench.objects:
        shown = tuple(
            one for one in bench.captures
            if one.object == thing.id and thing.kind == "chip" and medium_of(one.files) == "photos"
        )  # fmt: skip
        if len(shown) > 1:
            yield thing.id, shown


def match_settings(settings: Sequence[SettingResult], pair: Pair) -> dict[str, Any]:
    """What a match of a pair depends on besides the photos, as plain data."""
    known = []
    for capture in pair:
        one = _setting_of(settings, capture)
        pixel = None if one is None else one.findings.get("pixel_size")
        size = None if pixel is None else float(f"{pixel.quantity.value:.{PRIOR_DIGITS}g}")
        picture = list(one.picture) if one is not None and one.picture else None
        known.append({"pixel_size_um": size, "picture": picture})
    return {"known": known}


def link(
    thing: str, captures: Sequence[Capture], settings: Sequence[SettingResult], lookup: Lookup
) -> SameChip:
    """Lay the captures of one chip over each other, as far as `lookup` tells."""
    left = sorted(captures, key=lambda one: _size_um(settings, one))
    best: SameChip | None = None
    tried: list[Twosome] = []
    while len(left) > 1:
        group = _link_to(left[0], left[1:], settings, lookup)
        tried += group.pairs
        if best is None or len(group.routes) > len(best.routes):
            best = replace(group, object=thing)
        left = [one for one in left if one.id not in group.routes]
        if group.waiting or len(best.routes) >= len(left):
            break  # what is left cannot be more
    assert best is not None, "a group has at least two captures"
    waiting = best.waiting or any(not one.result and not one.reason for one in tried)
    missing = {one.id: _why(one.id, tried) for one in captures if one.id not in best.routes}
    return replace(best, pairs=tuple(tried), unmatched=missing, waiting=waiting)


def _link_to(
    reference: Capture, others: Sequence[Capture], settings: Sequence[SettingResult], lookup: Lookup
) -> SameChip:
    routes = {reference.id: Route()}
    known = {one.id: one for one in (reference, *others)}
    pairs: list[Twosome] = []
    waiting = False
    for attempt in range(1 + FALLBACKS):
        asked: list[Pair] = []
        for one in others:
            if one.id not in routes:
                done = {pair.first for pair in pairs if pair.second == one.id}
                near = [known[id] for id in routes if id not in done]
                if attempt == 0:
                    near = [reference]
                near.sort(key=lambda two: abs(_log_apart(settings, one, two)))
                asked += [(near[0], one)] if near else []
        for pair, kept in zip(asked, lookup(asked) if asked else (), strict=True):
            waiting |= kept is None
            found = _judged(settings, pair, kept)
            pairs.append(found)
            if found.result is not None:
                before = routes[pair[0].id].legs
                routes[pair[1].id] = Route((*before, found.result.mapping))
    return SameChip("", reference.id, tuple(pairs), routes, waiting=waiting)


def _why(capture_id: str, tried: Sequence[Twosome]) -> str:
    reasons = [one.reason for one in tried if capture_id in (one.first, one.second) and one.reason]
    return reasons[0] if reasons else "not matched yet; run the bench"


def _judged(settings: Sequence[SettingResult], pair: Pair, kept: MethodResult | None) -> Twosome:
    first, second = pair[0].id, pair[1].id
    if kept is None:
        return Twosome(first, second, None)
    if kept.status != "measured":
        return Twosome(first, second, None, kept.reason)
    result = match_from_plain(kept)
    shapes = (result.mapping.from_shape, result.mapping.to_shape)
    sizes = [
        pixel_size_of_capture(settings, capture, (shape[1], shape[0]))
        for capture, shape in zip(pair, shapes, strict=True)
    ]
    if sizes[0] is None or sizes[1] is None:
        return Twosome(first, second, result)
    expected = combine(lambda a, b: b / a, (sizes[0], sizes[1]), "1")
    result = replace(result, calibration_ratio=expected)
    return Twosome(
        first, second, result, "", expected, result.calibration_error, str(result.calibrations)
    )


def pixel_size_of_capture(
    settings: Sequence[SettingResult], capture: Capture, picture: tuple[int, int]
) -> Quantity | None:
    """Pixel size (um) that the calibration of its setting gives one further capture of `picture` px.

    A mean over several captures has the repeatability of the mean; one more capture scatters about
    it like each of them (as a prediction interval does), and that is added. None where nothing is
    known, or where it belongs to pictures of another size.
    """
    one = _setting_of(settings, capture)
    if one is None or "pixel_size" not in one.findings or one.picture != picture:
        return None
    size = one.findings["pixel_size"].quantity
    scatter = [part for part in size.contributions if part.source == REPEATABILITY]
    if not scatter:
        return size
    single = abs(scatter[0].u) * math.sqrt(len(one.captures))
    return size.with_contribution(
        "this capture's own repeatability", single, scatter[0].dof, scope="capture"
    )


def _setting_of(settings: Sequence[SettingResult], capture: Capture) -> SettingResult | None:
    here = (capture.instrument, capture.setting)
    return next((s for s in settings if (s.instrument.id, s.setting.id) == here), None)


def _size_um(settings: Sequence[SettingResult], capture: Capture) -> float:
    one = _setting_of(settings, capture)
    pixel = None if one is None else one.findings.get("pixel_size")
    return math.inf if pixel is None else pixel.quantity.value


def _log_apart(settings: Sequence[SettingResult], one: Capture, two: Capture) -> float:
    a, b = _size_um(settings, one), _size_um(settings, two)
    return math.log(a / b) if math.isfinite(a) and math.isfinite(b) else math.inf


def match_from_plain(kept: MethodResult) -> MatchResult:
    """The match that a kept result holds. Raises KeyError or ValueError when it is damaged."""
    data = kept.evidence
    where = data["mapping"]
    mapping = Laid(
        np.array(where["matrix"]), _pair_of(where["from_shape"]), _pair_of(where["to_shape"]),
        float(where["from_k"]), float(where["to_k"]),
    )  # fmt: skip
    rival = data["rival_worse_by"]  # infinite numbers are kept as None
    return MatchResult(
        scale_ratio=Quantity.from_json(data["scale_ratio"]),
        rotation=Quantity.from_json(data["rotation"]),
        residual=Quantity.from_json(data["residual"]),
        mapping=mapping,
        overlap_first=np.array(data["overlap_first"]),
        overlap_second=np.array(data["overlap_second"]),
        look=data["look"],
        correlation=float(data["correlation"]),
        places=np.array(data["places"]),
        rests=np.array(data["rests"]),
        evidence=float(data["evidence"]),
        rival_worse_by=math.inf if rival is None else float(rival),
        calibration_ratio=None,
        notes=tuple(kept.notes),
    )


def _pair_of(values: Sequence[int]) -> tuple[int, int]:
    return int(values[0]), int(values[1])


def same_chip_as_json(one: SameChip) -> dict[str, Any]:
    """As plain data; docs/json.md describes it."""
    return {
        "object": one.object, "reference": one.reference, "matched": list(one.routes),
        "unmatched": dict(one.unmatched),
        "pairs": [
            {
                "first": pair.first, "second": pair.second, "matched": pair.result is not None,
                "reason": pair.reason, "verdict": pair.verdict,
                "findings": {} if pair.result is None else {
                    key: finding.as_json() for key, finding in pair.result.findings().items()
                },
                "notes": [] if pair.result is None else list(pair.result.notes),
            }
            for pair in one.pairs
        ],
    }  # fmt: skip
