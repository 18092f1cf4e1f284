"""Two rulings that run along each other: which one is the slide, no line tells."""

from __future__ import annotations

import numpy as np
import pytest

from glassay.errors import NotMeasurable
from glassay.scale import measure_scale
from glassay.scale.beside import agree
from tests.scale.drawn import Picture, photographed, pillow_scale

SLIDE = 25.0


Lengths = tuple[float, float, float]


def beside(period: float, apart: float = 150.0, lengths: Lengths = (3, 4.5, 6)) -> Picture:
    slide = pillow_scale(SLIDE, 0.6, ink=0.3, middle=(0, apart))
    other = pillow_scale(period, 0.6, lengths=lengths, middle=(0, -apart))
    return photographed(np.minimum(slide, other))


@pytest.mark.parametrize("period", [20.7, 34.25])
def test_an_eyepieces_reticle_over_a_slide_is_not_chosen_from(period: float) -> None:
    """The longer-merited row used to be told without a word, by 17 to 37 % wrong."""
    with pytest.raises(NotMeasurable, match=r"two rulings .* box"):
        measure_scale(beside(period))


@pytest.mark.parametrize("apart", [25.0, 35.0, 60.0])
def test_rulings_that_overlap_are_held_against_each_other(apart: float) -> None:
    with pytest.raises(NotMeasurable, match="two rulings"):
        measure_scale(beside(34.25, apart=apart))


def test_a_box_chooses() -> None:
    result = measure_scale(beside(34.25), box=(0, 380, 900, 160))
    assert result.division.value == pytest.approx(SLIDE, rel=1e-3)


@pytest.mark.parametrize("times", [1.0, 2.0, 2.5])
def test_rows_of_one_slide_agree(times: float) -> None:
    result = measure_scale(beside(SLIDE * times))
    assert min(abs(result.division.value / (SLIDE * n) - 1) for n in (1, times)) < 1e-3


def _beside_bars() -> Picture:
    scale = pillow_scale(SLIDE, 0.6, middle=(0, -120))
    bars = pillow_scale(41.0, 0.6, size=(900, 600), lines=range(-5, 6), lengths=(2, 2, 2),
                        middle=(0, 180))  # fmt: skip
    return photographed(np.minimum(scale, bars))


def test_a_plain_ruling_beside_a_scale_is_told_of() -> None:
    result = measure_scale(_beside_bars())
    assert result.division.value == pytest.approx(SLIDE, rel=1e-3)
    assert any("two rulings" in note for note in result.notes)


def test_what_agrees() -> None:
    assert all(agree(one, two) for one, two in ((10.0, 25.0), (10.0, 50.0), (100.0, 10.01)))
    assert not any(agree(10.0, other) for other in (13.7, 10.1))
