"""A plate shows the same piece of a chip in every panel, at the scale it states."""

from __future__ import annotations

import datetime
import io
import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from glassay.bench.chip.plate import Plate, Wanted, make_plate
from glassay.bench.measuring.assemble import RESULTS_FILE, current_keys
from glassay.bench.measuring.finer_instrument import comparison_keys
from glassay.bench.measuring.matching import match_chips, match_keys
from glassay.bench.measuring.methods.match import BY_FINER
from glassay.bench.measuring.run import Progress
from glassay.cli import program
from glassay.errors import NotMeasurable, Unusable
from glassay.report.parts import Report
from glassay.report.plate_layout import Layout, lay_out
from glassay.report.plate_sheet import PRINT, SIZES, animated, draw_series, draw_sheet
from glassay.report.plate_text import LINE, Size, text_width
from glassay.report.printed import write_summary
from tests.plate.conftest import PIXEL_UM, Shown, chip_file
from tests.report.test_printed_report import tool


@pytest.fixture(scope="module")
def plate(shown: Shown) -> Plate:
    return make_plate(shown.results, [shown.chip], Wanted())


# ---- matches on the bench ------------------------------------------------------------------------


def test_photos_of_one_chip_are_matched_and_calibrations_agree(shown: Shown) -> None:
    chip = shown.chip
    assert chip.reference == chip_file("near")  # the finest pixels
    assert set(chip.routes) == {chip_file(name) for name in PIXEL_UM}
    for pair in chip.pairs:
        if pair.result is None:
            continue
        first, second = (PIXEL_UM[Path(id).stem.split("-")[1]] for id in (pair.first, pair.second))
        assert pair.result.scale_ratio.value == pytest.approx(second / first, rel=1e-3)
        assert pair.verdict == "agree"


def test_what_does_not_match_is_kept_with_its_reason(shown: Shown) -> None:
    assert list(shown.chip.unmatched) == [chip_file("lamp")]
    assert "one even surface" in shown.chip.unmatched[chip_file("lamp")]


def test_matches_are_made_once(shown: Shown) -> None:
    steps: list[Progress] = []
    again = match_chips(shown.results, progress=steps.append)
    assert steps == []
    assert again[0].routes.keys() == shown.chip.routes.keys()
    kept = {path.stem for path in (shown.results.bench.results_folder / "measured").iterdir()}
    assert match_keys(shown.results.bench) <= kept


def test_the_finer_instrument_tells_the_response_of_the_coarser_one(shown: Shown) -> None:
    """Both have a blade too: by it, the coarser one's response agrees."""
    told = shown.results.capture(chip_file("far")).part(BY_FINER)
    assert told is not None
    assert told.status == "measured", told.reason
    blade = shown.results.capture("captures/blade-far.png").findings
    for key in ("frequency_50", "frequency_10"):
        by_chip, by_blade = told.findings[key].quantity, blade[key].quantity
        apart = abs(by_chip.value - by_blade.value)
        assert apart <= math.hypot(by_chip.expanded, by_blade.expanded)
    # The finest has no finer one, and 1.2 um are not fine enough beside 1.0 um.
    for name in ("near", "eye"):
        assert shown.results.capture(chip_file(name)).part(BY_FINER) is None
    kept = {path.stem for path in (shown.results.bench.results_folder / "measured").iterdir()}
    keys = comparison_keys(shown.results, match_chips(shown.results))
    assert len(keys) == 1
    assert keys <= kept
    assert keys <= current_keys(shown.results.bench)


def test_results_as_data_hold_the_matches(shown: Shown) -> None:
    data = json.loads((shown.results.bench.results_folder / RESULTS_FILE).read_text())
    (chip,) = data["same_chip"]
    assert chip["reference"] == chip_file("near")
    matched = [pair for pair in chip["pairs"] if pair["matched"]]
    assert {pair["second"] for pair in matched} >= {chip_file("far"), chip_file("eye")}
    assert all("scale_ratio" in pair["findings"] for pair in matched)


