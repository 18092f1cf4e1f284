"""Whether the ends of an instrument's range were photographed: its widest and its closest setting.

A claim about an end ("7x to 90x", a field of 28 mm) is missed only where that very end was shown to
miss it; that another setting misses it says nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from glassay.bench.document.model import Claim, Instrument, Setting
from glassay.bench.keeping.results import SettingResult

End = Literal["widest", "closest"]

SAME_FACTOR = 0.001
"""Relative difference below which two stated factors are one position of the zoom."""


@dataclass(frozen=True)
class Missing:
    """An end that no photo shows. `setting` is the listed setting to photograph; None where none is
    listed that reaches it, and then `where` says in words how to set the instrument."""

    setting: Setting | None
    where: str


def end_of(claim: Claim) -> End | None:
    """The end of the range that a claim is about; None for claims that name their setting, and for
    those about no end."""
    if claim.setting is not None or claim.sense == "equal":
        return None
    if claim.kind in ("field width", "field height", "field diameter"):
        return "widest" if claim.sense == "at least" else "closest"
    if claim.kind == "magnification":
        return "widest" if claim.sense == "at most" else "closest"
    if claim.kind == "pixel size":
        return "closest" if claim.sense == "at most" else "widest"
    return None


def missing_end(
    instrument: Instrument, settings: Sequence[SettingResult], end: End
) -> Missing | None:
    """What is missing to know this end of the instrument; None when it was photographed.

    By stated factors (objective or zoom, auxiliary lens, tube): a photographed setting must stand at
    the lowest or the highest that the chain or any setting states. Settings without stated factors
    must all have been photographed. An instrument whose range is nowhere stated has the range of its
    settings.
    """
    shown = {one.setting.id for one in settings if one.seen_width is not None}
    sign = 1.0 if end == "closest" else -1.0
    outer, inner = (max, min) if end == "closest" else (min, max)
    listed = [(setting, setting.chain.to_eyepiece) for setting in instrument.settings]
    unknown = [setting for setting, factors in listed if factors is None]
    for setting in unknown:
        if setting.id not in shown:
            return Missing(setting, f"in setting {setting.title}")
    known = [(setting, factors) for setting, factors in listed if factors is not None]
    whole = instrument.chain.to_eyepiece
    stated = [outer(factors) for _, factors in known] + ([outer(whole)] if whole else [])
    if not stated or (unknown and not known):
        return None
    # A setting that may stand anywhere in a range is only sure to reach its inner end.
    sure = [inner(factors) for setting, factors in known if setting.id in shown]
    reach = outer(stated)
    if sure and sign * (reach - outer(sure)) <= SAME_FACTOR * reach:
        return None
    for setting, factors in known:
        if setting.id not in shown and abs(inner(factors) - reach) <= SAME_FACTOR * reach:
            return Missing(setting, f"in setting {setting.title}")
    first = _first_factor(instrument, end)
    return Missing(None, f"at its {'highest' if end == 'closest' else 'lowest'}{first}")


def _first_factor(instrument: Instrument, end: End) -> str:
    if instrument.chain.zoom is None:
        return " magnification"
    return f" zoom, {instrument.chain.zoom[1 if end == 'closest' else 0]:g}x"


def stated_magnification(instrument: Instrument, end: End) -> float | None:
    """The visual magnification to which the stated factors multiply at this end."""
    chains = [instrument.chain, *(setting.chain for setting in instrument.settings)]
    pick, index = (max, 1) if end == "closest" else (min, 0)
    stated = [chain.to_eye[index] for chain in chains if chain.to_eye is not None]
    return pick(stated) if stated else None
