"""Claims with the digits that sellers print: judged by the interval that rounds to them."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np

from studies.attack.case import CRASH, LOST, REFUSED, RIGHT, WRONG, Kind, Outcome, say
from studies.attack.drawing import saved
from studies.attack.filing import CAPTURE, CLAIM, HEAD, slide

Rng = np.random.Generator
STEP = {0: 1.0, 1: 0.1, 2: 0.01}


def rounding(rng: Rng, folder: Path, *, kind: str, digits: int, kept: bool) -> Outcome:
    """A truth inside the rounding interval keeps the claim, one far beyond misses it."""
    period = float(rng.uniform(8, 16))
    px = 10 / period
    true = {"field width": 640 * px / 1000, "field height": 480 * px / 1000, "pixel size": px}[kind]
    sense = 1 if kind.startswith("field") else -1  # a field is at least, a pixel at most so large
    # Digits counted so that the last stands for 10 % or more, like "1.3 mm" and "5 mm".
    step = 10.0 ** (np.floor(np.log10(true)) - digits)
    claimed = round((true / step) + (0.0 if kept else 2.0 * sense)) * step
    if claimed <= 0:
        claimed = step
    unit = "um" if kind == "pixel size" else "mm"
    places = max(0, -round(float(np.log10(step))))
    value = f"{claimed:.{places}f} {unit}"
    off = sense * (claimed - true)
    if kept and abs(off) > 0.42 * step:  # so near the interval's end that U may leave it open
        value_kept = None
    elif off <= 0.5 * step:
        value_kept = True
    else:
        value_kept = False
    (folder / "captures").mkdir()
    text = HEAD.format(division="10 um", more="", objective=3.45 / px)
    text += CLAIM.format(id="claim", kind=kind, value=value)
    path = saved(slide(rng, period), folder / "captures" / "a", 95)
    text += CAPTURE.format(file=path.name, object="slide", more="")
    (folder / "bench.toml").write_text(text)
    answer = say("run", folder, "--json", "--jobs", 1)
    if answer.status == 1 or "verdicts" not in answer.data:
        return Outcome(CRASH if answer.status == 1 else LOST, answer.reason[:140])
    said = answer.data["verdicts"][0]["verdict"]
    says = f"{kind} {value!r}, truth {true:.5g} {unit}: {said}"
    if said in ("met", "not met"):
        if value_kept is None:
            return Outcome(RIGHT, says)
        return Outcome(RIGHT if (said == "met") == value_kept else WRONG, says)
    return Outcome(LOST if value_kept is not None and digits < 2 else REFUSED, says)


KINDS: dict[str, Kind] = {
    f"{kind}, {digits + 1} digits, {'rounds to it' if kept else 'beyond'}": (
        4, partial(rounding, kind=kind, digits=digits, kept=kept))
    for kind in ("field width", "field height", "pixel size")
    for digits in (0, 1)
    for kept in (True, False)
}  # fmt: skip
