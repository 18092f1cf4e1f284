"""Making and keeping the matches of a bench's chips; see `glassay.bench.chip.same_chip`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from glassay.bench.chip.same_chip import Pair, SameChip, chip_groups, link, match_settings
from glassay.bench.document.model import Bench
from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import BenchResults, MethodResult, SettingResult
from glassay.bench.keeping.store import Dependencies, Store
from glassay.bench.measuring.methods import METHODS
from glassay.bench.measuring.methods.match import NAME
from glassay.bench.measuring.run import Progress, measure_asked, stored_captures
from glassay.bench.measuring.settings import settle


def match_chips(
    results: BenchResults,
    *,
    jobs: int | None = None,
    cluster: str | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
) -> tuple[SameChip, ...]:
    """Match the captures of each chip; what was matched before is taken from the kept results.

    Raises `Unusable` when results cannot be written or a capture cannot be read.
    """
    bench, settings = results.bench, results.settings
    store = Store(bench.results_folder)

    def look_up(pairs: Sequence[Pair]) -> list[MethodResult | None]:
        needed = [_dependencies(bench, settings, store, pair) for pair in pairs]
        found = {needs.key: store.load(needs) for needs in needed}
        missing = [
            (pair[1], _paths(bench, pair), needs)
            for pair, needs in zip(pairs, needed, strict=True)
            if found[needs.key] is None
        ]
        if missing:
            progress(Progress(0, len(missing)))
            found |= measure_asked(store, missing, jobs=jobs, cluster=cluster, progress=progress)
            store.remember_contents()
        return [found[needs.key] for needs in needed]

    return tuple(link(name, shown, settings, look_up) for name, shown in chip_groups(bench))


def kept_matches(results: BenchResults) -> tuple[SameChip, ...]:
    """The matches that are there already, making none."""
    bench, settings = results.bench, results.settings
    store = Store(bench.results_folder)

    def look_up(pairs: Sequence[Pair]) -> list[MethodResult | None]:
        return [store.load(_dependencies(bench, settings, store, pair)) for pair in pairs]

    return tuple(link(name, shown, settings, look_up) for name, shown in chip_groups(bench))


def match_keys(bench: Bench) -> frozenset[str]:
    """Names of the kept matches that count now."""
    settings = settle(bench, stored_captures(bench))
    store = Store(bench.results_folder)
    found: set[str] = set()

    def look_up(pairs: Sequence[Pair]) -> list[MethodResult | None]:
        needed = [_dependencies(bench, settings, store, pair) for pair in pairs]
        found.update(needs.key for needs in needed)
        return [store.load(needs) for needs in needed]

    for name, shown in chip_groups(bench):
        link(name, shown, settings, look_up)
    return frozenset(found)


def _paths(bench: Bench, pair: Pair) -> tuple[Path, ...]:
    return tuple(bench.paths(capture)[0] for capture in pair)


def _dependencies(
    bench: Bench, settings: Sequence[SettingResult], store: Store, pair: Pair
) -> Dependencies:
    return Dependencies(
        store.contents(_paths(bench, pair)), NAME, METHODS[NAME].version,
        to_plain(match_settings(settings, pair)),
    )  # fmt: skip
