"""`glassay preview`: from files alone, against a real capture, and its refusals."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from scipy import ndimage
from tests.detail.test_predicted_view import taken, texture

from glassay.bench.keeping.results import MethodResult
from glassay.bench.measuring.response import response_of
from glassay.cli import program
from glassay.imaging.tone import FloatImage, linear_to_srgb


def saved(picture: FloatImage, path: Path) -> Path:
    Image.fromarray(np.rint(linear_to_srgb(picture) * 255).astype(np.uint8)).save(path)
    return path


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("preview")
    scene = texture()
    y, x = np.mgrid[0:1200, 0:1200]
    slanted = np.where(x + 0.12 * y > 660, 0.8, 0.2).astype(np.float32)  # 7 degrees
    return {
        "source": saved(scene, folder / "drawing.png"),
        "edge": saved(taken(slanted, 0.002), folder / "edge.png"),
        "real": saved(taken(scene), folder / "real.png"),
        "other": saved(taken(texture(seed=5)), folder / "other.png"),
        "folder": folder,
    }


def run(files: dict[str, Path], *more: str) -> tuple[int, str]:
    found = CliRunner().invoke(
        program,
        ["preview", str(files["source"]), "--pixel-size", "0.25um", "--edge", str(files["edge"]),
         "--seen-pixel-size", "1um", *more],
    )  # fmt: skip
    return found.exit_code, found.output


def test_a_measured_edge_predicts_the_real_capture(files: dict[str, Path]) -> None:
    out, figure = files["folder"] / "seen.png", files["folder"] / "figure.png"
    status, said = run(files, "--against", str(files["real"]), "--json", "--out", str(out),
                       "--figure", str(figure))  # fmt: skip
    assert status == 0, said
    findings = json.loads(said)["findings"]
    assert findings["correlation"]["value"] > 0.995
    assert findings["detail_ratio"]["value"] == pytest.approx(1, abs=0.05)
    with Image.open(out) as written:
        assert written.size == (300, 300)
    assert figure.stat().st_size > 10_000


def test_what_was_assumed_of_the_light_is_said_of_each_picture(files: dict[str, Path]) -> None:
    deep = files["folder"] / "deep.png"
    Image.fromarray(np.rint(texture() * 65535).astype(np.uint16)).save(deep)
    of_deep = {**files, "source": deep}
    _, said = run(of_deep)
    note = said.strip().splitlines()[-1]
    assert "of the edge as sRGB has it, of the source as proportional to it" in note
    _, said = run(of_deep, "--tone", "linear")
    note = said.strip().splitlines()[-1]
    assert "of the edge as sRGB has it;" in note
    assert "of the source" not in note
    _, said = run(files)
    assert "of the source and the edge as sRGB has it;" in said


def test_the_tone_of_the_source_can_be_stated(files: dict[str, Path]) -> None:
    # Taken as proportional to light, a drawing stored as sRGB fits its capture less.
    found = {}
    for tone in ("srgb", "linear"):
        status, said = run(files, "--against", str(files["real"]), "--tone", tone, "--json")
        assert status == 0, said
        found[tone] = json.loads(said)["findings"]["unexplained"]["value"]
    assert found["linear"] > 1.5 * found["srgb"]
    assert run(files, "--tone", "nonsense")[0] == 2


def test_without_a_capture_it_only_shows(files: dict[str, Path]) -> None:
    status, said = run(files)
    first, note = said.strip().splitlines()
    assert (status, first) == (0, "predicted at 300 x 300 px of 1 um")
    assert "sRGB" in note
    status, said = run(files, "--box", "0,0,600,400")
    assert "150 x 100 px" in said


def test_refusals(files: dict[str, Path]) -> None:
    status, said = run(files, "--against", str(files["other"]))
    assert status == 3, said
    bare = ["preview", str(files["source"]), "--pixel-size", "0.25um"]
    for more, wanted in (
        (["--seen-pixel-size", "1um"], 3), (["--edge", str(files["edge"])], 2),
        (["--with", "a/b"], 2), (["--bench", "nowhere"], 2),
        (["--seen-pixel-size", "0.3um", "--edge", str(files["edge"])], 3),
    ):  # fmt: skip
        found = CliRunner().invoke(program, [*bare, *more])
        assert found.exit_code == wanted, (more, found.output)


def test_the_response_of_a_setting_is_the_mean_of_its_edges() -> None:
    from dataclasses import replace

    from tests.bench.made_up import bench_of, camera, captured

    from glassay.bench.measuring.assemble import assemble

    shown = []
    for number, level in enumerate((0.4, 0.6)):
        one = captured("pad", "only", 1.0, name=f"{number}.png")
        edge = MethodResult("edge", "measured", evidence={
            "frequency": [0.0, 0.5], "modulation": [1.0, level],
        })  # fmt: skip
        shown.append(replace(one, parts=(*one.parts, edge)))
    results = assemble(bench_of(camera()), shown)
    assert response_of(results, results.settings[0]) is None  # a scale's edges may be soft rims
    response = response_of(results, results.settings[0], others=True)
    assert response is not None
    assert response.at([0.0, 0.5, 0.7]) == pytest.approx([1, 0.5, 0])


def test_large_captures_are_searched_reduced() -> None:
    from tests.detail.test_predicted_view import gaussian_response

    from glassay.detail.predict import compare_views, predict_view

    scene = texture(side=2400)
    view = predict_view(scene, 0.25, gaussian_response(), 1.0)
    wide = ndimage.zoom(np.random.default_rng(0).uniform(0.2, 0.6, (140, 150)), 10, order=1)
    real = np.asarray(0.1 + 0.7 * wide, dtype=np.float32)
    real[420:1020, 333:933] = taken(scene)
    found = compare_views(view.picture, real)
    assert found.window[:2] == (333 + 120, 420 + 120)
    assert found.correlation > 0.998
