"""`glassay match`: its keys, its figure, its refusals."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from glassay.cli import main
from glassay.simulate import Die
from tests.match.pairs import shot


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder, die = tmp_path_factory.mktemp("match"), Die(seed=8)
    one = shot(die, 1.0, -8, (-150, 100), size=(240, 180))
    two = shot(die, 1.4, 12, (-140, 90), size=(240, 180), seed=1)
    return one.write(folder / "one.png"), two.write(folder / "two.png")


def said(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *words: object
) -> tuple[int, str, str]:
    monkeypatch.setattr("sys.argv", ["glassay", "match", *map(str, words)])
    status = 0
    try:
        main()
    except SystemExit as stopped:
        status = int(stopped.code or 0)
    printed = capsys.readouterr()
    return status, printed.out, printed.err


def test_the_fixed_keys_and_the_verdict_on_the_calibrations(
    photos: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    figure = tmp_path / "match.png"
    status, out, _ = said(capsys, monkeypatch, *photos, "--pixel-size", "1.0um", "--pixel-size",
                          "1.40um", "--json", "--figure", figure)  # fmt: skip
    assert status == 0
    findings = json.loads(out)["findings"]
    assert findings["scale_ratio"]["value"] == pytest.approx(1.4, rel=1e-3)
    assert findings["rotation"]["value"] == pytest.approx(20, abs=0.05)
    assert findings["residual"]["unit"] == "px"
    assert findings["residual"]["value"] < 0.3
    assert findings["calibrations"]["value"] == "agree"
    with Image.open(figure) as drawn:
        assert min(drawn.size) > 800


def test_a_refusal_is_status_3_with_its_reason(
    photos: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    flat = tmp_path / "flat.png"
    Image.fromarray(np.full((240, 320), 90, np.uint8)).save(flat)
    status, out, _ = said(capsys, monkeypatch, photos[0], flat, "--json")
    assert status == 3
    assert json.loads(out)["measured"] is False
    assert "one even surface" in json.loads(out)["reason"]


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--slide", "a.png", "--pixel-size", "1um"], "not both"),
        (["--slide", "a.png"], "needs --division"),
        (["--slide", "a.png", "--division", "10um"], "give --slide twice"),
    ],
)
def test_unclear_calibrations_are_told(
    photos: tuple[Path, Path], words: list[str], why: str, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    status, _, err = said(capsys, monkeypatch, *photos, *words)
    assert status == 2
    assert why in err
