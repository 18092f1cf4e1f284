"""What a bench states of its photos' tone curve and of focus steps reaches the measurements."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from glassay.bench.document.model import Bench
from glassay.bench.document.read import load_bench
from glassay.bench.measuring.methods.contract import Method, Outcome
from glassay.bench.measuring.methods.detail import METHODS as DETAIL
from glassay.bench.measuring.methods.focus import METHODS as FOCUS
from glassay.errors import Unusable
from glassay.focus.curve import BY_HAND
from glassay.quantity import Quantity
from glassay.tone_doubt import SOURCE

EDGES = next(method for method in DETAIL if method.name == "edge response")

BENCH = """
[[object]]
id = "edge"
kind = "edge"
[[object]]
id = "run"
kind = "focus run"
[[instrument]]
id = "one"
kind = "compound"
{stated}
[[capture]]
file = "edge.png"
instrument = "one"
object = "edge"
[[capture]]
files = [{run}]
instrument = "one"
object = "run"
step = "2 um"
{steps}
"""


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A slanted edge between two shades, stored by a power law of 2.2, and the same through focus."""
    folder = tmp_path_factory.mktemp("bench")
    y, x = np.mgrid[0:200, 0:240]
    sharp = np.where(x - 120 > 0.12 * (y - 100), 0.6, 0.1).astype(np.float32)
    texture = np.random.default_rng(1).uniform(0.6, 1.0, (50, 60)).astype(np.float32)
    rough = sharp * cv2.resize(texture, (240, 200), interpolation=cv2.INTER_CUBIC)
    rng = np.random.default_rng(2)  # noise of its own in each: two of one blur would be copies
    for name, scene, blur in (
        ("edge", sharp, 1.2), *((f"z{n}", rough, 0.8 + 0.8 * abs(n - 4)) for n in range(9))
    ):  # fmt: skip
        light = cv2.GaussianBlur(scene, (0, 0), blur) + rng.normal(0, 0.002, sharp.shape)
        stored = np.rint(255 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8)
        cv2.imwrite(str(folder / f"{name}.png"), stored)
    return folder


def bench_with(folder: Path, stated: str = "", steps: str = "") -> Bench:
    run = ", ".join(f'"z{n}.png"' for n in range(9))
    (folder / "bench.toml").write_text(BENCH.format(stated=stated, run=run, steps=steps))
    return load_bench(folder)


def measured(bench: Bench, method: Method, capture: int) -> Outcome:
    one = bench.captures[capture]
    return method.measure([bench.folder / name for name in one.files], method.settings(bench, one))


def parts(quantity: Quantity) -> set[str]:
    return {part.source for part in quantity.contributions if part.u}


def test_a_stated_curve_leaves_no_doubt_of_tone_and_is_the_one_used(photos: Path) -> None:
    assumed = measured(bench_with(photos), EDGES, 0).findings["frequency_50"].quantity
    stated = bench_with(photos, "tone = 2.2")
    told = measured(stated, EDGES, 0).findings["frequency_50"].quantity
    linear = bench_with(photos, 'tone = "linear"')
    wrong = measured(linear, EDGES, 0).findings["frequency_50"].quantity
    assert SOURCE in parts(assumed)
    assert SOURCE not in parts(told)
    # a Gaussian blur of 1.2 px: exp(-2 (pi 1.2 f)^2) is one half there
    assert told.value == pytest.approx(0.1562, rel=0.01)
    assert abs(wrong.value - told.value) > 5 * told.u


def test_a_setting_through_an_eyepiece_has_a_curve_of_its_own(photos: Path) -> None:
    phone = 'tone = "linear"\n[[instrument.setting]]\nid = "phone"\nthrough_eyepiece = true'
    assert bench_with(photos, phone).instruments[0].settings[0].tone is None
    assert bench_with(photos, phone + "\ntone = 1.8").instruments[0].settings[0].tone == 1.8
    with pytest.raises(Unusable, match="srgb, linear or an exponent"):
        bench_with(photos, 'tone = "vivid"')


def test_steps_of_a_stage_are_not_taken_for_those_of_a_hand(photos: Path) -> None:
    hand = measured(bench_with(photos), FOCUS[0], 1).findings["best_focus"].quantity
    stage = bench_with(photos, steps="by_stage = true")
    even = measured(stage, FOCUS[0], 1).findings["best_focus"].quantity
    assert BY_HAND in parts(hand)
    assert BY_HAND not in parts(even)
    assert even.u < hand.u
    assert even.value == pytest.approx(8.0, abs=2 * even.expanded)
