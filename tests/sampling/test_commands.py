"""`glassay native` and `glassay repeat` on files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from glassay.cli import main
from glassay.simulate import Camera, Die, Optics, Pose, repeat_pair


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    """Exit status, output and errors of `glassay ARGUMENTS`."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.argv", ["glassay", *arguments])
        try:
            main()
            status = 0
        except SystemExit as done:
            status = int(done.code or 0)
    out = capsys.readouterr()
    return status, out.out, out.err


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """A pair of JPEGs of a die, 420 x 320 native px stored as 700 x 533."""
    folder = tmp_path_factory.mktemp("pair")
    camera = Camera(
        width=420, height=320, stored_size=(700, 533), resampling="bicubic", jpeg_quality=95,
        full_well_e=3000, colour="grey",
    )  # fmt: skip
    pair = repeat_pair(Die(), Pose(1.0, tilt_deg=4), Optics(na=0.15), camera, seed=2)
    paths = [shot.write(folder / f"{n}.jpg") for n, shot in enumerate(pair)]
    return str(paths[0]), str(paths[1])


def test_native_answers_with_the_sensor_size(capsys, files):
    status, out, _ = run(capsys, "native", *files, "--json")
    assert status == 0
    found = json.loads(out)["findings"]
    assert found["native_width"]["value"] == pytest.approx(420, abs=2)
    assert found["native_height"]["value"] == pytest.approx(320, abs=2)
    assert found["enlargement"]["value"] == pytest.approx(700 / 420, rel=0.005)
    assert found["native_megapixels"]["unit"] == "MP"


def test_native_says_it_in_words_with_the_evidence(capsys, files, tmp_path):
    figure = tmp_path / "traces.png"
    status, out, _ = run(capsys, "native", *files, "--figure", str(figure))
    assert status == 0
    assert "700 x 533 pixels were made from" in out
    assert "traces in the noise" in out
    assert figure.read_bytes()[:4] == b"\x89PNG"


def test_one_compressed_photo_is_not_enough_and_the_answer_says_what_to_shoot(capsys, tmp_path):
    camera = Camera(width=420, height=320, jpeg_quality=85)
    first, _ = repeat_pair(Die(), Pose(1.0, tilt_deg=4), Optics(na=0.15), camera, seed=2)
    path = first.write(tmp_path / "one.jpg")
    status, out, _ = run(capsys, "native", str(path), "--json")
    assert status == 3
    assert json.loads(out)["measured"] is False
    assert "take two exposures" in json.loads(out)["reason"]


def test_the_same_file_twice_is_recognised(capsys, files):
    for command in ("native", "repeat"):
        status, _, err = run(capsys, command, files[0], files[0])
        assert status == 3
        assert "identical pixel for pixel" in err


def test_repeat_gives_cutoff_and_noise(capsys, files, tmp_path):
    figure = tmp_path / "rings.png"
    status, out, _ = run(
        capsys, "repeat", *files, "--json", "--pixel-size", "0.6um", "--figure", str(figure)
    )
    assert status == 0
    found = json.loads(out)["findings"]
    assert 0 < found["frc_cutoff"]["value"] <= 0.5
    assert found["frc_cutoff"]["unit"] == "cycles/px"
    assert found["temporal_noise"]["value"] > 0
    assert found["frc_cutoff_object"]["unit"] == "cycles/um"
    assert figure.exists()


def test_a_missing_file_and_an_odd_figure_are_unusable(capsys, files, tmp_path: Path):
    assert run(capsys, "native", str(tmp_path / "none.jpg"))[0] == 2
    assert run(capsys, "repeat", *files, "--figure", str(tmp_path / "a.txt"))[0] == 2
