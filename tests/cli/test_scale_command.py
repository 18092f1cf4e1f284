"""What `glassay scale` calls the field."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.bench.slides import draw_slide

from glassay.cli.commands import scale
from glassay.cli.commands.scale import Slide, command
from glassay.quantity import Quantity


@pytest.mark.parametrize("diameter", [None, 560.0])
def test_the_black_around_a_round_field_is_not_called_field(
    tmp_path: Path, diameter: float | None
) -> None:
    photo = draw_slide(tmp_path / "slide.png", pixel_size_um=1.25, round_field_um=diameter)
    said = CliRunner().invoke(command, [str(photo), "--division", "10um"], catch_exceptions=False)
    lines = [line for line in said.output.splitlines() if "field" in line.split("   ")[0]]
    (told,) = lines
    if diameter is None:
        assert told.startswith("field  ")
    else:
        assert told.startswith("round field   0.5")
        assert "across, in a picture 0.8" in told


def test_a_tilt_that_rounds_to_none_has_no_sign(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo = draw_slide(tmp_path / "slide.png", pixel_size_um=1.25)
    told = scale._say

    def barely_tilted(slide: Slide) -> str:
        result = slide.calibration.result
        turned = replace(result, tilt=Quantity(-0.004, "deg"))
        return told(replace(slide, calibration=replace(slide.calibration, result=turned)))

    monkeypatch.setattr(scale, "_say", barely_tilted)
    said = CliRunner().invoke(command, [str(photo), "--division", "10um"], catch_exceptions=False)
    assert "tilt          0.00 deg" in said.output


def test_a_division_may_be_a_part_of_an_inch(tmp_path: Path) -> None:
    photo = draw_slide(tmp_path / "slide.png", pixel_size_um=1.25)
    sizes = []
    for text in ("1/2540 in", "10um"):
        said = CliRunner().invoke(command, [str(photo), "--division", text, "--json"])
        sizes.append(json.loads(said.output)["findings"]["pixel_size"]["value"])
    assert sizes[0] == pytest.approx(sizes[1], rel=1e-12)
