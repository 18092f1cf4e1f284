"""`glassay chain`: readings, fields and limits of a chain, without a photo."""

from __future__ import annotations

import json

import pytest

from glassay.cli import main


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    """Exit status, output and errors of `glassay chain ARGUMENTS`."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.argv", ["glassay", "chain", *arguments])
        try:
            main()
            status = 0
        except SystemExit as done:
            status = int(done.code or 0)
    out = capsys.readouterr()
    return status, out.out, out.err


def findings(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, float]:
    status, out, _ = run(capsys, *arguments, "--json")
    assert status == 0
    return {key: finding["value"] for key, finding in json.loads(out)["findings"].items()}


def test_a_field_number_is_millimetres_as_engraved(capsys: pytest.CaptureFixture[str]) -> None:
    chain = ("--objective", "50x", "--eyepiece", "10x")
    engraved = findings(capsys, *chain, "--field-number", "18")
    assert engraved == findings(capsys, *chain, "--field-number", "18mm")


def test_the_fixed_keys_carry_the_usual_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    # common practice, no source: 50x, 10x, field number 18 give 500x and 0.36 mm.
    found = findings(capsys, "--objective", "50x", "--eyepiece", "10x", "--field-number", "18mm")
    assert found["visual_magnification_min"] == found["visual_magnification_max"] == 500
    assert found["object_field"] == pytest.approx(360)


def test_a_zoom_chain_with_camera_and_display(capsys: pytest.CaptureFixture[str]) -> None:
    # common practice, no source: 14x to 90x; 640 columns of 3.4 um make 2.18 mm.
    found = findings(
        capsys, "--zoom", "0.7x to 4.5x", "--auxiliary", "2x", "--eyepiece", "10x",
        "--sensor-pitch", "3.4 um", "--sensor-pixels", "640", "--display-width", "500 mm",
        "--numerical-aperture", "0.1",
    )  # fmt: skip
    assert found["visual_magnification_min"] == pytest.approx(14)
    assert found["visual_magnification_max"] == pytest.approx(90)
    assert found["sensor_width"] == pytest.approx(2176)
    assert found["on_display_magnification_max"] == pytest.approx(500_000 / (2176 / 9))
    assert found["depth_of_field_wave"] == pytest.approx(55)
    assert found["useful_magnification_max"] == pytest.approx(100)


def test_every_finding_names_its_definition_and_unit(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, "--objective", "4x", "--sensor-pitch", "2um", "--json")
    assert status == 0
    for finding in json.loads(out)["findings"].values():
        assert set(finding) >= {"value", "u", "unit", "method"}
        assert finding["u"] == 0
        assert finding["method"]


def test_the_answer_for_people_says_each_reading_once(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, "--objective", "50x", "--eyepiece", "10x")
    assert status == 0
    assert out.count("500x") == 1
    assert "lowest" not in out
    _, ranged, _ = run(capsys, "--zoom", "1x to 4x", "--eyepiece", "10x")
    assert "lowest" in ranged
    assert "40x" in ranged


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        ((), "give --objective or --zoom"),
        (("--objective", "4x"), "nothing follows"),
        (("--objective", "4", "--field-number", "18 furlongz"), "--field-number: '18 furlongz'"),
        (("--objective", "4x", "--zoom", "1x to 2x"), "one of the two"),
        (("--objective", "-4x"), "positive factor"),
        (("--zoom", "4x to 1x", "--eyepiece", "10x"), "from the higher"),
        (("--objective", "4x", "--numerical-aperture", "nan"), "numerical aperture"),
        (("--objective", "4x", "--numerical-aperture", "3"), "numerical aperture"),
        (("--objective", "4x", "--refractive-index", "x"), "refractive index"),
        (("--objective", "4x", "--sensor-pixels", "0"), "size in pixels"),
        (("--objective", "4x", "--wavelength", "0 nm"), "above 0"),
    ],
)
def test_a_mistake_is_one_line_with_status_2(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], expected: str
) -> None:
    status, out, errors = run(capsys, *arguments)
    assert (status, out) == (2, "")
    assert expected in errors
    assert errors.count("\n") == 1
