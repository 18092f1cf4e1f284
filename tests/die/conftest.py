"""One drawn die, photographed and measured once for all tests."""

from __future__ import annotations

import pickle
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from glassay.bench.chip import die_pictures
from glassay.die import DieResult, measure_die
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity
from tests.die.drawn import PIXEL_UM, grey, shot
from tests.made_once import made_once


@pytest.fixture(scope="session")
def measured() -> DieResult:
    """The drawn die with its bond wires, its pixel size known to 0.01 %."""

    def make(folder: Path) -> None:
        size = Quantity.of(PIXEL_UM, 1e-4 * PIXEL_UM, "um/px", "certificate")
        (folder / "die.pickle").write_bytes(pickle.dumps(measure_die(grey(shot()), size)))

    found = pickle.loads((made_once("die", make) / "die.pickle").read_bytes())
    assert isinstance(found, DieResult)
    return found


_MEASURED: dict[tuple[object, ...], DieResult] = {}


@pytest.fixture
def each_picture_measured_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """For tests of what is done with dies: the same picture with the same facts is not measured again.

    What is told of a die is still worked out by each of them. Not for tests that hold two measurements
    against each other.
    """

    def once(grey: FloatImage, size: Quantity | None, **facts: Any) -> DieResult:
        told = None if size is None else (size.value, size.u, size.unit, _parts(size))
        key = (np.asarray(grey).tobytes(), grey.shape, told, repr(sorted(facts.items())))
        if key not in _MEASURED:
            _MEASURED[key] = measure_die(grey, size, **facts)
        return _MEASURED[key]

    monkeypatch.setattr(die_pictures, "measure_die", once)


def _parts(size: Quantity) -> tuple[tuple[str, float, str], ...]:
    return tuple((part.source, part.u, part.scope) for part in size.contributions)
