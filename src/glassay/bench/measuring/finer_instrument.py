"""The response of settings that show a chip which a finer instrument of known response shows too.

Made after the matches, since it rests on them: each photo of a chip is compared with the finest one
that lies over it directly. The result joins those of the coarser photo's capture.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from glassay.bench.chip.same_chip import SameChip, Twosome
from glassay.bench.document.model import Capture
from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import BenchResults, CaptureResult, MethodResult, captures_in
from glassay.bench.keeping.store import Dependencies, Store
from glassay.bench.measuring.methods import METHODS
from glassay.bench.measuring.methods.match import BY_FINER
from glassay.bench.measuring.run import Progress, measure_asked

RESPONSE_DIGITS = 3
"""Digits of the finer response that count: one that moves in the fourth is no other response."""


@dataclass(frozen=True)
class _Comparison:
    """A photo to be compared with a finer one: what is asked, and of which capture."""

    coarse: Capture
    paths: tuple[Path, Path]
    needs: Dependencies


def compare_with_finer(
    results: BenchResults,
    matches: Sequence[SameChip],
    *,
    jobs: int | None = None,
    cluster: str | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
) -> dict[str, MethodResult]:
    """The responses by the id of the coarser capture; what was compared before is taken as kept."""
    store = Store(results.bench.results_folder)
    wanted = list(_comparisons(results, matches, store))
    found = {one.coarse.id: store.load(one.needs) for one in wanted}
    missing = [one for one in wanted if found[one.coarse.id] is None]
    if missing:
        progress(Progress(0, len(missing)))
        asked = [(one.coarse, one.paths, one.needs) for one in missing]
        made = measure_asked(store, asked, jobs=jobs, cluster=cluster, progress=progress)
        found |= {one.coarse.id: made[one.needs.key] for one in missing}
    return {id: one for id, one in found.items() if one is not None}


def kept_comparisons(results: BenchResults, matches: Sequence[SameChip]) -> dict[str, MethodResult]:
    """Those that are there already, making none."""
    store = Store(results.bench.results_folder)
    kept = {one.coarse.id: store.load(one.needs) for one in _comparisons(results, matches, store)}
    return {id: one for id, one in kept.items() if one is not None}


def comparison_keys(results: BenchResults, matches: Sequence[SameChip]) -> frozenset[str]:
    """Names of the kept comparisons that count now."""
    store = Store(results.bench.results_folder)
    return frozenset(one.needs.key for one in _comparisons(results, matches, store))


def joined(
    captures: Sequence[CaptureResult], found: Mapping[str, MethodResult]
) -> tuple[CaptureResult, ...]:
    """The captures with these results among their own, made aside from what they are for."""
    return tuple(
        replace(one, parts=(*one.parts, _aside(found[one.capture.id])))
        if one.capture.id in found else one
        for one in captures
    )  # fmt: skip


def _aside(part: MethodResult) -> MethodResult:
    status = "nothing found" if part.status == "refused" else part.status
    return replace(part, aside=True, status=status)


def _comparisons(
    results: BenchResults, matches: Sequence[SameChip], store: Store
) -> Iterator[_Comparison]:
    from glassay.detail.relative_response import LEAST_RATIO

    bench = results.bench
    known = {one.id: one for one in bench.captures}
    for chip in matches:
        done: set[str] = set()
        for pair in sorted(chip.pairs, key=_ratio, reverse=True):
            fine, coarse = known[pair.first], known[pair.second]
            response = _response_of(results, fine)
            if (
                pair.result is None or response is None or coarse.id in done
                or (fine.instrument, fine.setting) == (coarse.instrument, coarse.setting)
                or _ratio(pair) < LEAST_RATIO
            ):  # fmt: skip
                continue
            done.add(coarse.id)
            paths = bench.paths(fine)[0], bench.paths(coarse)[0]
            mapping = pair.result.mapping
            asked = {
                "ratio": _ratio(pair), "finer": response,
                "mapping": {
                    "matrix": mapping.matrix.tolist(), "from_shape": list(mapping.from_shape),
                    "to_shape": list(mapping.to_shape), "from_k": mapping.from_k,
                    "to_k": mapping.to_k,
                },
            }  # fmt: skip
            needs = Dependencies(
                store.contents(paths), BY_FINER, METHODS[BY_FINER].version, to_plain(asked)
            )
            yield _Comparison(coarse, paths, needs)


def _ratio(pair: Twosome) -> float:
    return 0.0 if pair.result is None else pair.result.scale_ratio.value


def _response_of(results: BenchResults, capture: Capture) -> dict[str, Any] | None:
    """The best known response in the setting of a capture, in pictures of its size; None without."""
    here = captures_in(capture.instrument, capture.setting, results.captures)
    mine = next((one for one in here if one.capture.id == capture.id), None)
    size = None if mine is None else (mine.facts.get("width"), mine.facts.get("height"))
    best: tuple[float, Mapping[str, Any]] | None = None
    for one in here:
        if size is None or (one.facts.get("width"), one.facts.get("height")) != size:
            continue
        for part in one.parts:
            told = [part.findings[key].quantity for key in LEVELS if key in part.findings]
            if part.method == BY_FINER or not told or not set(part.evidence) >= _CURVE:
                continue
            relative = max(one.relative for one in told)
            if best is None or relative < best[0]:
                best = relative, part.evidence
    if best is None:
        return None
    relative, curve = best
    return {
        "relative_u": float(f"{relative:.{RESPONSE_DIGITS}g}"),
        **{
            key: [float(f"{value:.{RESPONSE_DIGITS}g}") for value in curve[key]]
            for key in sorted(_CURVE)
        },
    }


LEVELS = ("frequency_50", "frequency_10")
_CURVE = {"frequency", "modulation"}
