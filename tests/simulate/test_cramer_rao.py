"""The bound of what can be measured is that of theory."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from glassay.simulate import (
    Camera,
    Edge,
    FlatField,
    Optics,
    Pose,
    RuledScale,
    cramer_rao,
    expected,
    noise_variance,
    truth_of,
)

CAMERA = Camera(
    width=200, height=160, colour="grey", exposure=1.0, full_well_e=1e9, read_noise_e=1e7,
    prnu=0.0, dark_spread_e=0.0, bits=14,
)  # fmt: skip


def test_the_place_of_an_edge_is_as_certain_as_parseval_says() -> None:
    # For white noise of variance s^2 the bound of a shift is s^2 / sum (dE/dx)^2; by Parseval the
    # sum over an edge of height C is C^2 times the integral of |MTF|^2 over all frequencies.
    optics = Optics(na=0.15)
    scene = Edge(8.0, 0.3, 0.7)
    bound = cramer_rao(scene, Pose(1.0), optics, CAMERA, ("centre_x_um",), stored_rounding=False)
    f = np.linspace(0, 0.6, 2001)  # the optics passes nothing beyond 0.56
    mtf = truth_of(scene, Pose(1.0), optics, CAMERA).mtf(f, -8.0)
    energy = 0.4**2 * 2 * np.trapezoid(mtf**2, f) * np.cos(np.radians(8)) * CAMERA.height
    # the noise is nearly all readout: 0.01 of full scale
    variance = 0.01**2
    assert bound["centre_x_um"] == pytest.approx(np.sqrt(variance / energy), rel=0.01)


def test_the_bound_shrinks_with_noise_and_grows_with_ignorance() -> None:
    scene, pose, optics = RuledScale(), Pose(1.0, 3.0), Optics(na=0.1)
    alone = cramer_rao(scene, pose, optics, CAMERA, ("pixel_size_um",))["pixel_size_um"]
    together = cramer_rao(scene, pose, optics, CAMERA)["pixel_size_um"]
    assert alone < together
    quiet = replace(CAMERA, read_noise_e=0.5e7)
    loud, calm = (
        cramer_rao(scene, pose, optics, camera, stored_rounding=False)["pixel_size_um"]
        for camera in (CAMERA, quiet)
    )
    assert loud == pytest.approx(2 * calm, rel=0.01)
    assert together > loud  # 8-bit rounding costs something


def test_a_best_fit_reaches_the_bound() -> None:
    scene, optics = RuledScale(division_um=20, line_width_um=4), Optics(na=0.1)
    true = Pose(1.0, 3.0)
    bound = cramer_rao(scene, true, optics, CAMERA, ("pixel_size_um",), stored_rounding=False)
    model = expected(scene, true, optics, CAMERA, np.float64)
    h = 1e-5
    slope = expected(scene, Pose(1 + h, 3.0), optics, CAMERA, np.float64) - model
    slope /= h
    weight = 1 / noise_variance(model, CAMERA)
    rng = np.random.default_rng(8)
    found = []
    for _ in range(300):
        noisy = model + rng.normal(0, np.sqrt(1 / weight))
        found.append((weight * slope * (noisy - model)).sum() / (weight * slope**2).sum())
    # the spread of 300 values is known to 4 %
    assert np.std(found) == pytest.approx(bound["pixel_size_um"], rel=0.12)


def test_an_even_field_says_nothing_about_pixel_size() -> None:
    with pytest.raises(ValueError, match="no information"):
        cramer_rao(FlatField(), Pose(), Optics(), CAMERA, ("pixel_size_um",))
