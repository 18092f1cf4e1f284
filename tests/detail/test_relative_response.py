"""The response of an instrument from the same chip through a finer one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from studies._stored import tables_of

from glassay.detail.relative_response import absolute_response, relative_response
from glassay.errors import NotMeasurable
from glassay.imaging import srgb_to_linear
from glassay.imaging.compression import light_step, quantization_step
from glassay.simulate import Camera, Capture, Die, Optics, Pose, capture

WAVELENGTH_UM = 0.55
RATIO = 3.0
DIRECTION_DEG = 22.0
FINE = Camera(width=1000, height=800, colour="grey", jpeg_quality=None, tone="linear")
COARSE = Camera(width=330, height=260, colour="grey", jpeg_quality=None, tone="linear")


def photo(camera: Camera, pixel_um: float, cutoff: float, seed: int = 5) -> Capture:
    lens = Optics(na=cutoff / pixel_um * WAVELENGTH_UM / 2, wavelengths_um=(WAVELENGTH_UM,) * 3)
    return capture(Die(seed=seed), Pose(pixel_um), lens, camera, seed=seed)


def light(shot: Capture) -> npt.NDArray[np.float32]:
    return np.asarray(shot.stored / np.iinfo(shot.stored.dtype).max, dtype=np.float32)


def to_fine(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Both look at one place: middles fall together."""
    return (points - (329 / 2, 259 / 2)) * RATIO + (999 / 2, 799 / 2)


@pytest.mark.parametrize("cutoff", [0.3, 0.45])
def test_a_finer_photo_of_the_chip_tells_the_response_of_a_coarser_one(cutoff: float) -> None:
    fine, coarse = photo(FINE, 0.5, 0.8), photo(COARSE, 0.5 * RATIO, cutoff)
    found = relative_response(light(fine), light(coarse), to_fine, RATIO)
    told = absolute_response(found, lambda f: np.abs(fine.truth.mtf(f, DIRECTION_DEG)), 0.01)
    f = np.linspace(0, 1, 4001)
    for level, quantity in ((0.5, told.frequency_50), (0.1, told.frequency_10)):
        true = float(f[np.argmax(np.abs(coarse.truth.mtf(f, DIRECTION_DEG)) < level)])
        assert quantity is not None
        assert quantity.value == pytest.approx(true, abs=3 * quantity.u)
        assert quantity.relative < 0.12


def test_what_a_hard_compression_took_is_put_back() -> None:
    whole = replace(COARSE, width=640, height=480, tone="srgb", jpeg_quality=None)
    fine = photo(replace(FINE, width=1900, height=1430), 0.5, 0.8, seed=6)
    shots = [photo(replace(whole, jpeg_quality=q), 0.5 * RATIO, 0.4, seed=6) for q in (None, 65)]
    lights = [np.asarray(srgb_to_linear(s.stored / 255), dtype=np.float32) for s in shots]
    tables = tables_of(shots[1].jpeg)

    def laid(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return (points - (639 / 2, 479 / 2)) * RATIO + (1899 / 2, 1429 / 2)

    before, stored, right = (
        relative_response(light(fine), shown, laid, RATIO, given)
        for shown, given in zip(
            (lights[0], lights[1], lights[1]), (None, None, tables), strict=True
        )
    )
    strong = right.transfer > 0.1 * right.transfer.max()
    f = right.frequency[strong]
    true = np.interp(f, before.frequency, before.transfer)
    lost = np.interp(f, stored.frequency, stored.transfer) / true - 1
    left = right.transfer[strong] / true - 1
    assert np.sqrt((lost**2).mean()) > 0.015
    assert np.sqrt((left**2).mean()) < 0.5 * np.sqrt((lost**2).mean())
    assert (right.error[strong] > 0.9 * np.interp(f, stored.frequency, stored.error)).all()
    assert (np.abs(left * true) < 3 * right.error[strong]).mean() > 0.95


def test_photos_of_two_chips_foretell_nothing_of_each_other() -> None:
    fine, other = photo(FINE, 0.5, 0.8), photo(COARSE, 0.5 * RATIO, 0.4, seed=6)
    with pytest.raises(NotMeasurable, match=r"lit differently|too little detail"):
        relative_response(light(fine), light(other), to_fine, RATIO)


def test_pixels_of_the_same_size_and_too_small_a_piece_are_refused() -> None:
    plain = np.ones((100, 100), dtype=np.float32)
    with pytest.raises(NotMeasurable, match="times as fine"):
        relative_response(plain, plain, to_fine, 1.1)
    with pytest.raises(NotMeasurable, match="too small a piece"):
        relative_response(plain, plain[:40, :40], to_fine, 3.0)


def test_what_a_jpeg_rounds_away_grows_with_the_frequency_as_its_table_does() -> None:
    # A table of 8 for u + v < 4 and 80 beyond, in the order of ITU-T T.81: rows of an 8 x 8 block.
    table = [8 if u + v < 4 else 80 for v in range(8) for u in range(8)]
    coarse, fine = quantization_step({0: table}, [0.02, 0.6])
    assert coarse == pytest.approx(8, rel=0.02)
    assert fine == pytest.approx(80, rel=0.02)
    assert light_step({}, 0.5) is None
