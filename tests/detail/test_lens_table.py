"""The transfer of a lens is looked up as a general library interpolates."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from glassay.detail import lens_table
from glassay.detail.lens_table import MOST_WAVES, looked_up
from glassay.optics.transfer import defocused_transfer


def test_what_is_looked_up_is_what_scipy_interpolates_to_the_last_bit() -> None:
    # scipy.ndimage.map_coordinates, order 1; "nearest" takes what lies beyond the table as its rim
    rng = np.random.default_rng(2)
    waves = rng.uniform(-0.2, MOST_WAVES + 0.2, (600, 1))
    waves[:3, 0] = 0.0, MOST_WAVES, MOST_WAVES / 2
    n = np.linspace(0, 1, 129) / rng.uniform(0.2, 2, (600, 1))
    table = lens_table._table()
    rows, columns = table.shape
    places = (
        np.broadcast_to(waves * (rows - 1) / MOST_WAVES, n.shape),
        np.minimum(n, 1) * (columns - 1),
    )
    expected = map_coordinates(table, np.stack(places), order=1, mode="nearest")
    assert np.array_equal(looked_up(n, waves), expected)


@pytest.mark.parametrize("waves", [0.0, 0.37, 1.5])
def test_the_table_is_the_transfer_of_a_lens(waves: float) -> None:
    n = np.linspace(0, 1.2, 200)
    found = looked_up(n[None], np.array([[waves]]))[0]
    assert found == pytest.approx(defocused_transfer(n, waves), abs=1e-3)
