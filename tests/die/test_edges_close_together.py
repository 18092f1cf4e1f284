"""Two edges that melt into one along a side of a die: neither is taken for the cut with confidence."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from glassay.die.outline import Outline
from glassay.die.sides import fit_outline
from glassay.die.silhouette import find_silhouette
from glassay.distortion import Frame

DIE = (70.0, 60.0, 180.0, 130.0)


def outline(*boxes: tuple[tuple[float, float, float, float], float], ground: float) -> Outline:
    """Rectangles (left, top, width, height) of light on an even ground, drawn at four times the size,
    blurred by 1.1 px."""
    sheet = np.full((1000, 1280), ground, np.float32)
    for (x, y, w, h), light in boxes:
        sheet[round(4 * y) : round(4 * (y + h)), round(4 * x) : round(4 * (x + w))] = light
    seen = cv2.resize(
        cv2.GaussianBlur(sheet, (0, 0), 4.4), (320, 250), interpolation=cv2.INTER_AREA
    )
    grey = seen + np.random.default_rng(5).normal(0, 0.004, seen.shape).astype(np.float32)
    return fit_outline(grey.astype(np.float32), find_silhouette(grey), Frame.of(grey.shape))


def grown(by: float) -> tuple[float, float, float, float]:
    x, y, w, h = DIE
    return x - by, y - by, w + 2 * by, h + 2 * by


def test_an_edge_alone_is_told_closely() -> None:
    found = outline((DIE, 0.4), ground=0.05)
    assert found.width.value == pytest.approx(180.0, abs=0.3)
    assert found.width.u < 0.4
    assert not any("another edge" in note or "second edge" in note for note in found.notes)


def test_a_faint_street_beyond_a_bright_seal_ring_is_held() -> None:
    ring, inner = grown(-3.5), grown(-5.0)
    found = outline((DIE, 0.12), (ring, 0.9), (inner, 0.35), ground=0.05)
    for size, true in ((found.width, 180.0), (found.height, 130.0)):
        assert abs(size.value - true) < 2 * size.u
    assert any("a seal ring may have been taken" in note for note in found.notes)


@pytest.mark.parametrize("shade", [0.2, 0.52])
def test_a_shadow_some_px_wide_at_two_sides_is_held(shade: float) -> None:
    x, y, w, h = DIE
    found = outline(((x + 4.5, y + 4.5, w, h), shade), (DIE, 0.35), ground=0.8)
    for size, true in ((found.width, 180.0), (found.height, 130.0)):
        assert abs(size.value - true) < 2 * size.u
    assert any("a shadow or a reflection" in note for note in found.notes)
