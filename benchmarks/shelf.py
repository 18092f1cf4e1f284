"""The shelf: how long searches over 10,000 chips take, and bringing its index up to date."""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np

from glassay.bench.document.read import load_bench
from glassay.bench.shelf import kept_dies
from glassay.bench.shelf.index import build, open_index
from glassay.bench.shelf.search import Query, search

T = TypeVar("T")

BENCHES, CHIPS = 500, 20
TARGET_MS = 100.0
"""What a person does not notice."""

SYLLABLES = ("ka", "lo", "mi", "ten", "ru", "sor", "vel", "an", "ip", "or", "quay", "pier")
KINDS = ("memory", "logic", "analog", "drawing", "unknown")

QUERIES = {
    "one word": Query("pier"),
    "two words, in notes": Query("kalo miten"),
    "marking and size": Query(within={"marking": "quay"}, size_um=(1000, 2000)),
    "finest line and region": Query(finest_um=(0.5, 0.8), region="memory"),
    "maker, package, instrument": Query(
        within={"maker": "so", "package": "di", "instruments": "sc"}
    ),
    "everything": Query(),
    "nothing of it": Query("zzz"),
}


def report() -> str:
    """Times of searches and of bringing the index up to date."""
    with tempfile.TemporaryDirectory(prefix="glassay-") as name:
        folder = Path(name)
        _make(folder)
        index = open_index(folder / "shelf.sqlite")
        first, _ = _timed(lambda: build(index, [folder]))
        nothing, _ = _timed(lambda: build(index, [folder]))
        notes = folder / "bench-7" / "dies" / "chip-3.toml"
        notes.write_text('[[marking]]\ntext = "CHANGED"\n', encoding="utf-8")
        one, built = _timed(lambda: build(index, [folder]))
        assert built.read == 1 and built.chips == BENCHES * CHIPS  # noqa: PT018
        lines = [
            f"shelf of {BENCHES * CHIPS} chips in {BENCHES} benches: built in {first:.1f} s, unchanged"
            f" {nothing:.2f} s, one bench changed {one:.2f} s"
        ]  # fmt: skip
        for words, query in QUERIES.items():
            times = [_timed(lambda query=query: search(index, query)) for _ in range(7)]
            taken = sorted(t * 1000 for t, _ in times)
            lines.append(
                f"  {words:<28} {len(times[0][1]):>5} found, median {taken[3]:6.1f} ms, slowest of 7"
                f" {taken[-1]:6.1f} ms{'' if taken[-1] < TARGET_MS else '  (target missed)'}"
            )
        index.close()
    return "\n".join(lines)


def _timed(work: Callable[[], T]) -> tuple[float, T]:
    start = time.perf_counter()
    out = work()
    return time.perf_counter() - start, out


def _make(folder: Path) -> None:
    rng = np.random.default_rng(5)

    def word(syllables: int = 2) -> str:
        return "".join(rng.choice(SYLLABLES, syllables))

    for number in range(BENCHES):
        bench = folder / f"bench-{number}"
        for part in ("captures", "dies", "results/dies"):
            (bench / part).mkdir(parents=True)
        text = f'[bench]\ntitle = "{word()}"\n[[instrument]]\nid = "scope"\nkind = "other"\n'
        for chip in range(CHIPS):
            text += f'[[object]]\nid = "chip-{chip}"\nkind = "chip"\nname = "{word(3)}"\n'
            about = f'[about]\nmaker = "{word()}"\npackage = "di{chip}"\nnote = "' + " ".join(
                word() for _ in range(40)) + '"\n'  # fmt: skip
            about += f'[[marking]]\ntext = "{word()} {int(rng.integers(1000))}"\n'
            for kind in rng.choice(KINDS, 3):
                about += f'[[region]]\nkind = "{kind}"\nbox = [1, 1, 100, 100]\n'
            (bench / "dies" / f"chip-{chip}.toml").write_text(about, encoding="utf-8")
        (bench / "bench.toml").write_text(text, encoding="utf-8")
        (bench / "results" / "results.json").write_text("{}", encoding="utf-8")
        loaded = load_bench(bench)
        for chip in range(CHIPS):
            width, line = float(rng.uniform(300, 9000)), float(rng.uniform(0.3, 8))
            record = {
                "key": kept_dies._key(loaded, f"chip-{chip}"),
                "findings": {"width": _um(width), "height": _um(0.7 * width), "finest_line": _um(line)},
            }  # fmt: skip
            path = kept_dies.kept_path(loaded, f"chip-{chip}")
            path.write_text(json.dumps(record), encoding="utf-8")


def _um(value: float) -> dict[str, object]:
    return {"value": value, "u": value / 1000, "unit": "um", "method": "drawn"}
