"""Detail drawn from what is kept: edges, bars, repeated exposures, and native sampling."""

from __future__ import annotations

import re

import cv2
import numpy as np
import pytest

from glassay.bench.document.read import load_bench
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import assemble
from glassay.bench.measuring.run import measure_captures
from glassay.report.curves import Chart, Curve, decades
from glassay.report.drawing import CaptureFigures, html_of
from glassay.report.evidence import draw_captures
from glassay.web.overlay import shapes_of

BENCH = """
[[object]]
id = "blade"
kind = "edge"
[[object]]
id = "chip"
kind = "chip"
[[object]]
id = "twice"
kind = "repeat pair"
[[instrument]]
id = "pad"
kind = "screen"
[[capture]]
file = "captures/blade.png"
instrument = "pad"
object = "blade"
[[capture]]
file = "captures/plain.png"
instrument = "pad"
object = "chip"
[[capture]]
id = "pair"
files = ["captures/a.png", "captures/b.png"]
instrument = "pad"
object = "twice"
"""

LEAN_DEG = 7.0


def slanted(width: int, height: int) -> np.ndarray:
    """A soft edge through the middle, `LEAN_DEG` off upright, 8-bit."""
    y, x = np.mgrid[0:height, 0:width].astype(float)
    lean = np.radians(LEAN_DEG)
    across = (x - width / 2) * np.cos(lean) + (y - height / 2) * np.sin(lean)
    return np.asarray(50 + 150 / (1 + np.exp(-1.2 * across)), dtype=np.float64)


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> BenchResults:
    folder = tmp_path_factory.mktemp("detail") / "bench"
    (folder / "captures").mkdir(parents=True)
    (folder / "bench.toml").write_text(BENCH)
    rng = np.random.default_rng(4)

    def write(name: str, picture: np.ndarray) -> None:
        noisy = picture + rng.normal(0, 1.5, picture.shape)
        cv2.imwrite(str(folder / "captures" / name), np.clip(np.rint(noisy), 0, 255))

    write("blade.png", slanted(300, 240))
    write("plain.png", np.full((200, 220), 90.0))
    texture = cv2.GaussianBlur(rng.normal(120, 90, (260, 340)), (0, 0), 1.5)
    for name in ("a.png", "b.png"):
        small = texture + rng.normal(0, 4, texture.shape)
        write(name, cv2.resize(small, (612, 468), interpolation=cv2.INTER_CUBIC))
    bench = load_bench(folder)
    return assemble(bench, measure_captures(bench, jobs=1))


@pytest.fixture(scope="module")
def figures(results: BenchResults) -> dict[str, CaptureFigures]:
    return draw_captures(results)


def paths(html: str, kind: str) -> list[np.ndarray]:
    """The points of each path of a class in HTML, (n, 2)."""
    found = re.findall(rf'<path class="{kind}" d="([^"]*)"', html)
    return [np.array(re.findall(r"-?[\d.]+", data), dtype=float).reshape(-1, 2) for data in found]


def test_strokes_lie_along_the_edge(figures: dict[str, CaptureFigures]) -> None:
    (figure,) = figures["captures/blade.png"].figures
    (ends,) = paths(figure.html, "line ")
    for (x0, y0), (x1, y1) in ends.reshape(-1, 2, 2):
        lean = np.degrees(np.arctan2(abs(x1 - x0), abs(y1 - y0)))
        assert lean == pytest.approx(LEAN_DEG, abs=0.3)
        # On the edge, which passes through the middle of the picture; halfway up in light is a
        # little further to the bright side than halfway up in stored values.
        at = 150 - ((y0 + y1) / 2 - 120) * np.tan(np.radians(LEAN_DEG))
        assert (x0 + x1) / 2 == pytest.approx(at + 0.5, abs=0.5)