# ---- the piece -----------------------------------------------------------------------------------


def places_um(shown: Shown, plate: Plate, number: int, shape: tuple[int, int]) -> np.ndarray:
    """True object points (um) of some px of a panel."""
    panel = plate.panels[number]
    rows, columns = np.mgrid[0 : shape[0] : 40, 0 : shape[1] : 40]
    points = np.stack([columns.ravel(), rows.ravel()], axis=1).astype(np.float64)
    name = panel.capture.instrument
    return shown.shots[name].truth.mapping.to_um(plate.placed(panel, shape)(points))


def test_every_panel_shows_the_same_points_of_the_chip(shown: Shown, plate: Plate) -> None:
    assert [panel.capture.instrument for panel in plate.panels] == ["near", "far", "eye"]
    first = places_um(shown, plate, 0, (200, 200))
    for number in (1, 2):
        apart = np.hypot(*(places_um(shown, plate, number, (200, 200)) - first).T)
        assert apart.max() < 0.3 * PIXEL_UM["near"]  # the target for a match, on the object


def test_the_stated_width_is_that_of_the_chip(shown: Shown, plate: Plate) -> None:
    panel, shape = plate.panels[0], (200, 200)
    ends = plate.placed(panel, shape)(np.array([[-0.5, 99.5], [199.5, 99.5]]))
    true = np.diff(shown.shots["near"].truth.mapping.to_um(ends), axis=0)[0]
    low, high = plate.width_um.interval
    assert low <= np.hypot(*true) <= high


def test_the_chosen_piece_lies_within_every_field_also_a_round_one(
    shown: Shown, plate: Plate
) -> None:
    assert plate.left_out == {"Glass lamp": shown.chip.unmatched[chip_file("lamp")]}
    corners = np.array([[-0.5, -0.5], [199.5, -0.5], [199.5, 199.5], [-0.5, 199.5]])
    for panel in plate.panels:
        at = plate.placed(panel, (200, 200))(corners)
        assert (at > -1).all()
        assert (at < (panel.photo.width, panel.photo.height)).all()
    eye = plate.panels[2]
    middle = ((eye.photo.width - 1) / 2, (eye.photo.height - 1) / 2)
    reach = np.hypot(*(plate.placed(eye, (200, 200))(corners) - middle).T).max()
    assert reach < 330 / PIXEL_UM["eye"] / 2


def test_a_region_is_shown_as_asked_and_others_are_named(shown: Shown) -> None:
    wanted = Wanted(region=(10, 20, 100, 80), frame=chip_file("near"))
    plate = make_plate(shown.results, [shown.chip], wanted)
    assert plate.aspect == 1.25
    at = plate.placed(plate.panels[0], (80, 100))(np.array([[0.0, 0], [99, 79]]))
    assert at == pytest.approx(np.array([[10, 20], [109, 99]]), abs=1e-6)
    with pytest.raises(NotMeasurable, match="fewer than two"):
        make_plate(shown.results, [shown.chip], Wanted(region=(3000, 0, 50, 50)))
    with pytest.raises(Unusable, match="no capture"):
        make_plate(shown.results, [shown.chip], Wanted(captures=("nothing.png",)))
    with pytest.raises(Unusable, match="no capture of chip"):
        make_plate(shown.results, [shown.chip], Wanted(frame=chip_file("lamp")))
    with pytest.raises(NotMeasurable, match="no chip"):
        make_plate(shown.results, [], Wanted())


# ---- the sheet -----------------------------------------------------------------------------------


