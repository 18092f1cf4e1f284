"""`glassay array`: from photos on disk to numbers, data, a figure, and refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image
from tests.lattice.drawn_dies import drawn_die, stored

from glassay.cli.commands.array import command


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    folder = tmp_path_factory.mktemp("die")
    near, far = folder / "near.png", folder / "far.png"
    Image.fromarray(stored(drawn_die(7.0, tilt_deg=2))).save(near)
    whole = drawn_die(0.7, pixels=(800, 600), size=(700, 560), blur_px=1.0)
    Image.fromarray(stored(whole)).save(far)
    return str(near), str(far)


def test_a_close_up_and_an_overview_as_data_and_figure(
    photos: tuple[str, str], tmp_path: Path
) -> None:
    figure = tmp_path / "array.png"
    sizes = ["--pixel-size", "0.20000um", "--pixel-size", "2.0000um"]
    run = CliRunner().invoke(command, [*photos, *sizes, "--json", "--figure", str(figure)])
    assert run.exit_code == 0, run.output
    found = json.loads(run.output)["findings"]
    assert found["pitch_x"]["value"] == pytest.approx(1.4, rel=0.001)
    assert found["pitch_x"]["unit"] == "um"
    assert found["columns"]["value"] == pytest.approx(800, rel=0.005)
    assert found["rows"]["value"] == pytest.approx(600, rel=0.005)
    with Image.open(figure) as drawn:
        assert drawn.width > 3 * drawn.height / 2


def test_a_pixel_size_is_known_to_half_the_digit_it_was_written_to(photos: tuple[str, str]) -> None:
    # 0.2 um stands for 0.15 to 0.25 um, rectangular (JCGM 100:2008, 4.3.7); the pitch takes that share.
    for text, share in (("0.2um", 0.25), ("0.2000um", 0.00025)):
        run = CliRunner().invoke(command, [photos[0], "--pixel-size", text, "--json"])
        budget = json.loads(run.output)["findings"]["pitch_x"]["contributions"]
        written = [line["u"] for line in budget if line["source"] == "digits as written"]
        assert written == [pytest.approx(1.4 * share / 3**0.5, rel=0.01)]


def test_the_answer_in_words(photos: tuple[str, str]) -> None:
    run = CliRunner().invoke(command, [photos[0], "--pixel-size", "0.20000um"])
    assert run.exit_code == 0, run.output
    assert "pitch along x 1.400" in run.output
    assert "colour mosaic" in run.output
    assert "extent of the array is not told" in run.output


def test_a_photo_that_does_not_resolve_the_pixels_is_refused(photos: tuple[str, str]) -> None:
    run = CliRunner().invoke(command, [photos[1], "--json"])
    assert run.exit_code == 3
    assert "closer photo" in json.loads(run.output)["reason"]


def test_pixel_sizes_must_be_one_or_one_for_each_photo(photos: tuple[str, str]) -> None:
    sizes = [part for size in ("1um", "2um", "3um") for part in ("--pixel-size", size)]
    run = CliRunner().invoke(command, [*photos, *sizes])
    assert run.exit_code == 2
    assert "3 times for 2 photos" in run.output
