"""Repeat pairs enlarged by resamplers of other libraries give their native size away."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from studies._enlarged import (
    KERNELS,
    LIBRARIES,
    Firmware,
    blocks_and_lines,
    compress,
    exposures,
    facts_of,
)

from glassay.errors import NotMeasurable
from glassay.sampling.native import native
from glassay.simulate import Camera

JPEG, PNG = {"format": "JPEG"}, {"format": "PNG"}


def pair(
    native_size: tuple[int, int], firmware: Firmware, seed: int = 1, colour: str = "grey",
    full_well_e: float = 4000.0, **more: object,
) -> list[np.ndarray]:  # fmt: skip
    """Two exposures of a chip-like texture."""
    width, height = native_size
    camera = Camera(
        width=width, height=height, colour=colour, full_well_e=full_well_e, jpeg_quality=None,
        **more,
    )  # fmt: skip
    return exposures(blocks_and_lines(width, height, seed), camera, firmware, seed)


@pytest.mark.parametrize("library", LIBRARIES)
@pytest.mark.parametrize("kernel", KERNELS)
def test_native_size_is_found_to_two_pixels_whatever_kernel_and_library_enlarged(kernel, library):
    frames = pair((420, 311), Firmware((720, 533), kernel, library))
    found = native(frames, facts=PNG)
    assert found.verdict == "enlarged"
    assert found.native_width.value == pytest.approx(420, abs=2)
    assert found.native_height.value == pytest.approx(311, abs=2)


@pytest.mark.parametrize("kernel", KERNELS)
def test_sharpening_and_jpeg_85_after_enlargement_leave_the_trace(kernel):
    firmware = Firmware((1000, 740), kernel, "opencv", sharpening=0.5, quality=85)
    found = native(pair((410, 303), firmware, full_well_e=2500), facts=JPEG)
    assert found.native_width.value == pytest.approx(410, rel=0.01)
    assert found.native_height.value == pytest.approx(303, rel=0.01)


@pytest.mark.parametrize("factor", [2, 3, 4])
def test_factors_on_the_compression_grid_are_told_apart(factor):
    firmware = Firmware((960, 720), "bicubic", "pillow", quality=92)
    frames = pair((960 // factor, 720 // factor), firmware, full_well_e=2500)
    found = native(frames, facts=JPEG)
    assert found.enlargement.value == pytest.approx(factor, rel=0.02)


@pytest.mark.parametrize("kernel", ["bilinear", "lanczos"])
def test_four_thirds_are_told_where_the_file_says_that_compression_was_mild(kernel):
    frames = pair((720, 540), Firmware((960, 720), kernel, "opencv", quality=95), full_well_e=2500)
    assert native(frames, facts=JPEG).verdict == "cannot tell"
    found = native(frames, facts=facts_of(95))
    assert found.verdict == "enlarged"
    assert found.native_width.value == pytest.approx(720, abs=2)
    assert found.native_height.value == pytest.approx(540, abs=2)


@pytest.mark.parametrize("quality", [None, 88])
@pytest.mark.parametrize("period", [6.47, 7.37, 11.1])
def test_a_scene_that_repeats_is_no_enlargement(quality, period):
    # A fence and a mesh of soft bars: their spectrum is a few lines, which mirror each other.
    at = np.arange(640)
    bars = [
        1 / (1 + np.exp(-(np.sin(2 * np.pi * (at / p)) - 0.4) / 0.2))
        for p in (period, 1.09 * period)
    ]
    for mesh in (bars[0][None] * np.ones((480, 1)), np.maximum(bars[0][None], bars[1][:480, None])):
        frames = []
        for seed in (1, 2):
            noise = np.random.default_rng(seed).normal(0, 2, mesh.shape)
            stored = np.clip(np.rint(60 + 130 * mesh + noise), 0, 255).astype(np.uint8)
            frames.append(compress(stored, quality))
        assert native(frames[:1], facts=facts_of(quality)).verdict == "cannot tell"
        try:
            verdict = native(frames, facts=facts_of(quality)).verdict
        except NotMeasurable:  # of a pattern that repeats, no movement by a period can be excluded
            continue
        assert verdict in ("cannot tell", "native")


SMALLER = {"bilinear": cv2.INTER_LINEAR, "bicubic": cv2.INTER_CUBIC}


@pytest.mark.parametrize(
    ("share", "kernel", "colour", "quality"),
    [
        (0.6, "bilinear", "grey", None),
        (0.55, "bilinear", "grey", None),
        (0.6, "bilinear", "grey", 95),
        (0.75, "bicubic", "grey", 93),
        (0.85, "bilinear", "grey", 97),
        (0.93, "bilinear", "mosaic", None),
        (0.93, "bicubic", "mosaic", 97),
    ],
)
def test_a_picture_made_smaller_without_a_filter_is_not_called_enlarged(
    share, kernel, colour, quality
):
    # Sampled at steps of 1/share px, its noise is whole on a px and averaged between two: as periodic
    # as that of an enlarged picture.
    whole = pair((800, 600), Firmware((800, 600)), seed=3, full_well_e=2500, colour=colour)
    size = (round(800 * share), round(600 * share))
    frames = [
        compress(cv2.resize(frame, size, interpolation=SMALLER[kernel]), quality) for frame in whole
    ]
    found = native(frames, facts=facts_of(quality))
    assert found.verdict in ("native", "cannot tell")
    if found.verdict == "cannot tell":
        said = found.advice + " ".join(piece.says for piece in found.evidence)
        assert "smaller" in said


def enlarged_and_sharpened(
    factors: tuple[float, float], sharpening: float, quality: int, **more: object
) -> list[np.ndarray]:
    out = []
    for frame in pair((960, 720), Firmware((960, 720)), colour="mosaic", **more):
        size = (round(960 * factors[0]), round(720 * factors[1]))
        large = cv2.resize(frame, size, interpolation=cv2.INTER_CUBIC).astype(np.float32)
        sharp = large + sharpening * (large - cv2.GaussianBlur(large, (0, 0), 1.0))
        out.append(compress(np.clip(np.rint(sharp), 0, 255).astype(np.uint8), quality))
    return out


@pytest.mark.parametrize("seed", [2, 4])
def test_a_mosaic_enlarged_by_half_is_not_read_off_what_compression_mixes_in(seed):
    # Its by-product, at 3, lies where copies by 3 would show theirs at 1.5; the 8 px grid mixes others.
    frames = enlarged_and_sharpened((1.5, 1.5), 0.8, 90, seed=seed, full_well_e=8000.0)
    found = native(frames, facts=facts_of(90))
    assert found.native_width.value == pytest.approx(960, abs=2)
    assert found.native_height.value == pytest.approx(720, abs=2)


def test_an_axis_does_not_take_its_own_by_product_for_the_factor_of_the_other():
    # Enlarged by 1.2, a mosaic leaves 2.4; its alias is 1.714, near the 1.7 of the other axis, and the
    # 8 px grid mixes it to others.
    found = native(enlarged_and_sharpened((1.7, 1.2), 0.0, 93, seed=7), facts=facts_of(93))
    for told, true in ((found.native_width, 960), (found.native_height, 720)):
        assert told is None or told.value == pytest.approx(true, abs=2)
    for piece in found.evidence:
        if " shows enlargement" in piece.says:
            assert float(piece.says.split("strength ")[1].split(",")[0]) >= 5


def test_a_mosaic_sensor_is_not_taken_for_half_of_itself():
    frames = pair((720, 540), Firmware((720, 540)), colour="mosaic")
    found = native(frames, facts=PNG)
    assert found.verdict == "native"
    assert found.native_width.value == 720


def test_an_enlarged_mosaic_gives_the_sensor_size_not_half_of_it():
    frames = pair((520, 390), Firmware((900, 675), "lanczos"), colour="mosaic")
    found = native(frames, facts=PNG)
    assert found.enlargement.value == pytest.approx(900 / 520, rel=0.005)


def test_the_two_axes_may_have_different_factors():
    found = native(pair((520, 300), Firmware((800, 600), "bilinear")), facts=PNG)
    assert found.native_width.value == pytest.approx(520, abs=2)
    assert found.native_height.value == pytest.approx(300, abs=2)
    assert any("different factors" in note for note in found.notes)


@pytest.mark.parametrize(("enlarged", "native_size"), [((640, 480), (400, 300))])
def test_nearest_below_two_is_not_read_as_its_alias_above_two(enlarged, native_size):
    # Sampled at whole px, 1/1.6 and 1/2.667 cycles/px are the same periodicity of variance.
    found = native(pair(native_size, Firmware(enlarged, "nearest")), facts=PNG)
    assert found.enlargement.value == pytest.approx(1.6, rel=0.01)


@pytest.mark.parametrize("quality", [75, 85, 95, None])
@pytest.mark.parametrize("colour", ["grey", "mosaic"])
def test_compression_and_demosaicing_of_a_native_photo_are_no_enlargement(quality, colour):
    frames = pair((720, 540), Firmware((720, 540), quality=quality), seed=5, colour=colour)
    found = native(frames, facts=JPEG if quality else PNG)
    assert found.verdict != "enlarged"
    assert found.native_width is None or found.native_width.value == 720


def test_strongly_compressed_mosaics_are_not_taken_for_four_thirds():
    # Block signs of this pair fit enlargement by 4/3 at 16, the best native template at 40.
    frames = pair((720, 540), Firmware((720, 540), quality=80), seed=11, colour="mosaic")
    assert native(frames, facts=JPEG).verdict == "cannot tell"


@pytest.mark.parametrize("denoise", ["gaussian", "median", "bilateral"])
def test_denoising_a_native_photo_is_no_enlargement(denoise):
    frames = pair(
        (720, 540), Firmware((720, 540), quality=88), seed=6, denoise=denoise, denoise_px=1.0
    )
    found = native(frames, facts=JPEG)
    assert found.verdict != "enlarged"


def test_what_cannot_be_told_still_bounds_the_native_size_and_says_what_to_shoot():
    frames = pair((720, 540), Firmware((720, 540), quality=85), full_well_e=8000)
    found = native(frames, facts=JPEG)
    assert found.verdict == "cannot tell"
    assert "native_width" not in found.findings()
    low, high = found.between[0]
    assert 0.2 * 720 < low < 720
    assert high == 720
    assert "quality" in found.advice


def test_several_frames_of_a_clip_work_like_a_pair():
    firmware = Firmware((776, 582), "bicubic", quality=90)
    # Another full well makes another pair of the same scene.
    four = pair((500, 375), firmware) + pair((500, 375), firmware, full_well_e=3999.0)
    found = native(four, facts=JPEG)
    assert found.frames == 4
    assert found.enlargement.value == pytest.approx(776 / 500, rel=0.01)


def test_one_lossless_photo_shows_its_enlargement_and_one_native_photo_tells_nothing():
    enlarged = pair((420, 311), Firmware((720, 533), "bilinear"))[:1]
    assert native(enlarged, facts=PNG).native_width.value == pytest.approx(420, abs=2)
    alone = native(pair((720, 540), Firmware((720, 540)))[:1], facts=PNG)
    assert alone.verdict == "cannot tell"
    assert "two exposures" in alone.advice


def test_each_piece_of_evidence_is_kept():
    frames = pair((420, 311), Firmware((720, 533), "bicubic"))
    facts = {"format": "JPEG", "exif": {"DigitalZoomRatio": "1.7"}, "quantization": {}}
    names = [piece.name for piece in native(frames, facts=facts).evidence]
    for name in ("traces in the photo", "traces in the noise", "noise spectrum", "file"):
        assert name in names
    said = " ".join(piece.says for piece in native(frames, facts=facts).evidence)
    assert "digital zoom of 1.7" in said
