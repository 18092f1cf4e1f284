"""What findings are called, and in which unit they are shown, wherever people read them.

Their keys are for scripts and stay what they are. Each method brings the words for its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from glassay.bench.keeping.results import NATIVE_PIXEL, CaptureResult, SettingResult
from glassay.bench.measuring.methods import METHODS
from glassay.bench.measuring.native_pixels import size_of
from glassay.finding import Finding
from glassay.optics.limits import NYQUIST
from glassay.quantity import Quantity

OF_NO_METHOD = {
    "binding": "what limits it",
    NATIVE_PIXEL: "native pixel size",
    "depth_range": "range of depth",
    "in_focus_share": "share of the picture that is in focus somewhere",
    "magnification_change": "change of magnification while focusing",
    "tiles_placed": "views placed",
    "tiles_left_out": "views left out",
    "loop_closure": "disagreement around loops",
    # dies
    "pads": "bond pads",
    "pad_pitch": "pitch of the bond pads",
    "finest_line": "finest line of the drawing",
    "finest_space": "finest space of the drawing",
    "finest_pitch": "finest repeated pitch of the drawing",
    "finest_line_limit": "width below which no line could be measured",
    "finest_space_limit": "width below which no space could be measured",
    "finest_pitch_limit": "pitch below which none could be told",
}
"""Names of what is found by no method of a bench: put together, or by a command of its own."""


OF_FILES = ("pixel_size", "pixel_size_x", "pixel_size_y")
"""Findings that count px as the files store them."""

IN_ENLARGED_FILES = " in enlarged files"

ON_OBJECT = "_object"


class Shown(NamedTuple):
    """A finding in words: its name, and its value in a unit that people use."""

    name: str
    value: Quantity | str


def name_of(key: str) -> str:
    """What a finding is called; the key with spaces for one that has no name of its own."""
    for names in (OF_NO_METHOD, *(one.names for one in METHODS.values())):
        if key in names:
            return names[key]
    if key.endswith(ON_OBJECT):
        return f"{name_of(key.removesuffix(ON_OBJECT))}, on the object"
    return key.replace("_", " ")


def shown_of_setting(one: SettingResult) -> list[tuple[str, str, Quantity]]:
    """A setting's findings: key, name and value. The pixels of enlarged files are called so."""
    beside = IN_ENLARGED_FILES if NATIVE_PIXEL in one.findings else ""
    return [
        (key, name_of(key) + (beside if key in OF_FILES else ""), finding.quantity)
        for key, finding in one.findings.items()
    ]


def shown_of_capture(
    one: CaptureResult, settings: Sequence[SettingResult], found: Mapping[str, Finding]
) -> list[Shown]:
    """Of a capture's findings, those that are `found`. `settings` are those of the bench: they know
    whether the files of this size are enlarged, whose pixels are then called so."""
    is_enlarged = any(
        NATIVE_PIXEL in other.findings
        and other.instrument.id == one.capture.instrument
        and other.picture == size_of(one)
        for other in settings
    )
    told = [(key, shown(key, finding)) for key, finding in found.items()]
    return [
        Shown(each.name + IN_ENLARGED_FILES, each.value)
        if is_enlarged and key in OF_FILES else each
        for key, each in told
    ]  # fmt: skip


def is_share(key: str) -> bool:
    """Whether a finding is kept as a share of one, and shown in per cent."""
    return any(key in one.shares for one in METHODS.values())


def shown(key: str, finding: Finding) -> Shown:
    """A finding as a page, a print or the workbench states it."""
    value = finding.value
    if isinstance(value, bool):
        return Shown(name_of(key), "yes" if value else "no")
    if not isinstance(value, Quantity):
        return Shown(name_of(key), str(value))
    if key.startswith("frequency_") and value.unit == "cycles/px" and value.value > NYQUIST:
        return Shown(name_of(key), "beyond Nyquist (0.5 cycles/px)")
    if key == "snr_grey" and value.value > 0:
        return Shown(name_of(key), in_decibels(value))
    return Shown(name_of(key), value.scaled(100, "%") if is_share(key) else value)


def in_decibels(ratio: Quantity) -> Quantity:
    """A ratio of amplitudes in dB, 20 times its logarithm."""
    slope = 20 / math.log(10) / ratio.value
    return Quantity(20 * math.log10(ratio.value), "dB", ratio.scaled(slope, "dB").contributions)
