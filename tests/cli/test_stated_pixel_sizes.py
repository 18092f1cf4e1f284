"""What a stated pixel size is worth: half of the last digit that was written, whatever the command."""

from __future__ import annotations

import pytest

from glassay.cli.calibration import pixel_sizes_um
from glassay.errors import Unusable
from glassay.quantity import combine


def test_it_is_known_to_half_its_last_digit_as_a_rectangle() -> None:
    # JCGM 100:2008, 4.3.7: half-width a of a rectangular distribution gives u = a / sqrt(3).
    for text, value, half in (("0.3um", 0.3, 0.05), ("0.3000um", 0.3, 5e-5), ("1.2mm", 1200, 50)):
        (size,) = pixel_sizes_um([text], None, None, [])
        assert size is not None
        assert size.value == pytest.approx(value)
        assert size.u == pytest.approx(half / 3**0.5)


def test_stated_once_it_is_one_unknown_in_all_photos_and_stated_for_each_it_is_several() -> None:
    one, same = pixel_sizes_um(["0.3um"], None, None, [], 2)
    assert one is not None
    assert same is not None
    assert combine(lambda a, b: a / b, (one, same), "1").u == 0
    one, other = pixel_sizes_um(["0.3um", "0.3um"], None, None, [], 2)
    assert one is not None
    assert other is not None
    assert combine(lambda a, b: a / b, (one, other), "1").u > 0.1


def test_zero_is_refused() -> None:
    with pytest.raises(Unusable, match="more than zero"):
        pixel_sizes_um(["0.0um"], None, None, [])
