"""What the edge response says about edges whose true response is known exactly."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from prysm.coordinates import cart_to_polar, make_xy_grid
from prysm.geometry import circle
from prysm.otf import mtf_from_psf
from prysm.propagation import focus
from scipy.interpolate import CubicSpline
from scipy.special import erf
from tests.detail.exact_edges import ExactEdge, gaussian, pupil

from glassay.detail.edge import measure_edges
from glassay.detail.edge_result import FREQUENCY
from glassay.quantity import Quantity


@pytest.mark.parametrize("tilt_deg", [3.0, 5.0, 9.46, 14.04, 15.0, -7.0])
def test_a_circular_pupil_gives_its_diffraction_curve_times_the_pixel(tilt_deg: float) -> None:
    # atan(1/4) = 14.04 and atan(1/6) = 9.46 put all pixels at few distances from the edge.
    edge = ExactEdge(pupil(0.6), tilt_deg, 0.6)
    found = measure_edges(edge.picture())
    assert found.frequency_50.value == pytest.approx(edge.frequency_at(0.5), rel=0.003)
    assert found.frequency_10 is not None
    assert found.frequency_10.value == pytest.approx(edge.frequency_at(0.1), rel=0.005)
    assert found.modulation == pytest.approx(edge.transfer(FREQUENCY), abs=0.004)


def test_the_pixel_alone_is_measured_up_to_its_second_lobe() -> None:
    # Optics far better than the pixels: only the derivative filter could bend this curve, which it
    # would by 10 % at 1 cycle/px if it were left uncorrected.
    edge = ExactEdge(pupil(4.0), 5.0, 4.0)
    found = measure_edges(edge.picture())
    inside = FREQUENCY <= 0.8
    assert found.modulation[inside] == pytest.approx(edge.transfer(FREQUENCY)[inside], abs=0.01)
    one = found.edges[0]
    optics = found.modulation[:60] / one.pixel_aperture()[:60]
    assert optics == pytest.approx(pupil(4.0)(FREQUENCY[:60]), abs=0.01)


def test_an_optics_library_predicts_the_measured_curve() -> None:
    # The point image of a clear pupil from prysm's numerical propagation, summed along the edge and
    # accumulated to an edge spread function, against prysm's own transfer function.
    x, y = make_xy_grid(256, diameter=2.0 * 256 / 64)
    r, _ = cart_to_polar(x, y)
    psf = np.abs(focus(circle(1.0, r).astype(float), Q=2)) ** 2
    sample_px = 0.25
    per_px = mtf_from_psf(psf, sample_px)  # with px for um, hence in cycles per 1000 px
    f, m = per_px.slices().x
    line = psf.sum(axis=0) / psf.sum()
    across = (np.arange(len(line)) - len(line) // 2) * sample_px
    spread = CubicSpline(across, line / sample_px).antiderivative()

    tilt = math.radians(6)
    column = np.arange(160) - 79.7
    row = (np.arange(140) - 69.5)[:, None]
    light = np.zeros((140, 160))
    inner = (np.arange(8) + 0.5) / 8 - 0.5
    for u in inner:  # a square pixel, as 8 x 8 points
        for v in inner:
            d = (column + u) * math.cos(tilt) - (row + v) * math.sin(tilt)
            light += 0.1 + 0.7 * spread(d)
    found = measure_edges((light / 64).astype(np.float32))
    truth = np.interp(FREQUENCY, f / 1000, m)
    truth *= np.sinc(FREQUENCY * math.cos(tilt)) * np.sinc(FREQUENCY * math.sin(tilt))
    inside = FREQUENCY <= 0.5
    assert found.modulation[inside] == pytest.approx(truth[inside], abs=0.01)


def test_the_width_of_a_gaussian_edge_is_that_of_the_normal_distribution() -> None:
    # 10-90 % of a normal distribution: 2 x 1.2816 sigma; the pixel adds a variance of 1/12 px^2.
    edge = ExactEdge(gaussian(2.0), 6.0, 1.0)
    found = measure_edges(edge.picture())
    assert found.width.value == pytest.approx(2.5631 * math.sqrt(4 + 1 / 12), rel=0.004)
    position, spread = found.edges[0].spread.position, found.edges[0].spread.spread
    normal = 0.5 * (1 + erf(position / math.sqrt(2 * (4 + 1 / 12))))
    assert spread == pytest.approx(normal, abs=0.003)


@pytest.mark.parametrize("angle_deg", [6.0, 96.0, 186.0, 276.0, 33.0, 127.0])
def test_direction_and_polarity_do_not_matter(angle_deg: float) -> None:
    edge = ExactEdge(pupil(0.5), angle_deg, 0.5)
    found = measure_edges(edge.picture(170, 170, noise=0.004))
    assert found.frequency_50.value == pytest.approx(edge.frequency_at(0.5), rel=0.01)
    wanted = {6: "x", 96: "y", 186: "x", 276: "y", 33: "diagonal", 127: "diagonal"}
    assert {e.direction for e in found.edges} == {wanted[round(angle_deg)]}


def test_the_stated_interval_holds_the_truth_as_often_as_it_says() -> None:
    # 40 noisy edges: fewer than 35 in a 95 % interval would happen once in 20 000 (binomial).
    held, errors = 0, []
    for seed in range(40):
        edge = ExactEdge(pupil(0.45), 3 + 12 * seed / 40, 0.45)
        found = measure_edges(edge.picture(150, 130, noise=0.02, offset=seed / 40, seed=seed))
        low, high = found.frequency_50.interval
        true = edge.frequency_at(0.5)
        held += low <= true <= high
        errors.append(found.frequency_50.value / true - 1)
    assert held >= 35
    assert abs(np.mean(errors)) < 0.0095  # three times the scatter of the mean, 2 % / sqrt(40)
    assert np.std(errors) < 0.025


def test_soft_edges_of_an_enlarged_picture_are_measured_too() -> None:
    edge = ExactEdge(pupil(0.11), 8.0, 0.11)
    found = measure_edges(edge.picture(260, 200, noise=0.01))
    assert found.frequency_50.value == pytest.approx(edge.frequency_at(0.5), rel=0.015)


def test_sharpening_shows_as_overshoot_of_the_right_height() -> None:
    def sharpened(f: np.ndarray) -> np.ndarray:
        soft = gaussian(1.5)(f)
        return pupil(0.9)(f) * (1 + 1.5 * (1 - soft))

    edge = ExactEdge(sharpened, 7.0, 0.9)
    true = float(edge.spread(np.linspace(0, 8, 400)).max()) - 1
    assert true > 0.08
    found = measure_edges(edge.picture(noise=0.006, dark=0.25, bright=0.7))
    # The far tails of a sharpened response lie beyond the window: 1 to 2 % of the step.
    assert found.overshoot.value == pytest.approx(true, abs=0.025)
    assert any("sharpens" in note for note in found.notes)
    assert found.modulation.max() > 1.02

    plain = measure_edges(ExactEdge(pupil(0.9), 7.0, 0.9).picture(noise=0.006))
    assert plain.overshoot.value < 0.02
    assert not any("sharpens" in note for note in plain.notes)


def test_a_wrong_tone_curve_is_noticed() -> None:
    edge = ExactEdge(pupil(0.35), 6.0, 0.35)
    light = edge.picture(noise=0.002, dark=0.03, bright=0.85)
    assert not any("tone" in note for note in measure_edges(light).notes)
    encoded = np.clip(light, 0, 1) ** (1 / 2.2)
    assert any("tone" in note for note in measure_edges(encoded.astype(np.float32)).notes)


def test_object_units_carry_the_uncertainty_of_the_pixel_size() -> None:
    edge = ExactEdge(pupil(0.5), 5.0, 0.5)
    size = Quantity.of(0.5, 0.01, "um/px", "slide")
    found = measure_edges(edge.picture(), pixel_size=size)
    per_um = found.findings()["frequency_50_object"].quantity
    assert per_um.unit == "cycles/um"
    assert per_um.value == pytest.approx(2 * found.frequency_50.value)
    assert per_um.relative == pytest.approx(math.hypot(0.02, found.frequency_50.relative), rel=1e-6)
    assert any(part.source == "slide" for part in per_um.contributions)
    width = found.findings()["edge_width_10_90_object"].quantity
    assert (width.value, width.unit) == (pytest.approx(0.5 * found.width.value), "um")


def test_motion_along_x_lowers_detail_along_x_only() -> None:
    picture = np.full((320, 320), 0.7, np.float32)
    turn = cv2.getRotationMatrix2D((160, 160), 6, 1)
    corners = cv2.transform(np.array([[[90, 90], [230, 90], [230, 230], [90, 230]]], float), turn)
    big = np.full((320 * 8, 320 * 8), 0.7, np.float32)
    cv2.fillPoly(big, [np.rint(corners[0] * 8).astype(np.int32)], 0.2)
    picture = cv2.resize(
        cv2.GaussianBlur(big, (0, 0), 10), (320, 320), interpolation=cv2.INTER_AREA
    )
    moved = cv2.blur(picture, (5, 1))
    still, smeared = measure_edges(picture), measure_edges(moved)
    assert set(still.groups) >= {"x", "y"}
    assert still.groups["x"].value == pytest.approx(still.groups["y"].value, rel=0.02)
    assert smeared.groups["y"].value == pytest.approx(still.groups["y"].value, rel=0.03)
    # A Gaussian of 10/8 px, the pixel, and the sum of five neighbours along x.
    f = np.linspace(0.01, 0.3, 5000)
    soft = np.exp(-2 * (np.pi * 1.25 * f) ** 2) * np.sinc(f)
    five = np.sin(5 * np.pi * f) / (5 * np.sin(np.pi * f))
    assert still.groups["x"].value == pytest.approx(f[np.argmax(soft < 0.5)], rel=0.02)
    assert smeared.groups["x"].value == pytest.approx(f[np.argmax(soft * five < 0.5)], rel=0.02)


def test_places_in_the_field_are_kept_apart() -> None:
    sharp, soft = ExactEdge(pupil(0.5), 6.0, 0.5), ExactEdge(pupil(0.2), 6.0, 0.2)
    field = np.full((700, 700), 0.5, np.float32)
    for row, column in ((0, 0), (0, 520), (520, 0), (520, 520)):
        field[row : row + 180, column : column + 180] = soft.picture(180, 180, noise=0.003)
    field[260:440, 260:440] = sharp.picture(180, 180, noise=0.003)
    found = measure_edges(field)
    assert found.groups["centre"].value == pytest.approx(sharp.frequency_at(0.5), rel=0.02)
    assert found.groups["corner"].value == pytest.approx(soft.frequency_at(0.5), rel=0.02)


def test_lens_distortion_is_followed() -> None:
    # An arc of 0.2 px over 160 px, as distortion of about 1 % makes it.
    edge = ExactEdge(pupil(0.5), 6.0, 0.5)
    found = measure_edges(edge.picture(noise=0.004, bow=0.2 / 80**2))
    assert found.frequency_50.value == pytest.approx(edge.frequency_at(0.5), rel=0.01)
