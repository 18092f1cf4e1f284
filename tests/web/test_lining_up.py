"""Photos that are matched with one another are laid side by side on one piece of the chip."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from glassay.bench.chip.same_chip import Route, SameChip
from glassay.match.mapping import Mapping, similarity
from glassay.web.pages.compare import line_up
from glassay.web.plate import Panel, cut


def pane(name: str, width: int, height: int, pixel_um: float) -> dict[str, Any]:
    return {
        "id": name, "width": width, "height": height, "pixel_um": pixel_um,
        "centre": [(width - 1) / 2, (height - 1) / 2], "turn": 0.0,
    }  # fmt: skip


def two_of_one_chip(turn_deg: float) -> SameChip:
    """ "wide" shows at (400, 300) what "fine" shows at its middle, turned clockwise."""
    turned = similarity(0.25, turn_deg, (0.0, 0.0))
    middle = np.array([499.5, 399.5, 1.0])
    turned[:2, 2] = np.array([400.0, 300.0]) - (turned @ middle)[:2]
    mapping = Mapping(turned, (800, 1000), (600, 900))
    return SameChip("chip", "fine", (), {"fine": Route(), "wide": Route((mapping,))})


@pytest.mark.parametrize("turn_deg", [0.0, 12.0, -95.0])
def test_all_show_what_the_narrowest_shows_in_its_middle(turn_deg: float) -> None:
    panes = [pane("wide", 900, 600, 2.0), pane("fine", 1000, 800, 0.5)]
    assert line_up(panes, [two_of_one_chip(turn_deg)])
    wide, fine = panes
    assert fine["centre"] == [499.5, 399.5]
    assert fine["turn"] == 0.0
    assert wide["centre"] == pytest.approx([400.0, 300.0])
    assert wide["turn"] == pytest.approx(turn_deg)


def test_photos_that_are_not_matched_stay_where_they_were() -> None:
    panes = [pane("fine", 1000, 800, 0.5), pane("another", 900, 600, 2.0)]
    assert not line_up(panes, [two_of_one_chip(5.0)])
    assert panes[1]["centre"] == [449.5, 299.5]


@pytest.mark.parametrize("turn_deg", [30.0, -75.0])
def test_a_panel_of_the_plate_takes_the_turn_back(turn_deg: float) -> None:
    """A bar that the photo shows turned stands upright in the panel."""
    y, x = np.mgrid[:400, :400] - 199.5
    across = x * np.cos(np.radians(turn_deg)) + y * np.sin(np.radians(turn_deg))
    photo = np.where(np.abs(across) < 10, 255, 0).astype(np.uint8)
    panel = cut(Panel(photo, 1.0, (199.5, 199.5), "", "", turn_deg), 200.0, 200)[..., 0]
    assert panel[:, 98:102].min() > 250
    assert panel[:, :80].max() == 0
    assert panel[:, 120:].max() == 0
