"""One drawn die, photographed and measured once for all tests."""

from __future__ import annotations

import pytest

from glassay.die import DieResult, measure_die
from glassay.quantity import Quantity
from tests.die.drawn import PIXEL_UM, grey, shot


@pytest.fixture(scope="session")
def measured() -> DieResult:
    """The drawn die with its bond wires, its pixel size known to 0.01 %."""
    size = Quantity.of(PIXEL_UM, 1e-4 * PIXEL_UM, "um/px", "certificate")
    return measure_die(grey(shot()), size)
