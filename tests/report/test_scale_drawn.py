"""A scale drawn: strokes lie on its lines, the arrow along them, the circle on the rim."""

from __future__ import annotations

import base64
import io
import math
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image
from tests.bench.slides import draw_slide

from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import BenchResults
from glassay.errors import Unusable
from glassay.imaging import Photo, read_photo
from glassay.quantity import Quantity
from glassay.report.drawing import CaptureFigures, pieces_of
from glassay.report.evidence import Case, draw_captures
from glassay.report.evidence_scale import ScaleDrawing, draw_scale, figures
from glassay.report.kept_drawings import KeptDrawings
from glassay.report.parts import Report
from glassay.scale import Calibration, Division, measure_scale
from glassay.scale.calibrate import calibrate


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Photo:
    path = tmp_path_factory.mktemp("slide") / "slide.png"
    return read_photo(draw_slide(path, pixel_size_um=1.25, seed=3))


@pytest.fixture(scope="module")
def calibration(photo: Photo) -> Calibration:
    return calibrate(measure_scale(photo.linear_grey()), Division.uncertified(10.0))


def drawing_of(calibration: Calibration) -> ScaleDrawing:
    findings = {key: one.value for key, one in calibration.findings().items()}
    quantities = {key: v for key, v in findings.items() if isinstance(v, Quantity)}
    return ScaleDrawing.of_stored(to_plain(calibration.result), quantities)


def html_of_scale(photo: Photo, calibration: Calibration) -> str:
    case = Case.of_result("ruled scale", calibration.findings(), calibration.result, [photo], ["x"])
    return figures(case)[0].html


def strokes(svg: str) -> np.ndarray:
    """Ends of the strokes of the first thin path in an SVG, (n, 4)."""
    path = re.search(r'<path class="line thin" d="([^"]+)"', svg)
    assert path is not None
    numbers = [float(text) for text in re.findall(r"-?[\d.]+", path[1])]
    return np.array(numbers).reshape(-1, 4)


def test_strokes_lie_on_the_dark_lines_of_the_photo(photo: Photo, calibration: Calibration) -> None:
    drawn = strokes(html_of_scale(photo, calibration))
    # The slide is level and longer than the field of 800 um: 80 divisions in view, 8 px apart.
    assert len(drawn) == pytest.approx(80, abs=2)
    middles = drawn[:, 0::2].mean(axis=1)
    assert np.diff(np.sort(middles)) == pytest.approx(8.0, abs=0.3)
    row = photo.linear_grey()[220:260].mean(axis=0)
    inside = middles[(middles > 8) & (middles < photo.width - 8)]
    on = np.interp(inside, np.arange(photo.width), row)
    between = np.interp(inside + 4, np.arange(photo.width), row)
    assert (on < 0.6 * between).all()


def test_a_file_shows_the_strokes_of_the_page(photo: Photo, calibration: Calibration) -> None:
    case = Case.of_result("ruled scale", calibration.findings(), calibration.result, [photo], ["x"])
    (figure,) = figures(case)
    over, detail, residuals = pieces_of(figure.panels)
    assert strokes(over.svg.decode()).tolist() == strokes(figure.html).tolist()
    assert len(strokes(detail.svg.decode())) < len(strokes(figure.html))
    assert residuals.svg.count(b"h0") == len(strokes(figure.html))  # a dot for each line
    for piece in (over, detail, residuals):
        ElementTree.fromstring(piece.svg)  # each stands alone as XML


def test_the_arrow_points_along_the_scale(photo: Photo, calibration: Calibration) -> None:
    for tilt in (-30.0, 0.0, 20.0, 88.0):
        c, s = math.cos(math.radians(tilt)), math.sin(math.radians(tilt))
        at = np.arange(-20, 21) * 8.0
        segments = np.column_stack(
            [320 + at * c - 20 * s, 240 + at * s + 20 * c,
             320 + at * c + 30 * s, 240 + at * s - 30 * c]
        )  # fmt: skip
        drawing = replace(
            drawing_of(calibration), segments=segments,
            residuals=np.zeros(len(at)), tilt=Quantity(tilt, "deg"),
        )  # fmt: skip
        x0, y0, x1, y1 = drawing.axis
        assert math.degrees(math.atan2(y1 - y0, x1 - x0)) == pytest.approx(tilt, abs=1e-6)
        assert math.hypot(x1 - x0, y1 - y0) == pytest.approx(40 * 8.0)