COARSE_PRINT = Size(PRINT.width // 3, None, PRINT.dpi / 3, PRINT.text / 3)
"""The sheet for print at a third of its resolution."""
SMALL_STILL = Size(960, 540, 96, 10.5)


@pytest.mark.parametrize("size", [COARSE_PRINT, SMALL_STILL], ids=["print", "still"])
@pytest.mark.parametrize("layout", ["grid", "wipe"])
@pytest.mark.parametrize("blind", [False, True])
def test_nothing_overlaps_or_leaves_the_sheet(
    plate: Plate, size: Size, layout: Layout, blind: bool
) -> None:
    names = ["Picture 1", "Picture 2", "Picture 3"] if blind else None
    sheet = lay_out(plate, size, layout, names)
    assert sheet.height == (size.height or sheet.height)
    boxes = [(x, y, x + p.shape[1], y + p.shape[0]) for p, x, y in sheet.pictures]
    boxes += [
        (x, y, x + text_width(line.text, line.size, line.bold), y + LINE * line.size)
        for line, x, y in sheet.texts
    ]
    for left, top, right, bottom in boxes:
        assert left >= 0
        assert top >= 0
        assert right <= size.width
        assert bottom <= sheet.height
    for n, one in enumerate(boxes):
        for other in boxes[:n]:
            apart = (
                one[0] >= other[2] - 1 or other[0] >= one[2] - 1
                or one[1] >= other[3] - 1 or other[1] >= one[3] - 1
            )  # fmt: skip
            assert apart, (one, other)
    words = " ".join(line.text for line, _, _ in sheet.texts)
    assert ("Glass" in words) != blind


def test_the_bar_is_a_1_2_5_length_at_the_plates_scale(plate: Plate) -> None:
    sheet = lay_out(plate, COARSE_PRINT, "grid")
    for (_, _, length, _, words), (picture, _, _) in zip(sheet.bars, sheet.pictures, strict=True):
        um = float(words.replace("\u00a0", " ").split()[0])
        assert str(f"{um:e}")[0] in "125"
        assert length == pytest.approx(um / plate.width_um.value * picture.shape[1])


def test_panels_are_drawn_px_for_px(plate: Plate) -> None:
    size = SIZES["1920x1080"]
    sheet = lay_out(plate, size, "grid")
    with Image.open(io.BytesIO(draw_sheet(plate, size, "dark", "grid", ".png"))) as drawn:
        assert drawn.size == (1920, 1080)
        whole = np.asarray(drawn.convert("RGB"))
    for picture, x, y in sheet.pictures:
        height, width = picture.shape[:2]
        part = whole[y : y + height, x : x + width]
        upper = slice(0, int(0.8 * height))  # below lies the scale bar
        assert (part[upper] == picture[upper]).mean() > 0.999


@pytest.mark.parametrize(("suffix", "start"), [(".svg", b"<?xml"), (".pdf", b"%PDF")])
def test_sheets_for_print_are_180_mm_wide_and_the_same_every_time(
    plate: Plate, suffix: str, start: bytes
) -> None:
    two = replace(plate, panels=plate.panels[:2])
    made = draw_sheet(two, COARSE_PRINT, "light", "grid", suffix)
    assert made.startswith(start)
    assert made == draw_sheet(two, COARSE_PRINT, "light", "grid", suffix)
    points = PRINT.width / PRINT.dpi * 72
    assert points == pytest.approx(180 / 25.4 * 72, abs=0.5)
    if suffix == ".svg":
        width = re.search(rb'<svg[^>]* width="([0-9.]+)pt"', made)
        assert width is not None
        assert float(width[1]) == pytest.approx(points, abs=0.5)


def test_pictures_in_turn_are_one_animation_and_a_still_each(plate: Plate) -> None:
    stills = draw_series(plate, SMALL_STILL, "light")
    assert len(stills) == 3
    with Image.open(io.BytesIO(animated(stills))) as film:
        assert film.n_frames == 3  # type: ignore[attr-defined]
        assert film.size == (960, 540)


# ---- in the printed report -----------------------------------------------------------------------


def test_the_first_printed_page_has_the_plate_on_it(shown: Shown, tmp_path: Path) -> None:
    path = tmp_path / "summary.pdf"
    write_summary(Report(shown.results, {}, datetime.date(2026, 5, 1)), path)
    said = " ".join(tool("pdftotext", str(path), "-").split())
    assert "Pages: 1" in " ".join(tool("pdfinfo", str(path)).split())
    pictures = tool("pdfimages", "-list", str(path)).splitlines()[2:]
    assert len([line for line in pictures if line.split()[2] == "image"]) == 3
    assert "Not shown: Glass lamp" in said


# ---- the command ---------------------------------------------------------------------------------


def run(*words: object) -> tuple[int, str]:
    found = CliRunner().invoke(program, ["plate", *map(str, words)])
    return found.exit_code, found.output if found.exception is None else str(found.exception)


def test_the_command_writes_a_plate_and_says_what_is_missing(shown: Shown, tmp_path: Path) -> None:
    out = tmp_path / "plate.png"
    status, said = run(shown.results.bench.folder, "--out", out, "--size", "1920x1080")
    assert status == 0, said
    assert "not shown: Glass lamp" in said
    with Image.open(out) as picture:
        assert picture.size == (1920, 1080)


def test_stills_for_a_film_show_one_instrument_after_another_and_end_in_the_comparison(
    shown: Shown, plate: Plate, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert (SIZES["1920x1080"].width, SIZES["1920x1080"].height) == (1920, 1080)
    assert (SIZES["3840x2160"].width, SIZES["3840x2160"].height) == (3840, 2160)
    # Drawn small here, which changes nothing in what is shown.
    monkeypatch.setitem(SIZES, "1920x1080", SMALL_STILL)
    monkeypatch.setitem(SIZES, "3840x2160", SMALL_STILL)
    status, said = run(shown.results.bench.folder, "--stills", tmp_path / "film")
    assert status == 0, said
    folders = ("1080p-light", "1080p-dark", "4k-light", "4k-dark")
    made = sorted(path.relative_to(tmp_path / "film") for path in tmp_path.rglob("*.png"))
    assert made == sorted(Path(f) / f"{n:02}.png" for f in folders for n in (1, 2, 3, 4))
    for look in ("light", "dark"):
        stills = [(tmp_path / f"film/1080p-{look}/{n:02}.png").read_bytes() for n in (1, 2, 3, 4)]
        assert stills[:3] == draw_series(plate, SMALL_STILL, look)
        assert stills[3] == draw_sheet(plate, SMALL_STILL, look, "grid", ".png")
        with Image.open(io.BytesIO(stills[3])) as comparison:
            brightness = np.asarray(comparison.convert("L"))[:3].mean()
        assert (brightness > 200) == (look == "light")


def test_a_blind_plate_keeps_its_key_apart(shown: Shown, tmp_path: Path) -> None:
    out = tmp_path / "plate.svg"
    status, said = run(shown.results.bench.folder, "--out", out, "--blind", "--size", "1920x1080")
    assert status == 0, said
    key = json.loads((tmp_path / "plate-key.json").read_text())
    assert {entry["instrument"] for entry in key.values()} == {f"Glass {n}" for n in PIXEL_UM}
    assert list(key) == ["Picture 1", "Picture 2", "Picture 3"]


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--out", "plate.jpg"], "a plate is written as"),
        (["--out", "plate.svg", "--layout", "alternate"], "are written as .png"),
        (["--region", "1,2,3"], "is not x,y,width,height"),
        (["--width", "0um"], "must be more than zero"),
        (["--object", "slice"], "no reference object"),
    ],
)
def test_mistakes_are_said_in_a_line(
    shown: Shown, tmp_path: Path, words: list[str], why: str
) -> None:
    out = [] if "--out" in words else ["--out", str(tmp_path / "p.png")]
    status, said = run(shown.results.bench.folder, *words, *out)
    assert status != 0
    assert why in said
