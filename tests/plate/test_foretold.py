"""A coarser photo of a chip is foretold from a finer one by measured responses and the match."""

from __future__ import annotations

from dataclasses import replace

from glassay.bench.chip.foretold import foretell
from glassay.bench.chip.plate import Wanted, make_plate
from tests.plate.conftest import PIXEL_UM, Shown


def test_the_coarser_camera_shows_what_was_foretold(shown: Shown) -> None:
    plate = make_plate(shown.results, [shown.chip], Wanted())
    (one,) = foretell(shown.results, shown.chip, plate)  # nobody photographed the blade by "eye"
    assert (one.source.instrument, one.capture.instrument) == ("near", "far")
    assert one.divided
    um = one.real.shape[1] * PIXEL_UM["far"]
    assert abs(um - plate.width_um.value) < 3 * PIXEL_UM["far"]
    assert one.agreement.correlation > 0.98
    low, high = one.agreement.findings()["detail_ratio"].quantity.interval
    assert low <= 1 <= high


def test_without_photos_of_edges_nothing_is_foretold(shown: Shown) -> None:
    plate = make_plate(shown.results, [shown.chip], Wanted())
    bare = [replace(one, parts=()) for one in shown.results.captures]
    assert foretell(replace(shown.results, captures=tuple(bare)), shown.chip, plate) == ()
