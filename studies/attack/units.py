"""Lengths that make no sense, or not for a photo: refused, and for the right reason."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np

from studies.attack.case import CRASH, LOST, REFUSED, RIGHT, WRONG, Kind, Outcome, ask
from studies.attack.drawing import canvas, exposed, saved
from studies.attack.scale import ruling

NONSENSE = ("10 px", "0.01 Mm", "10 ly", "500 %", "10", "ten um", "-10 um", "0 um", "nan um", "inf um",
            "1e400 um", "10 s", "10 um^2", "10 kg", "10 um/px", "", " ", "10 um um", "1e-30 um",
            "10 Gm", "10 km", "10 deg", "10 dots", "1/0 um", "10 pc", "10 au", "3 x 10 um", "10 um,",
            "0,01 mm", "1.000,5 um", "10 UM", "10 MM", "__import__('os') um", "10 um; ls")  # fmt: skip
COMMA = ("0,01 mm", "1.000,5 um")
GOOD = {"10 um": 10, "10um": 10, "10 µm": 10, "10 μm": 10, "0.01 mm": 10, "1e-5 m": 10, "0.001 cm": 10,
        "10000 nm": 10, "0.1mm": 100, "0.001 in": 25.4}  # fmt: skip
"""Lengths in um; the inch is 25.4 mm by definition (ISO 80000-3 lists it so, from memory)."""


def photo(rng: np.random.Generator, folder: Path) -> Path:
    sheet = canvas(400, 300)
    ruling(sheet, rng, 12.0, 2.6)
    return saved(exposed(sheet, rng), folder / "p", None)


def nonsense(rng: np.random.Generator, folder: Path, *, text: str) -> Outcome:
    answer = ask("scale", photo(rng, folder), f"--division={text}")
    if answer.status == 1:
        return Outcome(CRASH, f"{text!r}: {answer.err[-120:]}")
    if answer.measured:
        told = f"{answer.value('pixel_size'):.4g} um/px"
        return Outcome(WRONG, f"--division {text!r} is taken, told {told}")
    if text in COMMA and "comma" not in answer.reason and "point" not in answer.reason:
        return Outcome(WRONG, f"--division {text!r}: the comma is not named: {answer.reason[:90]}")
    return Outcome(REFUSED, answer.reason[:120])


def good(rng: np.random.Generator, folder: Path, *, text: str, um: float) -> Outcome:
    answer = ask("scale", photo(rng, folder), f"--division={text}")
    if answer.status == 1:
        return Outcome(CRASH, f"{text!r}: {answer.err[-120:]}")
    if not answer.measured:
        return Outcome(LOST, f"--division {text!r}: {answer.reason[:120]}")
    right = abs(answer.value("pixel_size") / (um / 12.0) - 1) < 0.004
    return Outcome(RIGHT if right else WRONG, f"{text!r}: {answer.value('pixel_size'):.5g}")


def field_of_a_kind(rng: np.random.Generator, folder: Path, *, command: str, option: str,
                    text: str) -> Outcome:  # fmt: skip
    """Other options that carry a length or a number, with nonsense."""
    answer = ask(command, photo(rng, folder), f"{option}={text}")
    if answer.status == 1:
        return Outcome(CRASH, f"{command} {option} {text!r}: {answer.err[-120:]}")
    taken = answer.measured or answer.status == 3
    return Outcome(
        WRONG if taken else REFUSED, f"{command} {option} {text!r}: {answer.reason[:90]}"
    )


OTHERS = [
    ("edge", "--pixel-size", "10 px"), ("edge", "--pixel-size", "0 um"),
    ("edge", "--pixel-size", "-1 um"),
    ("edge", "--pixel-size", "500 %"), ("edge", "--pixel-size", "1 ly"), ("edge", "--tone", "nan"),
    ("edge", "--tone", "-2"), ("scale", "--box", "0,0,0,0"), ("scale", "--box", "-5,-5,50,50"),
    ("scale", "--box", "1e9,0,5,5"), ("scale", "--box", "300,200,999,999"),
    ("bars", "--contrast", "nan"),
    ("bars", "--contrast", "-20%"), ("bars", "--tolerance", "inf"), ("bars", "--tolerance", "-1%"),
    ("array", "--pixel-size", "3 Mm"), ("array", "--pixel-size", "nan um"), ("noise", "--grey", "nan"),
    ("noise", "--grey", "-50%"), ("focus", "--frequency", "nan"),
]  # fmt: skip

KINDS: dict[str, Kind] = {
    **{f"nonsense length: {text!r}": (1, partial(nonsense, text=text)) for text in NONSENSE},
    **{f"good length: {text!r}": (1, partial(good, text=text, um=um)) for text, um in GOOD.items()},
    **{f"nonsense option: {command} {option} {text}": (
        1, partial(field_of_a_kind, command=command, option=option,
                                                 text=text))
       for command, option, text in OTHERS},
}  # fmt: skip