def test_the_curve_falls_from_one_and_its_half_is_marked(
    results: BenchResults, figures: dict[str, CaptureFigures]
) -> None:
    (figure,) = figures["captures/blade.png"].figures
    (curve,) = paths(figure.html, "main")
    assert (np.diff(curve[:10, 1]) > 0).all()  # downwards on the page
    half = results.capture("captures/blade.png").findings["frequency_50"].quantity.value
    assert f"50 % at {half:.2f}"[:11] in figure.html


def test_repeated_exposures_show_the_photo_once_and_both_curves(
    results: BenchResults, figures: dict[str, CaptureFigures]
) -> None:
    assert figures["pair"].missing == ""
    pages = [figure.html for figure in figures["pair"].figures]
    (repeated,) = (html for html in pages if "Correlation of the exposures" in html)
    (native,) = (html for html in pages if "Along the width" in html)
    assert repeated.count("<image ") == 1
    assert native.count("<image ") == 0
    assert len(re.findall('class="chart"', repeated)) == 2
    found = results.capture("pair").findings
    assert found["native_verdict"].value == "enlarged"
    for side in ("width", "height"):
        assert f"Along the {side}: enlargement by 1.8" in native


def test_a_photo_without_edges_is_shown_as_it_is(figures: dict[str, CaptureFigures]) -> None:
    (figure,) = figures["captures/plain.png"].figures
    assert figure.html.startswith("<img ")
    assert figures["captures/plain.png"].missing == ""


def test_evidence_of_detail_stays_small(results: BenchResults) -> None:
    part = results.capture("pair").part("native sampling")
    assert part is not None
    assert len(part.evidence["width"]["noise"]["strength"]) <= 400
    # Thinning keeps the highest point: the trace itself.
    assert max(part.evidence["width"]["noise"]["strength"]) > 5


def test_the_workbench_lays_edges_over_the_photo(results: BenchResults) -> None:
    shapes = shapes_of(results.capture("captures/blade.png"))
    used = results.capture("captures/blade.png").findings["edges"].value
    assert shapes.words == f"{used} edge{'s' if used > 1 else ''} used"
    assert shapes.paths.count("M") == used


def test_what_lies_off_a_chart_is_cut_at_its_ends() -> None:
    curve = Curve([-1.0, 0.0, 0.5, 1.0, 2.0], [5.0, 0.0, 0.5, 1.0, 5.0])
    chart = Chart(
        "a line", "x", "y", (0.0, 1.0), (0.0, 1.0), (curve,), ((0.0, "0"),), ((1.0, "1"),)
    )
    (points,) = paths(html_of([chart]), "main")
    assert points.tolist() == [
        [round(chart.x(v), 1), round(chart.y(v), 1)] for v in (0.0, 0.5, 1.0)
    ]


def test_powers_of_ten_are_written_as_such() -> None:
    assert decades(1e-6, 1.0)[0] == (1e-6, "10⁻⁶")
    assert decades(0.01, 100.0) == ((0.01, "0.01"), (0.1, "0.1"), (1.0, "1"), (10.0, "10"),
                                    (100.0, "100"))  # fmt: skip


def test_marks_of_a_chart_stay_within_it_and_their_words_on_rows_of_their_own() -> None:
    chart = Chart(
        "", "", "", (0, 1), (0, 1), (), (), (),
        marks=((0.5, "Nyquist"), (0.53, "50 % beyond Nyquist"), (0.9, "10 % beyond Nyquist")),
    )  # fmt: skip
    placed = chart.placed_marks()
    assert len({down for _, _, down, _ in placed}) == 3
    assert [is_left for _, _, _, is_left in placed] == [True, False, False]


def test_a_band_that_leaves_the_chart_is_cut_and_stays_one_piece() -> None:
    x = [0.0, 0.5, 1.0, 1.5]
    curve = Curve(x, x, low=[0.1] * 4, high=[0.2] * 4)
    band = Chart("", "", "", (0, 1), (0, 1), (curve,), (), ()).band(curve)
    assert band.count("M") == 1
    assert band.count("L") == 5
