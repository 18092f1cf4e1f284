"""Photos of one chip laid together: the places are true, and what has no sure place has none."""

from __future__ import annotations

import json
import logging
import os
import resource
import shutil
import signal
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from glassay.cli.commands.mosaic import command
from glassay.disk import content_hash
from glassay.errors import NotMeasurable, Unusable
from glassay.mosaic import (
    NUMBERS,
    PICTURE,
    MosaicDocument,
    MosaicResult,
    MosaicTiles,
    Placement,
    Workers,
    place_tiles,
    write_mosaic,
    write_placed,
)
from glassay.mosaic.blocks import Blocks
from glassay.mosaic.lens import Lens, applied
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.picture import depth_of
from glassay.mosaic.settle import check_agreement
from glassay.mosaic.store import SHARD, Canvas, shard_path, write_picture
from glassay.mosaic_files import without_paths
from glassay.quantity import Contribution, Quantity
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
    zoomed, mirrored = tmp_path / "zoomed.jpg", tmp_path / "mirrored.jpg"
    optics = Optics(na=0.3, distortion_k1=K1, vignetting=0.1)
    camera = Camera(width=SIZE[0], height=SIZE[1], exposure=0.72)
    shot = capture(Die(seed=3), Pose(PIXEL_UM / 1.03, 0.2, (-150, -250)), optics, camera, 50)
    shot.write(zoomed)
    Image.open(paths[2]).transpose(Image.Transpose.FLIP_LEFT_RIGHT).save(mirrored, quality=95)
    turned = tmp_path / "turned.jpg"
    Image.open(paths[2]).transpose(Image.Transpose.ROTATE_180).save(turned, quality=94)
    result = place_tiles([*paths, same, cut, zoomed, mirrored, turned])
    reasons = {w.path.name: w.reason for w in result.where if w.matrix is None}
    assert set(reasons) == {"same.jpg", "cut.jpg", "zoomed.jpg", "mirrored.jpg", "turned.jpg"}
    assert reasons["zoomed.jpg"] is not None
    assert "another zoom: it shows things 1.03" in reasons["zoomed.jpg"]
    assert reasons["mirrored.jpg"] is not None
    assert "mirrored" in reasons["mirrored.jpg"]
    assert reasons["turned.jpg"] == "it lies turned by 180° against the other photos"
    assert f"the same file as {paths[0].name}" == reasons["same.jpg"]
    assert reasons["cut.jpg"] is not None
    assert "cut off" in reasons["cut.jpg"]


