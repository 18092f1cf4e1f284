"""The demo's finest lines without its bar target and its razor blade: what slide and chip alone tell.

The truth is the response before colour interpolation, denoising and compression, cut at the pixels'
own limit.
"""

from __future__ import annotations

import re
import tempfile
import tomllib
from pathlib import Path

import numpy as np
from demo.build import build
from demo.shots import SHOTS, Shot

from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import run_bench
from glassay.bench.measuring.resolved import finest_in
from studies._tenth import tenth_of

CLOSE = {
    "binocular": "zoom-3.9-2.3x", "school": "objective-10", "table": "near", "grand": "near",
    "wand": "near", "boom": "zoom-3.6",
}  # fmt: skip
TARGET = 0.10


def report(quick: bool = False) -> str:
    """The study as a printed table; `quick` takes two instruments."""
    close = dict(list(CLOSE.items())[:2]) if quick else CLOSE
    shots = [
        one
        for one in SHOTS
        if close.get(one.instrument) == one.setting and one.thing in ("slide-fine", "chip")
    ]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "bench"
        build(folder, shots=shots, films=(), stacks=())
        _leave_out_what_is_missing(folder)
        results = run_bench(load_bench(folder))
    lines = [
        "The demo's finest lines from slides and chips alone (no bars, no blade)",
        f"  {'':<10} {'um':>6} {'U':>6} {'truth':>6}   by",
    ]
    widest = 0.0
    for one in results.settings:
        if close.get(one.instrument.id) != one.setting.id:
            continue
        found = finest_in(one, results.captures)
        if found is None or found.is_bound:
            lines.append(f"  {one.instrument.id:<10} is not told")
            widest = float("inf")
            continue
        line = found.line
        share = line.expanded / line.value
        widest = max(widest, share)
        shot = next(s for s in shots if s.instrument == one.instrument.id)
        lines.append(f"  {one.instrument.id:<10} {line.value:6.3f} {share:6.1%} {_truth(shot):6.3f}"
                     f"   {found.how}")  # fmt: skip
    lines.append(f"  widest U {widest:.1%}   target {TARGET:.0%} for all")
    return "\n".join(lines)


def _leave_out_what_is_missing(folder: Path) -> None:
    path = folder / "bench.toml"
    head, *captures = path.read_text(encoding="utf-8").split("[[capture]]")
    head = re.sub(r"\[\[instrument\.teardown\]\].*?(?=\n\[)", "", head, flags=re.DOTALL)
    kept = []
    for text in captures:
        one = tomllib.loads("[[capture]]" + text)["capture"][0]
        files = [one["file"]] if "file" in one else one["files"]
        if all((folder / file).is_file() for file in files):
            kept.append("[[capture]]" + text)
    path.write_text(head + "".join(kept), encoding="utf-8")


def _truth(shot: Shot) -> float:
    truth = shot.truth()
    f = np.linspace(0, 1.2, 4801)
    return truth.pixel_size_um / (2 * tenth_of(f, truth.mtf(f, 22.0)))
