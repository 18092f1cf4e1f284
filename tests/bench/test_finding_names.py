"""Findings in words: every key has a name, and values come in units that people use."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from glassay.bench.measuring.methods import METHODS
from glassay.bench.saying.finding_names import OF_NO_METHOD, name_of, shown
from glassay.finding import Finding
from glassay.quantity import Quantity

ROOT = Path(__file__).parents[2]


def documented() -> list[str]:
    """Keys of the single-photo commands, as docs/json.md lists them."""
    text = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    text = text.split("`--json`", 1)[1].split("## `glassay chain", 1)[0]
    return sorted(set(re.findall(r"`([a-z]+(?:_[a-z0-9]+)+)`", text)) - {"_object"})


def test_every_documented_key_has_a_name() -> None:
    keys = documented()
    assert {"frequency_50", "frc_reaches_nyquist", "edge_width_10_90"} & set(keys)
    assert len(keys) > 60
    named = {*OF_NO_METHOD, *(key for one in METHODS.values() for key in one.names)}
    nameless = [key for key in keys if key.removesuffix("_object") not in named]
    assert nameless == []


@pytest.mark.parametrize(
    ("key", "name"),
    [("frequency_50", "50 % modulation"), ("frequency_10", "10 % modulation"),
     ("frequency_50_object", "50 % modulation, on the object"),
     ("lateral_red_corner_tangential", "red against green in the corners, sideways")],
)  # fmt: skip
def test_names_are_words(key: str, name: str) -> None:
    assert name_of(key) == name


def test_no_name_is_a_key() -> None:
    names = [*OF_NO_METHOD.values(), *(n for one in METHODS.values() for n in one.names.values())]
    assert [name for name in names if "_" in name or "mtf" in name.lower()] == []


def test_ratios_of_noise_are_in_decibels_and_shares_in_per_cent() -> None:
    # 20 log10 of 100 is 40 dB; 1 % of it is 0.0869 dB.
    noise = shown("snr_grey", Finding(Quantity.of(100, 1, "1"), "noise")).value
    assert isinstance(noise, Quantity)
    assert (noise.value, noise.unit) == (pytest.approx(40), "dB")
    assert noise.u == pytest.approx(0.0869, rel=0.01)
    share = shown("overshoot", Finding(Quantity.of(0.08, 0.01, "1"), "edge")).value
    assert isinstance(share, Quantity)
    assert (share.value, share.u, share.unit) == (pytest.approx(8), pytest.approx(1), "%")


def test_a_frequency_that_no_pixels_carry_is_not_printed_as_a_number() -> None:
    beyond = shown("frequency_10", Finding(Quantity.of(0.91, 0.05, "cycles/px"), "edge"))
    assert beyond.value == "beyond Nyquist (0.5 cycles/px)"
    assert isinstance(
        shown("frequency_10", Finding(Quantity.of(0.41, 0.05, "cycles/px"), "edge")).value, Quantity
    )


def test_facts_are_told_as_yes_and_no() -> None:
    assert shown("truncated", Finding(True, "clip")) == ("recording is cut off", "yes")
    assert shown("codec", Finding("mjpeg", "clip")) == ("codec", "mjpeg")