def test_the_circle_lies_on_the_rim_of_a_round_field(tmp_path: Path) -> None:
    path = draw_slide(tmp_path / "eye.png", pixel_size_um=1.25, round_field_um=560)
    photo = read_photo(path)
    found = calibrate(measure_scale(photo.linear_grey()), Division.uncertified(10.0))
    svg = html_of_scale(photo, found)
    circle = re.search(r'<path class="line " d="M([\d.]+) ([\d.]+)a([\d.]+) ', svg)
    assert circle is not None
    left, y, radius = (float(text) for text in circle.groups())
    x = left + radius
    assert (x, y) == pytest.approx((319.5, 239.5), abs=1)
    assert radius == pytest.approx(560 / 1.25 / 2, abs=1)


def test_the_scale_bar_has_the_length_it_states(calibration: Calibration) -> None:
    drawing = drawing_of(calibration)
    length_um, length_px = drawing.bar
    assert length_um == 200  # of a field 800 um wide: the largest of 1-2-5 within a quarter
    assert length_px == pytest.approx(200 / 1.25, rel=0.005)


def test_residuals_stand_where_their_lines_are(calibration: Calibration) -> None:
    drawing = drawing_of(calibration)
    places = [place for place, _ in drawing.strip()]
    assert places == pytest.approx(drawing.middles[:, 0].tolist())
    assert max(abs(r) for _, r in drawing.strip()) <= drawing.limit_px
    assert drawing.rms_px == pytest.approx(np.sqrt(np.mean(drawing.residuals**2)))


def test_kept_evidence_draws_what_a_fresh_measurement_draws(results: BenchResults) -> None:
    result = results.capture("captures/near.png")
    part = result.part("ruled scale")
    assert part is not None
    assert part.evidence
    kept = Case.of_capture(results.bench, result.capture, part, 100_000, "c")
    fresh = Case.of_capture(results.bench, result.capture, replace(part, evidence={}), 100_000, "c")
    assert strokes(figures(kept)[0].html) == pytest.approx(strokes(figures(fresh)[0].html))


def test_incomplete_evidence_leaves_a_word_instead_of_a_drawing(results: BenchResults) -> None:
    def damaged(one):  # type: ignore[no-untyped-def]
        parts = tuple(
            replace(part, evidence={"shape": [3, "x"]}) if part.status == "measured" else part
            for part in one.parts
        )
        return replace(one, parts=parts)

    broken = replace(results, captures=tuple(damaged(one) for one in results.captures))
    drawn = draw_captures(broken)
    assert drawn["captures/near.png"].figures == ()
    assert "evidence is not complete" in drawn["captures/near.png"].missing
    assert drawn["captures/chip.png"].figures


def test_each_capture_carries_its_own_photo(report: Report, results: BenchResults) -> None:
    for capture in results.bench.captures:
        drawn: CaptureFigures = report.figures[capture.id]
        assert drawn.missing == ""
        source = re.search(r'(?:href|src)="data:image/jpeg;base64,([^"]+)"', drawn.figures[0].html)
        assert source is not None
        shown = np.asarray(Image.open(io.BytesIO(base64.b64decode(source[1]))).convert("L"))
        whole = np.asarray(Image.open(results.bench.paths(capture)[0]).convert("L"))
        assert shown.shape == whole.shape  # none is larger than what a page carries
        assert np.abs(shown.astype(float) - whole).mean() < 6


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
def test_a_figure_is_written_in_the_format_of_its_name(
    photo: Photo, calibration: Calibration, tmp_path: Path, suffix: str
) -> None:
    path = tmp_path / f"figure{suffix}"
    draw_scale(photo, calibration, path)
    data = path.read_bytes()
    start = {".png": b"\x89PNG", ".svg": b"<svg", ".pdf": b"%PDF"}[suffix]
    assert data.startswith(start)
    if suffix == ".png":
        assert min(Image.open(io.BytesIO(data)).size) > 600


def test_figures_that_cannot_be_written_are_refused_in_one_sentence(
    photo: Photo, calibration: Calibration, tmp_path: Path
) -> None:
    with pytest.raises(Unusable, match="a figure is written as"):
        draw_scale(photo, calibration, tmp_path / "figure.doc")
    with pytest.raises(Unusable, match="cannot be written"):
        draw_scale(photo, calibration, tmp_path / "none" / "figure.png")


def test_a_fault_in_one_drawing_costs_only_that_drawing(
    results: BenchResults, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble(case: Case) -> None:
        raise ZeroDivisionError(f"in {case.files[0]}")

    monkeypatch.setattr("glassay.report.evidence_scale.figures", stumble)
    monkeypatch.setattr(KeptDrawings, "once", lambda _, made_of, make, lasting: make())
    drawn = draw_captures(results)
    assert "ZeroDivisionError: in captures/near.png" in drawn["captures/near.png"].missing
    assert drawn["captures/chip.png"].figures