def test_of_many_photos_two_that_nothing_confirms_are_no_mosaic(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    sheets = [rng.integers(0, 2, (24, 40)).repeat(12, 0).repeat(12, 1) * 120 + 60 for _ in range(4)]
    pieces = [sheets[0][:, :300], sheets[0][:, 160:460], *(sheet[:, :300] for sheet in sheets[1:])]
    paths = [tmp_path / f"{n}.png" for n in range(len(pieces))]
    for path, piece in zip(paths, pieces, strict=True):
        Image.fromarray((piece + rng.normal(0, 2, piece.shape)).astype(np.uint8)).save(path)
    assert sum(one.matrix is not None for one in place_tiles(paths[:2]).where) == 2
    with pytest.raises(NotMeasurable, match="only two of 5 photos"):
        place_tiles(paths)


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


def _compared(first: int, second: int, correlation: float, share: float) -> Overlap:
    """Ten blocks of two tiles that lie upon each other."""
    places = np.random.default_rng(first).uniform(20, 80, (10, 2))
    blocks = Blocks(places, places, np.tile(np.eye(2), (10, 1, 1)), np.full(10, correlation))
    return Overlap(first, second, np.eye(2, 3), places, places, blocks.information, correlation,
                   share, np.empty((0, 2)), 36, blocks)  # fmt: skip


def test_a_whole_whose_pairs_contradict_each_other_is_refused() -> None:
    poses = {n: np.eye(2, 3) for n in range(5)}
    lenses = [Lens((100, 100))] * 5
    same = [_compared(0, n, 0.99, 1.0) for n in range(1, 5)]
    # what pads alone joined, turned by a quarter: correlations of what then lay upon each other
    other = [_compared(1, 2, 0.46, 0.52), _compared(2, 3, 0.33, 0.28)]
    check_agreement(same, [*same, other[0]], poses, lenses)  # one may be dust or a soft photo
    with pytest.raises(NotMeasurable, match="fit in more than one way"):
        check_agreement(same, [*same, *other], poses, lenses)


class Killed(BaseException):
    """Ends a run wherever it is."""


def _bytes(folder: Path) -> dict[str, bytes]:
    picture = folder / "mosaic.ome.zarr"
    return {str(p.relative_to(picture)): p.read_bytes() for p in sorted(picture.rglob("*"))
            if p.is_file() and p.name != "written.txt"}  # fmt: skip


@pytest.fixture(scope="module")
def whole(placed: MosaicResult, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The picture of the six photos, by file."""
    folder = tmp_path_factory.mktemp("whole")
    write_mosaic(placed, folder)
    return _bytes(folder)


def test_a_picture_is_the_same_after_a_kill(
    placed: MosaicResult, whole: dict[str, bytes], tmp_path: Path
) -> None:
    def killed(what: str, done: int, total: int) -> None:
        del done, total
        if what == "pyramid":
            raise Killed

    with pytest.raises(Killed):
        write_mosaic(placed, tmp_path, progress=killed)
    picture = tmp_path / "mosaic.ome.zarr"
    assert not (tmp_path / "mosaic.json").exists()
    # what was being written is torn, and so is the last line of the journal
    torn = next(p for p in (picture / "1").rglob("*") if p.is_file() and p.name != "zarr.json")
    torn.write_bytes(torn.read_bytes()[:100])
    journal = picture / "written.txt"
    assert len(journal.read_text().splitlines()) >= 2
    journal.write_text("\n".join(journal.read_text().splitlines()[:2]) + "\n1 0")
    write_mosaic(placed, tmp_path)
    assert _bytes(tmp_path) == whole


def test_a_part_that_is_lost_is_missed_and_made_anew(
    placed: MosaicResult, whole: dict[str, bytes], tmp_path: Path
) -> None:
    write_mosaic(placed, tmp_path)
    picture = tmp_path / PICTURE
    MosaicTiles(picture)
    shard_path(picture, (1, 0, 0)).unlink()  # zarr would read it as black
    with pytest.raises(Unusable, match=r"^1 of the \d+ parts of .* are lost"):
        MosaicTiles(picture)
    write_mosaic(placed, tmp_path)
    MosaicTiles(picture)
    assert _bytes(tmp_path) == whole


def test_numbers_stand_beside_a_whole_picture_only(placed: MosaicResult, tmp_path: Path) -> None:
    """Another mosaic in the same folder, broken off: the earlier one's numbers are not those of it."""

    def killed(what: str, done: int, total: int) -> None:
        del done, total
        if what == "pyramid":
            raise Killed

    write_mosaic(placed, tmp_path)
    write_mosaic(placed, tmp_path, progress=killed)  # all is there: nothing is drawn
    again = replace(placed, pixel_size=Quantity.of(0.6, 0.001, "um/px"))
    with pytest.raises(Killed):
        write_mosaic(again, tmp_path, progress=killed)
    assert not (tmp_path / NUMBERS).exists()
    with pytest.raises(Unusable, match="or were not drawn yet"):
        MosaicTiles(tmp_path / PICTURE)
    (tmp_path / PICTURE / "written.txt").unlink()
    with pytest.raises(Unusable, match="or were not drawn yet"):
        MosaicTiles(tmp_path / PICTURE)


def test_what_was_placed_once_is_drawn_to_the_same_bytes(
    placed: MosaicResult, tmp_path: Path
) -> None:
    part = Contribution("slide", 0.001, 7.0, "the slide", "reference")
    size = Quantity(0.8, "um/px", (part,))
    paths = [w.path for w in placed.where]
    names = [path.name for path in paths]
    write_mosaic(replace(placed, pixel_size=size), tmp_path / "now", names=names)
    kept = json.loads(json.dumps(Placement.of(placed).as_data(), allow_nan=False))
    assert str(paths[0].parent) not in json.dumps(kept)
    digests = [content_hash(path) for path in paths]
    write_placed(Placement.read(kept, paths, digests), tmp_path / "later", names, size)
    assert _bytes(tmp_path / "later") == _bytes(tmp_path / "now")
    told = [(tmp_path / one / NUMBERS).read_bytes() for one in ("now", "later")]
    assert told[0] == told[1]
    # places are those of these photos as they were, and of no others
    for others in ([*digests[:-1], 64 * "0"], digests[:-1]):
        with pytest.raises(Unusable):
            Placement.read(kept, paths, others)
    for damaged in (None, {}, kept | {"drawn": []}, kept | {"told": {"tiles": 3}}):
        with pytest.raises(Unusable, match="cannot be read"):
            Placement.read(damaged, paths, digests)


def test_which_cells_show_the_object_is_kept(placed: MosaicResult) -> None:
    """A tile with a dark margin weighs less there; the mask comes back as it was."""
    number, tile = Placement.of(placed).drawn[0]
    shows = np.ones(tile.depth.shape, bool)
    shows[:3, :5] = False
    margin = replace(tile, depth=depth_of(shows))
    kept = Placement(Placement.of(placed).told, ((number, margin),), False).as_data()
    paths = [w.path for w in placed.where]
    again = Placement.read(json.loads(json.dumps(kept)), paths, [content_hash(p) for p in paths])
    assert np.array_equal(again.tiles[0].depth, margin.depth)


def test_no_path_of_a_computer_is_written(placed: MosaicResult, tmp_path: Path) -> None:
    folders = [tmp_path / "ada", tmp_path / "ada/again"]
    (first, second), moved = (w.path for w in placed.where[:2]), []
    for folder, photo in zip(folders, (first, second), strict=True):
        folder.mkdir()
        moved.append(Path(shutil.copy(photo, folder / "view.jpg")))
    found = place_tiles([*moved, *[w.path for w in placed.where[2:]], tmp_path / "ada/gone.jpg"])
    write_mosaic(found, tmp_path / "out")
    text = (tmp_path / "out" / NUMBERS).read_text(encoding="utf-8")
    assert str(tmp_path) not in text
    assert str(first.parent) not in text
    told = json.loads(text)
    assert [one["file"] for one in told["tiles"]][:2] == ["view.jpg", "view.jpg (2)"]
    assert told["tiles"][-1]["reason"] == "gone.jpg: there is no such file"
    document = MosaicDocument.read(tmp_path / "out")
    assert [photo.file for photo in document.photos][:2] == ["view.jpg", "view.jpg (2)"]
    assert [(a, b) for a, b, *_ in document.edges] == [(a, b) for a, b, *_ in found.edges]


def test_paths_that_an_earlier_version_wrote_are_read_and_taken_out(
    placed: MosaicResult, tmp_path: Path
) -> None:
    write_mosaic(placed, tmp_path)
    new = json.loads((tmp_path / NUMBERS).read_text(encoding="utf-8"))
    assert without_paths(new) is None
    path = {one["file"]: f"/home/ada/{one['file']}" for one in new["tiles"]}
    old = new | {"mosaic": "/home/ada/out"}
    old["tiles"] = [one | {"file": path[one["file"]]} for one in new["tiles"]]
    old["tiles"][-1] |= {"reason": f"{old['tiles'][-1]['file']}: cannot be read"}
    old["overlaps"] = [
        one | {"first": path[one["first"]], "second": path[one["second"]]}
        for one in new["overlaps"]
    ]
    (tmp_path / NUMBERS).write_text(json.dumps(old), encoding="utf-8")
    assert MosaicDocument.read(tmp_path).photos[0].file == new["tiles"][0]["file"]
    clean = without_paths(old)
    assert clean is not None
    assert "ada" not in json.dumps(clean)
    new["tiles"][-1]["reason"] = f"{new['tiles'][-1]['file']}: cannot be read"
    assert clean == new


def test_a_kill_while_a_picture_is_removed_does_not_hinder_the_next(
    placed: MosaicResult, whole: dict[str, bytes], tmp_path: Path
) -> None:
    write_mosaic(placed, tmp_path)
    shutil.rmtree(tmp_path / PICTURE / "0")  # the journal is still there
    write_mosaic(placed, tmp_path)
    assert _bytes(tmp_path) == whole


def test_of_two_that_draw_in_one_folder_the_second_is_refused(
    placed: MosaicResult, tmp_path: Path
) -> None:
    def another(*_: object) -> None:
        def draw() -> None:
            with pytest.raises(Unusable, match="being written by another program"):
                write_mosaic(placed, tmp_path)
            tried.append(True)

        if not tried:
            thread = threading.Thread(target=draw)
            thread.start()
            thread.join()

    tried: list[bool] = []
    write_mosaic(placed, tmp_path, Workers(threads=1), another)
    assert tried == [True]
    MosaicTiles(tmp_path / PICTURE)


def test_parts_of_nothing_but_black_have_no_file_and_are_not_missed(tmp_path: Path) -> None:
    canvas = Canvas(tmp_path / PICTURE, SHARD + 100, 300, deep=False, pixel_size_um=None)
    write_picture(canvas, [], "digest", Workers(threads=1), lambda *_: None)
    assert not shard_path(canvas.folder, (0, 0, SHARD)).exists()
    assert MosaicTiles(canvas.folder).rows(0, 0, 300).max() == 0


def test_a_full_disk_is_one_line_and_what_is_written_is_kept(
    placed: MosaicResult, tmp_path: Path
) -> None:
    photos = {w.path: w.path.read_bytes() for w in placed.where}
    # a limit on the size of files refuses in the middle of writing, as a full disk does
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, hard))
    try:
        with pytest.raises(Unusable, match="cannot be written") as refused:
            write_mosaic(placed, tmp_path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert "\n" not in str(refused.value)
    assert not (tmp_path / "mosaic.json").exists()
    assert (tmp_path / "mosaic.ome.zarr" / "written.txt").is_file()
    assert all(path.read_bytes() == before for path, before in photos.items())


def test_a_cluster_that_loses_a_worker_makes_the_same_picture(
    chip: tuple[list[Path], dict[str, Mapping]], placed: MosaicResult, whole: dict[str, bytes],
    tmp_path: Path,
) -> None:  # fmt: skip
    import distributed

    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=logging.CRITICAL
    ) as cluster:
        workers = Workers(cluster.scheduler_address)
        lost: list[str] = []

        def lose_one(what: str, done: int, total: int) -> None:
            del done, total
            if what == "read" and not lost:
                worker = cluster.workers[1]
                lost.append(worker.worker_address)
                os.kill(worker.pid, signal.SIGKILL)

        try:
            result = place_tiles(chip[0], workers=workers, progress=lose_one)
            write_mosaic(result, tmp_path, workers)
        finally:
            workers.close()
    assert lost
    for here, there in zip(placed.where, result.where, strict=True):
        assert np.array_equal(here.matrix, there.matrix)
    assert _bytes(tmp_path) == whole


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
