"""The three-bar target: named, scaled and read at any rotation and polarity; refused when cut."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from glassay.cli import main
from glassay.detail import bars_labels
from glassay.detail.bars import _find_layout, measure_bars
from glassay.detail.bars_contrast import read_contrast
from glassay.detail.bars_fit import Site
from glassay.detail.bars_layout import frequency_lp_mm
from glassay.detail.bars_numerals import Reading
from glassay.detail.bars_result import BarResult, Bars, Element
from glassay.errors import NotMeasurable
from glassay.imaging import read_photo
from glassay.imaging.tone import LUMINANCE_WEIGHTS, linear_table
from glassay.simulate import (
    BarTarget,
    Camera,
    Capture,
    Optics,
    Pose,
    RuledScale,
    Texture,
    capture,
)

Picture = npt.NDArray[np.float32]

REAL = Path(__file__).parents[1] / "data" / "bar-target" / "bar-target-real.tif"
"""A real capture under the MIT licence, with its source beside it."""


@pytest.fixture(scope="module")
def real() -> Picture:
    return read_photo(REAL).linear_grey()


@pytest.fixture(scope="module")
def real_result(real: Picture) -> BarResult:
    return measure_bars(real, group=2)


def light_of(stored: npt.NDArray[Any]) -> Picture:
    linear = linear_table(8, "srgb")[stored]
    if linear.ndim == 3:
        linear = linear @ np.array(LUMINANCE_WEIGHTS, dtype=np.float32)
    return np.asarray(linear, dtype=np.float32)


def shot(
    target: BarTarget, tilt_deg: float = 0.0, na: float = 0.05, height_share: float = 0.75,
    **camera: Any,
) -> Capture:  # fmt: skip
    """A target that fills this share of a picture of 640 x 512 px."""
    pixel_um = 39 * target.elements()[0].bar_width_um / (512 * height_share)
    options = {"width": 640, "height": 512, "colour": "grey", "full_well_e": 8000.0} | camera
    return capture(target, Pose(pixel_um, tilt_deg), Optics(na=na), Camera(**options), seed=3)


def made_out(result: BarResult) -> list[tuple[Element, Bars]]:
    return [
        (e, bars) for e in result.elements for bars in (e.upright, e.level)
        if bars.period is not None
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("group", "number", "frequency"), [(0, 1, 1.00), (2, 3, 5.04), (4, 6, 28.51), (7, 6, 228.1)]
)
def test_the_series_is_that_of_the_standard(group: int, number: int, frequency: float) -> None:
    # MIL-STD-150A, rounded as its table is.
    assert frequency_lp_mm(group, number) == pytest.approx(frequency, rel=5e-4)


class TestRealCapture:
    """Pixel size is not published with it: its own elements must agree."""

    def test_every_readable_element_gives_one_scale_for_each_axis(
        self, real_result: BarResult
    ) -> None:
        assert len(made_out(real_result)) >= 20
        for element, bars in made_out(real_result):
            alone = real_result.scale_of(bars, element)
            axis = real_result.across if bars is element.upright else real_result.down
            assert alone is not None
            assert alone.value == pytest.approx(axis.um_per_px.value, abs=alone.expanded)
        assert real_result.across.scatter < 0.015
        assert real_result.down.scatter < 0.015

    def test_its_group_is_asked_for_where_numerals_are_cut_off_or_blurred(
        self, real: Picture
    ) -> None:
        # The outer layer's own numerals are cut off, the inner ones 5 px tall: 4 and 9 look alike.
        with pytest.raises(NotMeasurable, match="--group"):
            measure_bars(real)

    def test_elements_count_on_from_a_stated_group(self, real_result: BarResult) -> None:
        numbers = [(e.group, e.number) for e in real_result.elements]
        assert numbers[0] == (2, 1)
        assert {(2, 6), (3, 6), (4, 1)} <= set(numbers)

    def test_bars_blurred_into_one_are_not_counted_as_resolved(
        self, real_result: BarResult
    ) -> None:
        assert real_result.finest is not None
        assert (3, 1) <= (real_result.finest.group, real_result.finest.number) <= (3, 4)
        finer = [e.contrast for e in real_result.elements if e.group == 4 and e.number > 2]
        assert all(c is None or c < 0.1 for c in finer)

    @pytest.mark.parametrize("turns", [1])
    def test_turning_the_picture_turns_the_axes(
        self, real: Picture, real_result: BarResult, turns: int
    ) -> None:
        turned = measure_bars(np.ascontiguousarray(np.rot90(real, turns)), group=2)
        x, y = turned.pixel_size_x.value, turned.pixel_size_y.value
        if turns % 2:
            x, y = y, x
        assert x == pytest.approx(real_result.pixel_size_x.value, rel=1e-3)
        assert y == pytest.approx(real_result.pixel_size_y.value, rel=1e-3)

    def test_a_mirrored_picture_is_recognised_as_such(
        self, real: Picture, real_result: BarResult
    ) -> None:
        back = measure_bars(np.ascontiguousarray(real[:, ::-1]), group=2)
        assert back.frame.mirrored
        assert not real_result.frame.mirrored
        assert back.pixel_size_x.value == pytest.approx(real_result.pixel_size_x.value, rel=1e-3)

    def test_a_negative_gives_the_same_scale(self, real: Picture, real_result: BarResult) -> None:
        negative = measure_bars((0.5 - real).astype(np.float32), group=2)
        assert not negative.bright
        u = real_result.pixel_size_x.u
        assert negative.pixel_size_x.value == pytest.approx(real_result.pixel_size_x.value, abs=u)

    @pytest.mark.parametrize(
        "half", [np.s_[:, :156], np.s_[:, 156:], np.s_[:160], np.s_[160:]],
        ids=["left", "right", "top", "bottom"],
    )  # fmt: skip
    def test_half_of_it_is_refused(self, real: Picture, half: Any) -> None:
        with pytest.raises(NotMeasurable, match=r"cut off|no three-bar target"):
            measure_bars(np.ascontiguousarray(real[half]))


@pytest.mark.parametrize(
    ("target", "tilt_deg"),
    [
        (BarTarget(first_group=2, font="serif"), 17.0),
        (BarTarget(first_group=4, font="engraved", bars=0.08, ground=0.8), -112.0),
        (BarTarget(first_group=0, font="sans"), 174.0),
    ],
    ids=["bright bars", "dark bars", "upside down"],
)
def test_pixel_size_and_groups_at_any_rotation_and_polarity(
    target: BarTarget, tilt_deg: float
) -> None:
    na = {0: 0.02, 2: 0.08, 4: 0.3}[target.first_group]
    photo = shot(target, tilt_deg, na, colour="mosaic")
    found = measure_bars(light_of(photo.stored), tolerance=0.0)
    assert found.elements[0].group == target.first_group
    assert found.bright == (target.bars > target.ground)
    for size in (found.pixel_size_x, found.pixel_size_y):
        assert size.value == pytest.approx(photo.truth.pixel_size_um, rel=2e-3)
        assert abs(size.value - photo.truth.pixel_size_um) < 1.5 * size.expanded
    places = {(e.group, e.number): e for e in found.elements}
    for number, element in enumerate(target.elements()[:12]):
        x, y = photo.truth.marks_px["level"][number]
        site = places[element.group, element.element].level.site
        away = np.array([site.x - x, site.y - y])
        # Across the bars the place is fitted; along them, their outlines give it.
        assert abs(away @ site.across) < 0.15
        assert abs(away @ site.along) < 0.1 * site.length


def test_contrast_follows_the_reflectances_and_then_the_lens() -> None:
    target = BarTarget(first_group=2, bars=0.8, ground=0.1)
    photo = shot(target, 5.0, na=0.03)
    found = measure_bars(light_of(photo.stored))
    first = found.elements[0]
    # The far tails of a diffraction image, 1/x^2, bring 2 % of the bars' light into the spaces.
    assert first.contrast == pytest.approx((0.8 - 0.1) / (0.8 + 0.1), abs=0.03)
    # At high frequency a blurred square wave is the sine of its fundamental, 4 / pi times its
    # height; three bars are not endless, so that the middle of their light sags a little.
    for element in found.elements:
        cycles_px = element.frequency_lp_mm / 1000 * photo.truth.pixel_size_um
        response = float(photo.truth.mtf(cycles_px, 5.0))
        if 0.15 < response < 0.3:
            expected = 0.7 / 0.9 * 4 / math.pi * response
            assert element.contrast == pytest.approx(expected, abs=0.06)


def test_a_softer_lens_resolves_coarser_elements() -> None:
    target = BarTarget(first_group=2)
    finest = []
    for na in (0.02, 0.008):
        found = measure_bars(light_of(shot(target, 3.0, na).stored))
        assert found.finest is not None
        finest.append(found.finest.frequency_lp_mm)
    assert finest[0] > 1.5 * finest[1]


def test_a_higher_contrast_asked_for_gives_a_coarser_element(
    real: Picture, real_result: BarResult
) -> None:
    strict = measure_bars(real, group=2, contrast=0.3)
    assert real_result.finest is not None
    assert strict.finest is not None
    assert strict.finest.frequency_lp_mm < real_result.finest.frequency_lp_mm
    # The steps of the series alone leave a twelfth of an octave to either side.
    assert real_result.finest_frequency is not None
    assert real_result.finest_frequency.relative > 0.5 * math.log(2) / 6 / math.sqrt(3)


def test_bars_at_full_scale_are_named(real: Picture) -> None:
    # The bars of the real capture are saturated at 0.39 of its full scale.
    found = measure_bars(real, group=2, full=real > 0.38)
    assert any("full scale" in note for note in found.notes)


def test_oblong_pixels_are_seen(real: Picture, real_result: BarResult) -> None:
    wide = cv2.resize(real, None, fx=1.12, fy=1.0, interpolation=cv2.INTER_CUBIC)
    found = measure_bars(wide, group=2)
    ratio = real_result.pixel_size_x.value / found.pixel_size_x.value
    assert ratio == pytest.approx(1.12, rel=0.01)
    assert found.pixel_size_y.value == pytest.approx(real_result.pixel_size_y.value, rel=0.005)
    assert any("oblong" in note for note in found.notes)


def numeral(digit: int, lead: float = 0.4) -> Reading:
    """A numeral that resembles `digit` most, by `lead` more than every other."""
    likeness = np.full(10, 0.95 - lead)
    likeness[digit] = 0.95
    return Reading(likeness)


@pytest.mark.parametrize(
    ("labels", "group"),
    [
        ([(0, "left", numeral(2)), (0, "right", numeral(3))], 2),
        ([(0, "right", numeral(1)), (1, "left", numeral(2))], 0),
        ([(0, "left", numeral(2)), (0, "right", numeral(1))], -2),  # minus signs are not read
        ([(0, "left", numeral(6, 0.03)), (0, "right", numeral(7))], 6),
        ([(0, "left", numeral(2))], None),
        ([(0, "right", numeral(1))], None),
        ([(0, "left", numeral(6)), (0, "right", numeral(6))], None),
        ([(0, "left", numeral(4, 0.0)), (0, "right", numeral(5, 0.01))], None),
        ([(0, "right", numeral(1)), (1, "right", numeral(1, 0.09))], None),
    ],
)
def test_two_numerals_must_agree_on_the_group(
    monkeypatch: pytest.MonkeyPatch, labels: list[tuple[int, str, Reading]], group: int | None
) -> None:
    found = [(layer, side, [reading]) for layer, side, reading in labels]
    monkeypatch.setattr(bars_labels, "_group_labels", lambda image, layout: found)
    monkeypatch.setattr(bars_labels, "_are_numbered", lambda image, layout: True)
    nothing: Any = None
    assert bars_labels.read_group(nothing, nothing)[0] == group


def test_group_numerals_are_not_believed_where_elements_have_none(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bare = light_of(shot(BarTarget(first_group=2, numerals=False), 8.0).stored)
    layout = _find_layout(bare)
    labels = [(0, "left", [numeral(6)]), (0, "right", [numeral(7)])]
    monkeypatch.setattr(bars_labels, "_group_labels", lambda image, layout: labels)
    group, words = bars_labels.read_group(bare, layout)
    assert group is None
    assert words[-1] == "but beside the elements no numerals of theirs"
    numbered = light_of(shot(BarTarget(first_group=2), 8.0).stored)
    assert bars_labels.read_group(numbered, _find_layout(numbered))[0] == 6


def test_without_numerals_the_group_must_be_stated(monkeypatch: pytest.MonkeyPatch) -> None:
    target = BarTarget(first_group=2, numerals=False)
    photo = shot(target, 8.0)
    light = light_of(photo.stored)
    layout = _find_layout(light)  # once, for speed
    monkeypatch.setattr("glassay.detail.bars._find_layout", lambda image: layout)
    stated = measure_bars(light, group=2)
    assert stated.pixel_size_x.value == pytest.approx(photo.truth.pixel_size_um, rel=2e-3)
    # Without it, steps and px are told: of the finest element that the stated group names as well.
    finest = stated.finest
    assert finest is not None
    of_group = ("first", "second", "third", "fourth")[finest.group - 2]
    with pytest.raises(
        NotMeasurable, match=r"--group; in a bench .*, or the photo's pixel size"
    ) as refused:
        measure_bars(light)
    assert f"element {finest.number} of the {of_group} group" in str(refused.value)
    # A pixel size, even 10 % off, tells the groups, which are a factor of four apart; another
    # setting's does not.
    scaled = measure_bars(light, pixel_size_um=1.1 * photo.truth.pixel_size_um)
    assert scaled.finest is not None
    assert scaled.finest.frequency_lp_mm == finest.frequency_lp_mm
    assert "by the stated pixel size" in scaled.notes[0]
    with pytest.raises(NotMeasurable, match="is the pixel size that of this photo"):
        measure_bars(light, pixel_size_um=2 * photo.truth.pixel_size_um)
    with pytest.raises(NotMeasurable, match="even"):
        measure_bars(light, group=3)


def test_a_box_keeps_the_photos_coordinates(real: Picture, real_result: BarResult) -> None:
    height, width = real.shape
    wider = np.pad(real, ((40, 10), (70, 30)), mode="edge")
    found = measure_bars(wider, group=2, box=(70, 40, width, height))
    first, before = found.elements[0].level.site, real_result.elements[0].level.site
    assert (first.x - before.x, first.y - before.y) == pytest.approx((70, 40), abs=0.05)


@pytest.mark.parametrize("scene", [Texture(), RuledScale(division_um=20)])
def test_other_objects_are_no_bar_target(scene: Any) -> None:
    camera = Camera(width=500, height=400, colour="grey")
    light = light_of(capture(scene, Pose(1.0, 10.0), Optics(na=0.1), camera, seed=2).stored)
    with pytest.raises(NotMeasurable, match="no three-bar target"):
        measure_bars(light, group=2)


def test_noise_and_an_even_field_are_no_bar_target() -> None:
    noise = np.random.default_rng(1).uniform(0.1, 0.9, (200, 300)).astype(np.float32)
    for picture in (noise, np.full((200, 300), 0.5, np.float32), np.zeros((4, 5), np.float32)):
        with pytest.raises(NotMeasurable, match="no three-bar target"):
            measure_bars(picture)


class TestCommand:
    def run(self, capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("sys.argv", ["glassay", "bars", *map(str, arguments)])
            try:
                main()
                status = 0
            except SystemExit as done:
                status = int(done.code or 0)
        out = capsys.readouterr()
        return status, out.out, out.err

    def test_the_fixed_keys_and_a_figure(
        self, capsys: pytest.CaptureFixture[str], tmp_path: Path
    ) -> None:
        figure = tmp_path / "bars.png"
        status, out, _ = self.run(capsys, REAL, "--group", "2", "--json", "--figure", figure)
        found = json.loads(out)["findings"]
        assert status == 0
        assert found["pixel_size_x"]["unit"] == found["pixel_size_y"]["unit"] == "um/px"
        assert found["finest_group"]["value"] == 3
        assert 1 <= found["finest_element"]["value"] <= 6
        assert found["finest_frequency"]["unit"] == "lp/mm"
        assert found["finest_frequency"]["u"] > 0
        drawn = cv2.imread(str(tmp_path / "bars.png"))
        assert drawn is not None
        assert drawn.shape[0] > 500

    @pytest.mark.parametrize(
        "options",
        [("--group", "x"), ("--contrast", "2"), ("--tolerance", "3"), ("--box", "0,0,9999,9")],
    )
    def test_unusable_requests_end_with_status_2(
        self, capsys: pytest.CaptureFixture[str], options: tuple[str, str]
    ) -> None:
        assert self.run(capsys, REAL, *options)[0] == 2

    def test_a_photo_without_a_target_is_refused_with_status_3(
        self, capsys: pytest.CaptureFixture[str], tmp_path: Path
    ) -> None:
        cv2.imwrite(str(tmp_path / "grey.png"), np.full((100, 120), 90, np.uint8))
        status, out, _ = self.run(capsys, tmp_path / "grey.png", "--json")
        assert status == 3
        assert "no three-bar target" in json.loads(out)["reason"]


@pytest.mark.parametrize("period", [4.3, 6.1, 9.7, 17.3, 40.0])
def test_the_contrast_of_a_sine_is_that_of_its_tops(period: float) -> None:
    """(max - min) / (max + min) of 1 + 0.3 cos is 0.3, by the definition of contrast (Michelson)."""
    x = np.arange(400) - 200.0
    light = 0.5 * (1 + 0.3 * np.cos(2 * np.pi * x / period))
    picture = np.tile(light, (300, 1)).astype(np.float32)
    site = Site(200.0, 150.0, (1.0, 0.0), (0.0, 1.0), period, 2.5 * period)
    found = read_contrast(picture, site)
    assert found is not None
    assert found.contrast == pytest.approx(0.3, rel=0.02)
