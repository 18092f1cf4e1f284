"""`glassay edge PHOTO`: keys, units, refusals, the figure."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from tests.detail.exact_edges import ExactEdge, pupil

from glassay.cli import main
from glassay.imaging import linear_to_srgb
from glassay.quantity import Quantity
from glassay.report.evidence_edge import place_in_words


@pytest.fixture(scope="module")
def edge() -> ExactEdge:
    return ExactEdge(pupil(0.4), 6.0, 0.4)


@pytest.fixture(scope="module")
def photo(edge: ExactEdge, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An 8-bit sRGB photo of the edge."""
    path = tmp_path_factory.mktemp("edge") / "edge.png"
    stored = np.rint(255 * linear_to_srgb(edge.picture(noise=0.004)))
    cv2.imwrite(str(path), stored.astype(np.uint8))
    return path


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    """Exit status, output and errors of `glassay edge ARGUMENTS`."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.argv", ["glassay", "edge", *map(str, arguments)])
        try:
            main()
            status = 0
        except SystemExit as done:
            status = int(done.code or 0)
    out = capsys.readouterr()
    return status, out.out, out.err


def test_the_fixed_keys_and_their_units(
    capsys: pytest.CaptureFixture[str], photo: Path, edge: ExactEdge
) -> None:
    status, out, _ = run(capsys, photo, "--json", "--pixel-size", "0.5um")
    found = json.loads(out)["findings"]
    assert status == 0
    units = {
        "frequency_50": "cycles/px", "frequency_10": "cycles/px", "edge_width_10_90": "px",
        "overshoot": "1", "frequency_50_object": "cycles/um",
    }  # fmt: skip
    assert {key: found[key]["unit"] for key in units} == units
    assert found["frequency_50"]["value"] == pytest.approx(edge.frequency_at(0.5), rel=0.01)
    assert found["frequency_50_object"]["value"] == pytest.approx(
        2 * found["frequency_50"]["value"]
    )
    sources = {part["source"] for part in found["frequency_50"]["contributions"]}
    assert {"noise", "tails beyond the window", "method"} <= sources


def test_the_answer_says_that_the_pixel_is_included(
    capsys: pytest.CaptureFixture[str], photo: Path
) -> None:
    status, out, _ = run(capsys, photo)
    assert status == 0
    assert "50 % modulation at" in out
    assert "includes the pixel aperture" in out
    assert "taken as sRGB" in out


def test_a_stated_tone_curve_is_used(
    capsys: pytest.CaptureFixture[str], edge: ExactEdge, tmp_path: Path
) -> None:
    light = np.clip(edge.picture(noise=0.002, dark=0.03, bright=0.8), 0, 1)
    cv2.imwrite(str(tmp_path / "power.png"), np.rint(255 * light ** (1 / 1.6)).astype(np.uint8))
    values = {}
    for tone in ("1.6", "linear"):
        _, out, _ = run(capsys, tmp_path / "power.png", "--json", "--tone", tone)
        values[tone] = json.loads(out)["findings"]["frequency_50"]["value"]
    true = edge.frequency_at(0.5)
    assert values["1.6"] == pytest.approx(true, rel=0.01)
    assert abs(values["linear"] / true - 1) > 0.02


def test_a_figure_is_drawn(capsys: pytest.CaptureFixture[str], photo: Path, tmp_path: Path) -> None:
    status, _, _ = run(capsys, photo, "--figure", tmp_path / "edge.png")
    assert status == 0
    drawn = cv2.imread(str(tmp_path / "edge.png"))
    assert drawn is not None
    assert drawn.shape[0] > 500


@pytest.mark.parametrize(
    "options",
    [
        ("--tone", "vivid"), ("--tone", "9"), ("--box", "0,0,4000,4000"), ("--box", "a,b"),
        ("--pixel-size", "3"), ("--pixel-size", "-1um"), ("--figure", "edge.docx"),
    ],
)  # fmt: skip
def test_unusable_requests_end_with_status_2_and_one_line(
    capsys: pytest.CaptureFixture[str], photo: Path, tmp_path: Path, options: tuple[str, str]
) -> None:
    name, value = options
    value = str(tmp_path / value) if name == "--figure" else value
    status, _, err = run(capsys, photo, name, value)
    assert status == 2
    assert len(err.strip().splitlines()) == 1


def test_a_photo_without_edges_is_refused_with_status_3(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    cv2.imwrite(str(tmp_path / "flat.png"), np.full((120, 160, 3), 128, np.uint8))
    status, out, _ = run(capsys, tmp_path / "flat.png", "--json")
    answer = json.loads(out)
    assert status == 3
    assert answer["measured"] is False
    assert "no straight edge" in answer["reason"]


def test_a_colour_at_full_scale_is_clipped_even_if_the_luminance_is_not(
    capsys: pytest.CaptureFixture[str], edge: ExactEdge, tmp_path: Path
) -> None:
    light = np.stack([edge.picture(noise=0.004) * gain for gain in (0.5, 0.7, 1.3)], axis=2)
    stored = np.rint(255 * linear_to_srgb(light)).astype(np.uint8)  # blue, green, red for OpenCV
    cv2.imwrite(str(tmp_path / "red.png"), stored)
    status, _, err = run(capsys, tmp_path / "red.png")
    assert status == 3
    assert "clipped" in err


def test_a_point_beyond_nyquist_is_said_as_that_and_not_as_a_number() -> None:
    assert place_in_words(0.1, Quantity(0.84, "cycles/px")) == "10 % beyond Nyquist"
    assert place_in_words(0.5, Quantity(0.25, "cycles/px")) == "50 % at 0.25"
