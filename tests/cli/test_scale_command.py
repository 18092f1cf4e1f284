"""What `glassay scale` calls the field."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.bench.slides import draw_slide

from glassay.cli.commands.scale import command


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
