"""Photos of one chip laid together: the places are true, and what has no sure place has none."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from glassay.cli.commands.mosaic import command
from glassay.errors import NotMeasurable
from glassay.mosaic import MosaicResult, place_tiles, write_mosaic
from glassay.mosaic.lens import Lens, applied
from glassay.simulate import Camera, Die, Mapping, Optics, Pose, capture

PIXEL_UM, SIZE, K1 = 0.8, (480, 360), -0.02
TURNS = (0.3, -0.4, 0.1, 0.5, -0.2, 0.0)


def _photograph(folder: Path, seed: int, name: str) -> dict[str, Mapping]:
    truths = {}
    for n, turn in enumerate(TURNS):
        place = (270 * (n % 3) - 420, 200.0 * (n // 3) - 330 + 7 * n)
        pose = Pose(PIXEL_UM, turn, place)
        shot = capture(Die(seed=seed), pose, Optics(na=0.3, distortion_k1=K1, vignetting=0.1),
                       Camera(width=SIZE[0], height=SIZE[1], exposure=0.7 + 0.03 * n), n)  # fmt: skip
        path = shot.write(folder / f"{name}{(n * 5) % 6}.jpg")
        truths[path.name] = shot.truth.mapping
    return truths


@pytest.fixture(scope="module")
def chip(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Path], dict[str, Mapping]]:
    """Six overlapping photos of one die, and where each was taken."""
    folder = tmp_path_factory.mktemp("chip")
    truths = _photograph(folder, 3, "tile")
    return sorted(folder.glob("*.jpg")), truths


@pytest.fixture(scope="module")
def placed(chip: tuple[list[Path], dict[str, Mapping]]) -> MosaicResult:
    """The six photos, placed once for all that asks about them."""
    return place_tiles(chip[0])


def test_undistortion_is_the_inverse_of_distortion() -> None:
    lens = Lens((360, 480), -0.03, 0.004)
    points = np.array([[0.0, 0.0], [479.0, 359.0], [120.0, 300.0]])
    assert np.allclose(lens.distorted(lens.undistorted(points)), points, atol=1e-8)
    step = 1e-6
    moved = Lens(lens.shape, lens.k1 + step, lens.k2).undistorted(points)
    assert np.allclose(
        (moved - lens.undistorted(points)) / step, lens.slopes(points)[..., 0], atol=1e-2
    )


def test_tiles_lie_where_they_were_taken(
    chip: tuple[list[Path], dict[str, Mapping]], placed: MosaicResult
) -> None:
    truths, result = chip[1], placed
    assert result.placed == 6
    lens = result.camera.lens
    grid = np.stack(np.meshgrid(np.linspace(0, 479, 5), np.linspace(0, 359, 5)), -1).reshape(-1, 2)
    seen = np.concatenate(
        [applied(w.matrix, lens.undistorted(grid)) for w in result.where if w.matrix is not None]
    )
    true = np.concatenate([truths[w.path.name].to_um(grid) / PIXEL_UM for w in result.where])
    p, q = seen - seen.mean(axis=0), true - true.mean(axis=0)
    u, _, vt = np.linalg.svd(p.T @ q)
    off = np.hypot(*(p @ (u @ vt) - q).T)
    assert off.max() < 0.5
    assert np.sqrt((off**2).mean()) < 0.2
    # the corner lies at r_u = 1.02 for k1 = -0.02
    distortion = result.findings()["distortion"].quantity
    assert abs(distortion.value - 100 * K1 * 1.0209**2) < max(0.15, 2 * distortion.expanded)


def test_what_is_no_part_of_the_mosaic_is_named(
    chip: tuple[list[Path], dict[str, Mapping]], tmp_path: Path
) -> None:
    paths, _ = chip
    same = tmp_path / "same.jpg"
    shutil.copy(paths[0], same)
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(paths[1].read_bytes()[:4000])
    result = place_tiles([*paths, same, cut])
    reasons = {w.path.name: w.reason for w in result.where if w.matrix is None}
    assert set(reasons) == {"same.jpg", "cut.jpg"}
    assert f"the same file as {paths[0].name}" == reasons["same.jpg"]
    assert reasons["cut.jpg"] is not None
    assert "cut off" in reasons["cut.jpg"]


def test_two_chips_are_two_groups(
    chip: tuple[list[Path], dict[str, Mapping]], tmp_path: Path
) -> None:
    paths, _ = chip
    _photograph(tmp_path, 8, "other")
    others = sorted(tmp_path.glob("*.jpg"))[:3]
    result = place_tiles([*paths, *others])
    placed = {w.path.name for w in result.where if w.matrix is not None}
    assert placed == {p.name for p in paths} or placed == {p.name for p in others}


def test_photos_that_share_nothing_are_refused(
    chip: tuple[list[Path], dict[str, Mapping]], tmp_path: Path
) -> None:
    _photograph(tmp_path, 11, "other")
    with pytest.raises(NotMeasurable):
        place_tiles([chip[0][0], sorted(tmp_path.glob("*.jpg"))[0]])


def test_a_picture_is_the_same_after_a_kill(placed: MosaicResult, tmp_path: Path) -> None:
    result = placed
    write_mosaic(result, tmp_path / "whole")
    write_mosaic(result, tmp_path / "killed")
    picture = tmp_path / "killed" / "mosaic.ome.zarr"
    journal = picture / "written.txt"
    journal.write_text(
        journal.read_text().splitlines()[0] + "\n0 0"
    )  # nothing noted, a line cut off
    shutil.rmtree(picture / "1" / "c")
    write_mosaic(result, tmp_path / "killed")
    for path in sorted((tmp_path / "whole" / "mosaic.ome.zarr").rglob("*")):
        if path.is_file() and path.name != "written.txt":
            same = picture / path.relative_to(tmp_path / "whole" / "mosaic.ome.zarr")
            assert same.read_bytes() == path.read_bytes(), path


def test_the_command_answers_as_data(
    chip: tuple[list[Path], dict[str, Mapping]], tmp_path: Path
) -> None:
    args = [*map(str, chip[0]), "--out", str(tmp_path / "out"), "--pixel-size", "0.800um", "--json"]
    done = CliRunner().invoke(command, args)
    assert done.exit_code == 0, done.output
    answer = json.loads(done.stdout)
    keys = {
        "tiles_placed",
        "tiles_left_out",
        "groups",
        "width",
        "height",
        "loop_closure",
        "distortion",
        "vignetting",
    }
    assert keys <= set(answer["findings"])
    assert answer["findings"]["width"]["unit"] == "um"
    assert len(answer["tiles"]) == 6
    one = CliRunner().invoke(command, [str(chip[0][0]), "--out", str(tmp_path / "no")])
    assert one.exit_code == 2
