"""The fit of bent lines against places that a lens of its own makes (no pictures)."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from glassay.scale.bent_ruling import Parts, fit_bent_ruling
from glassay.scale.ruling import fit_ruling

HALF = 1000.0
"""Half diagonal of the photo, px."""
DIVISION = 30.0

Array = npt.NDArray[Any]


def seen(
    rng: np.random.Generator, first: int, lines: int, k: float = 0.0, q: float = 0.0,
    axis: tuple[float, float] = (0.0, 0.0), lean: float = 0.0, fan: float = 0.0,
) -> tuple[Parts, npt.NDArray[np.int64]]:  # fmt: skip
    """Parts of upright lines `first`, `first` + 1, ... divisions from the photo's middle, as the lens
    r_d = r (1 + k r^2 + q k^2 r^4) about `axis` (px) shows them, placed to 0.05 px."""
    numbers = np.arange(first, first + lines)
    line, slab = (one.ravel() for one in np.meshgrid(numbers, np.arange(24), indexing="ij"))
    s, t = line * DIVISION, np.linspace(-450, 450, 24)[slab]
    s, t = (one / (1 - lean * s / HALF - fan * t / HALF) for one in (s, t))
    x, y = (s - axis[0]) / HALF, (t - axis[1]) / HALF
    square = x**2 + y**2
    grow = 1 + k * square + q * k**2 * square**2
    along, across = axis[0] + HALF * x * grow, axis[1] + HALF * y * grow
    along = along + rng.normal(0, 0.05, along.shape)
    return Parts(line, slab, along, across, np.full(along.shape, 0.05)), numbers


@pytest.mark.parametrize(
    ("k", "q", "axis", "lean"),
    [
        (0.2, 0.0, (0.0, 0.0), 0.0),
        (-0.12, 3.0, (20.0, -15.0), 0.0),
        (0.06, -1.0, (-25.0, 10.0), 0.02),
        (0.15, 2.0, (10.0, 10.0), -0.02),
    ],
)
def test_the_middle_is_told_by_lines_far_from_it(
    k: float, q: float, axis: tuple[float, float], lean: float
) -> None:
    parts, numbers = seen(np.random.default_rng(5), 10, 13, k, q, axis, lean)
    found = fit_bent_ruling(parts, numbers, (0.0, 0.0), HALF, None)
    assert found is not None
    assert abs(found.division - DIVISION) < 2 * found.error
    assert found.error < 0.02 * DIVISION
    assert abs(found.distortion - k) < 0.3 * abs(k) + 0.02
    # Places along the ruling alone are read as a tilt, or miss by more than they know of.
    places = np.array([parts.along[parts.numbers == one].mean() for one in numbers])
    square = np.array([(parts.across[parts.numbers == one] ** 2).mean() for one in numbers])
    alone = fit_ruling(numbers, places, np.full(len(numbers), 0.01), square, HALF)
    assert abs(found.division - DIVISION) < abs(alone.division - DIVISION)


def test_a_slide_seen_askew_is_no_distortion() -> None:
    parts, numbers = seen(np.random.default_rng(6), -15, 31, lean=0.03, fan=0.02)
    found = fit_bent_ruling(parts, numbers, (0.0, 0.0), HALF, None)
    assert found is not None
    assert found.division == pytest.approx(DIVISION, rel=2e-3)
    assert abs(found.distortion) < 0.005
    assert abs(found.keystone) == pytest.approx(0.06, rel=0.1)


def test_the_middle_is_the_photos_and_not_the_views() -> None:
    parts, numbers = seen(np.random.default_rng(7), -12, 25, 0.1)
    moved = Parts(parts.numbers, parts.slabs, parts.along - 40, parts.across + 70, parts.errors)
    found = fit_bent_ruling(moved, numbers, (-40.0, 70.0), HALF, None)
    assert found is not None
    assert abs(found.division - DIVISION) < 2 * found.error
    assert found.error < 1e-3 * DIVISION


def test_lines_that_are_ruled_beside_their_places_leave_more_doubt() -> None:
    rng = np.random.default_rng(8)
    parts, numbers = seen(rng, 8, 15, 0.1)
    off = rng.normal(0, 0.5, len(numbers))[parts.numbers - numbers[0]]
    uneven = Parts(parts.numbers, parts.slabs, parts.along + off, parts.across, parts.errors)
    even, worse = (fit_bent_ruling(one, numbers, (0.0, 0.0), HALF, None) for one in (parts, uneven))
    assert even is not None
    assert worse is not None
    assert worse.error > 1.5 * even.error
    assert abs(worse.division - DIVISION) < 2 * worse.error


def test_too_few_parts_say_nothing() -> None:
    parts, numbers = seen(np.random.default_rng(9), 0, 3)
    assert fit_bent_ruling(parts, numbers, (0.0, 0.0), HALF, None) is None


def test_parts_that_do_not_stand_in_the_order_of_their_lines_say_nothing() -> None:
    """In a photograph of something else they did not; it ended in an error of the solver."""
    parts, numbers = seen(np.random.default_rng(4), 10, 13)
    backwards = Parts(-parts.numbers, parts.slabs, parts.along, parts.across, parts.errors)
    assert fit_bent_ruling(backwards, np.sort(-numbers), (0.0, 0.0), HALF, None) is None
