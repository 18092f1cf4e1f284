"""A bench's chip that was photographed in tiles: its mosaic has a sheet, hangs on the shelf and is
published as a photo is, looked at closely from the mosaic's own px."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from glassay.bench.chip.die_pictures import ChosenPicture, best_die, found_die, mosaic_picture
from glassay.bench.chip.finest_in_mosaic import finest_at_full_size
from glassay.bench.document.chip_mosaics import names_on_their_bench
from glassay.bench.document.die_notes import OutlineByHand
from glassay.bench.document.read import load_bench
from glassay.bench.document.read_die_notes import parse_die_notes
from glassay.bench.keeping.check_pack import check
from glassay.bench.keeping.pack import pack
from glassay.bench.measuring.assemble import read_results, run_bench
from glassay.bench.shelf.same_die import whole_picture
from glassay.bench.shelf.search import Hit
from glassay.die import Corrections, PointedOutline, corrected
from glassay.errors import Unusable
from glassay.mosaic import MosaicTiles, place_tiles, write_mosaic
from glassay.quantity import Quantity
from glassay.report import die_iiif
from glassay.report.picture_wall import die_picture
from glassay.report.publish import ChipToShow, publish
from tests.cli.test_mistakes_on_the_command_line import run
from tests.die.benches import bench_of_a_die
from tests.die.drawn import DIE, pads_um, shot

Capsys = pytest.CaptureFixture[str]

PX = 1.2
"""um/px: as fine as tiles of it need to be to be placed."""

SAWN = np.array([float(DIE.facts()[f"sawn_{side}_um"]) for side in ("width", "height")])
CORNERS = [(0.0, 0.0), (SAWN[0], 0.0), (SAWN[0], SAWN[1]), (0.0, SAWN[1])]

BENCH = """
[bench]
title = "Tiles"
[[object]]
id = "chip"
kind = "chip in tiles"
name = "Gull in nine views"
[[instrument]]
id = "one"
kind = "other"
[[capture]]
files = [{files}]
instrument = "one"
object = "chip"
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench of one chip in nine photos, measured, with its mosaic as `glassay mosaic` writes it."""
    folder = tmp_path_factory.mktemp("tiles") / "quay"
    (folder / "captures").mkdir(parents=True)
    whole = shot(pixel_um=PX).stored
    height, width = (round(0.42 * side) for side in whole.shape[:2])
    paths = []
    for top in np.linspace(0, whole.shape[0] - height, 3).round().astype(int):
        for left in np.linspace(0, whole.shape[1] - width, 3).round().astype(int):
            paths.append(folder / f"captures/at-{left}-{top}.png")
            Image.fromarray(whole[top : top + height, left : left + width]).save(paths[-1])
    files = ", ".join(f'"captures/{path.name}"' for path in paths)
    (folder / "bench.toml").write_text(BENCH.format(files=files), encoding="utf-8")
    size = Quantity.of(PX, 1e-4 * PX, "um/px", "slide")
    (folder / "mosaics/chip").mkdir(parents=True)
    write_mosaic(place_tiles(paths, pixel_size=size), folder / "mosaics/chip")
    run_bench(load_bench(folder), jobs=1)
    return folder


@pytest.fixture(scope="module")
def one_photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench of the chip in one photo, measured; for copies only."""
    return bench_of_a_die(tmp_path_factory.mktemp("one-photo") / "bench")


@pytest.fixture(scope="module")
def site(bench: Path) -> Path:
    """The site of that bench."""
    from click.testing import CliRunner

    from glassay.cli.commands.publish import command

    out = bench.parent / "site"
    done = CliRunner().invoke(command, [
        str(bench), "--out", str(out), "--address", "https://chips.example.org", "--credit", "Ada",
        "--jobs", "1",
    ])  # fmt: skip
    assert done.exit_code == 0, done.output
    return out


def test_the_die_of_a_chip_in_tiles_is_that_of_its_mosaic(
    bench: Path, tmp_path: Path, capsys: Capsys
) -> None:
    out = tmp_path / "sheet"
    status, said, error = run(capsys, "die", bench, "chip", "--out", out, "--json")
    assert (status, error) == (0, "")
    told = json.loads(said)
    assert told["picture"] == "mosaics/chip"
    for name, truth in zip(("width", "height"), SAWN, strict=True):
        found = told["findings"][name]
        assert abs(found["value"] - truth) < 2.2 * found["u"]
        assert {"slide", "placement of tiles"} <= {one["source"] for one in found["contributions"]}
    assert told["findings"]["pads"]["value"] == len(pads_um())
    sheet = json.loads((out / "sheet.json").read_text(encoding="utf-8"))
    assert sheet["file"] == "mosaic.json"
    assert sheet["taken"] == "a mosaic of 9 photos"
    (why,) = sheet["not_used"]
    assert "a part of the chip" in why["reason"]


@pytest.mark.usefixtures("each_picture_measured_once")
def test_a_chip_in_tiles_is_found_on_the_shelf_and_hung_on_the_wall(
    bench: Path, tmp_path: Path, capsys: Capsys
) -> None:
    status, said, _ = run(capsys, "shelf", bench, "--find", "nine", "--json")
    (hit,) = json.loads(said)["found"]
    assert status == 0
    assert abs(hit["width_um"] - SAWN[0]) < 0.001 * SAWN[0]
    assert hit["picture"] == "mosaics/chip/mosaic.json"
    status, said, _ = run(capsys, "shelf", bench, "--wall", tmp_path / "wall")
    assert status == 0
    with Image.open(tmp_path / "wall/pictures/1.jpg") as hung:
        assert max(hung.size) == 840
    # the same die again, photographed otherwise
    shot(pixel_um=1.6, tilt_deg=-5).write(tmp_path / "again.png")
    status, said, _ = run(capsys, "shelf", bench, "--same", tmp_path / "again.png", "--json")
    assert status == 0
    (same,) = json.loads(said)["found"]
    assert same["chip"] == "chip"


@pytest.mark.usefixtures("each_picture_measured_once")
def test_the_index_sees_a_mosaic_that_came_or_went(
    bench: Path, tmp_path: Path, capsys: Capsys
) -> None:
    copy = Path(shutil.copytree(bench, tmp_path / "copy"))
    (copy / "mosaics").rename(copy / "kept")

    def found() -> dict[str, object]:
        (hit,) = json.loads(run(capsys, "shelf", copy, "--json")[1])["found"]
        return dict(hit)

    told = found()
    assert told["width_um"] is None
    assert "`glassay mosaic` writes one" in str(told["reason"])
    (copy / "kept").rename(copy / "mosaics")
    assert found()["width_um"] is not None


def jpeg(path: Path) -> npt.NDArray[np.float64]:
    with Image.open(path) as image:
        return np.asarray(image.convert("L"), np.float64)


def test_a_mosaic_is_published_with_its_tiles_its_sheet_and_its_archive(
    site: Path, bench: Path
) -> None:
    (chip,) = (site / "chips").iterdir()
    sheet = json.loads((chip / "sheet.json").read_text(encoding="utf-8"))
    assert abs(sheet["findings"]["width"]["value"] - SAWN[0]) < 0.001 * SAWN[0]
    for name in ("index.html", "die.geojson", "die.svg", "die.dxf", "pads.csv", "die.ome.tif"):
        assert (chip / name).is_file(), name
    info = json.loads((chip / "tiles/info.json").read_text(encoding="utf-8"))
    whole = jpeg(chip / "tiles/full/max/0/default.jpg")
    assert whole.shape == (info["height"], info["width"])
    tile = jpeg(chip / "tiles/512,0,512,512/512,512/0/default.jpg")
    assert np.abs(tile - whole[:512, 512:1024]).mean() < 2
    (archive,) = (site / "archives").iterdir()
    with zipfile.ZipFile(archive) as packed:
        names = packed.namelist()
        told = packed.read("mosaics/chip/mosaic.json").decode()
    assert str(bench.parent) not in told
    assert "mosaics/chip/mosaic.json" in names
    assert any(name.startswith("mosaics/chip/mosaic.ome.zarr/0/c/") for name in names)


def test_checking_a_site_derives_the_die_of_a_mosaic_again(site: Path, capsys: Capsys) -> None:
    status, said, _ = run(capsys, "check", site, "--jobs", "1", "--json")
    told = json.loads(said)
    assert (status, told["measured"], told["differences"]) == (0, True, [])
    assert told["numbers"] > 200


@pytest.mark.usefixtures("each_picture_measured_once")
def test_a_mosaic_too_large_to_measure_in_is_looked_at_in_all_its_px(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The die is measured at half size; tiles, marks and what is pointed at count in mosaic px."""
    folder = bench / "mosaics/chip"
    fine = best_die(read_results(load_bench(bench)), "chip")
    half = mosaic_picture(folder, 500_000)
    assert half.reduced == 2
    result = half.measured()
    assert result.width.value == pytest.approx(SAWN[0], rel=1e-3)
    assert len(result.pads) == len(pads_um())
    # what cannot be seen at half size is looked for at full size: a finest pitch of 14 um would be told
    # of 3.8
    found, whole = (
        {k: f.quantity for k, f in one.findings().items() if k.startswith("finest")}
        for one in (result, fine.result)
    )
    assert found.keys() == whole.keys()
    assert "finest_pitch" in found
    for name, quantity in found.items():
        assert quantity.value == pytest.approx(whole[name].value, rel=0.01), name
    assert result.process is not None
    assert fine.result.process is not None
    assert result.process.high_um == pytest.approx(fine.result.process.high_um, rel=0.01)
    read = corrected(result, Corrections(pitch=Quantity.of(3.8, 0.05, "um", "read by eye")))
    assert read.findings()["finest_pitch"].quantity.value == 3.8
    assert not any("is finer than" in note for note in read.notes)
    monkeypatch.setattr(die_iiif, "MOST_WHOLE_PX", 600)
    tiled = die_iiif.write_picture_tiles(tmp_path / "tiles", half, "https://a.example.org/tiles")
    width, height = tiled.size
    assert max(width, height) > 600 >= max(tiled.whole)
    info = die_iiif.information(tiled)
    # Image API 3.0, 5.3: `max` is cut down to maxWidth and maxHeight
    assert (info["maxWidth"], info["maxHeight"]) == tiled.whole
    assert jpeg(tmp_path / "tiles/full/max/0/default.jpg").shape == tiled.whole[::-1]
    for name in ("0,0,512,512/512,512", f"512,512,512,{height - 512}/512,{height - 512}"):
        assert (tmp_path / f"tiles/{name}/0/default.jpg").is_file()
    shown = die_iiif.Pictures(half, result, fine.notes)
    said = die_iiif.iiif.Said("A die")
    die_iiif.write_documents(tmp_path, "tiles", tiled, "https://a.example.org", shown, said)
    manifest = json.loads((tmp_path / "manifest.json").read_text(encoding="utf-8"))
    (canvas,) = manifest["items"]
    assert (canvas["width"], canvas["height"]) == tiled.size
    shape = canvas["annotations"][0]["items"][0]["target"]["selector"]["value"]
    drawn = np.array(
        [at.split(",") for at in shape.split('points="')[1].split('"')[0].split()], float
    )
    corners = fine.result.outline.seen_corners()
    assert np.abs(drawn[0] - 0.5 - corners[0]).max() < 0.3
    # an outline set by hand in the mosaic's px is the same place in the halves
    pointed = OutlineByHand(PointedOutline(tuple(map(tuple, corners.tolist())), 1.0))
    place = half.pointed(pointed)
    assert place is not None
    assert place.u_px == 0.5
    assert np.abs(np.array(place.corners) - result.outline.seen_corners()).max() < 0.2
    # and on the wall of a shelf, where a mosaic is read at less px than it was measured in
    monkeypatch.setattr("glassay.bench.shelf.same_die.MOST_MOSAIC_PX", 500_000)
    size = [fine.picture.photo.width, fine.picture.photo.height]
    told = {"mosaic": "mosaics/chip", "outline": corners.tolist(), "size": size}
    hit = Hit(bench, "chip", "", "", "", "", "", *SAWN.tolist(), None, None, 20, told, "")
    photo, found = whole_picture(hit)
    assert found is not None
    assert photo.width < size[0]
    assert np.abs(found - result.outline.seen_corners()).max() < 0.2
    assert die_picture(hit, (120, 90)).shape[:2] == (90, 120)


def test_a_part_of_a_large_die_is_looked_at_for_its_finest_line_and_it_is_said(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The parts that are drawn most finely hold the finest pitch."""
    monkeypatch.setattr("glassay.bench.chip.finest_in_mosaic.PIECE_PX", 200)
    mosaic = bench / "mosaics/chip"
    picture = mosaic_picture(mosaic)
    whole = picture.measured()
    finest = finest_at_full_size(
        mosaic, whole.outline, 1, picture.photo.is_measured_in_green, 300_000
    )
    assert 0.4 < finest.seen < 0.8
    assert finest.pitch is not None
    assert whole.finest.pitch is not None
    assert finest.pitch.value == pytest.approx(whole.finest.pitch.value, rel=0.01)
    told = whole.with_finest(finest)
    assert any(f"told of {finest.seen:.0%} of the die" in note for note in told.notes)
    assert told.process is not None
    assert any("looked at" in reason for reason in told.process.reasons)


@pytest.mark.browser
@pytest.mark.usefixtures("each_picture_measured_once")
def test_marks_and_scale_bar_fit_the_tiles_of_a_reduced_mosaic(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two pads are as many bars apart on the page as they are on the die."""
    from tests.web.browser import Watched, chromium

    half = mosaic_picture(bench / "mosaics/chip", 500_000)
    result = half.measured()
    chosen = ChosenPicture(half, result, ())
    notes = parse_die_notes('[about]\ncredit = "Ada"\n')
    site = tmp_path / "site"
    publish([ChipToShow(load_bench(bench), "chip", chosen, notes)], site, "Chips")
    (page,) = site.glob("chips/*/index.html")
    assert "reduced 2 times to be measured" in page.read_text(encoding="utf-8")
    with chromium() as browser:
        seen = Watched(browser, site.as_uri(), viewport={"width": 1280, "height": 900})
        seen.page.goto(page.as_uri())
        seen.page.click("#look-closer")
        seen.page.wait_for_function("document.querySelector('.deep .rule').textContent !== ''")
        told = seen.page.evaluate("""() => {
          const at = (text) => {
            const all = [...document.querySelectorAll('.deep svg text')];
            const found = all.find((one) => one.textContent === text);
            const box = found.getBoundingClientRect();
            return [box.x + box.width / 2, box.y + box.height / 2];
          };
          const rule = document.querySelector('.deep .rule');
          return {one: at('1'), five: at('5'), text: rule.textContent,
                  px: parseFloat(rule.style.width),
                  tiles: document.querySelector('#picture').textContent};
        }""")  # fmt: skip
        assert seen.troubles == []
    whole = MosaicTiles(bench / "mosaics/chip/mosaic.ome.zarr").levels[0]
    assert json.loads(told["tiles"])["tiles"]["width"] == whole.shape[1] > 1.9 * half.photo.width
    length = float(told["text"].split(" ")[0])
    apart = float(np.hypot(*np.subtract(told["one"], told["five"]))) * length / told["px"]
    pads = {pad.number: pad for pad in result.pads}
    truth = (pads["5"].y - pads["1"].y) * result.per_px
    assert apart == pytest.approx(truth, rel=0.02)


@pytest.mark.usefixtures("each_picture_measured_once")
def test_an_outline_by_hand_in_a_mosaic_is_taken_as_one_in_a_capture(bench: Path) -> None:
    results = read_results(load_bench(bench))
    corners = found_die(results, "chip").result.outline.seen_corners().tolist()
    pointed = PointedOutline(tuple((x, y) for x, y in corners), 1.0)
    for name in ("", "mosaics/chip"):
        found = found_die(results, "chip", OutlineByHand(pointed, name))
        assert found.capture is None
        assert found.result.outline.by_hand
        assert found.result.width.value == pytest.approx(SAWN[0], rel=2e-3)


@pytest.mark.usefixtures("each_picture_measured_once")
def test_a_mosaic_goes_before_the_photos_of_a_chip_and_says_so(
    bench: Path, one_photo: Path, tmp_path: Path
) -> None:
    other = Path(shutil.copytree(one_photo, tmp_path / "other"))
    results = read_results(load_bench(other))
    assert best_die(results, "chip").picture.name == "captures/chip-one.png"
    shutil.copytree(bench / "mosaics", other / "mosaics")
    chosen = best_die(results, "chip")
    assert chosen.picture.name == "mosaics/chip"
    assert (
        "captures/chip-one.png",
        "its mosaic was taken, in which lengths hold across all photos",
    ) in (chosen.passed_over)
    # the outline of a capture is that of a capture
    corners = ((44.0, 36.0), (430.0, 50.0), (418.0, 360.0), (32.0, 345.0))
    inside = OutlineByHand(PointedOutline(corners, 1.0), "captures/chip-one.png")
    told = found_die(results, "chip", inside)
    assert told.capture is not None
    assert ("mosaics/chip", "the outline was set by hand in a capture") in told.passed_over
    # one without a scale, or damaged, is passed over with the reason
    numbers = other / "mosaics/chip/mosaic.json"
    data = json.loads(numbers.read_text(encoding="utf-8"))
    data["findings"]["width"] = {"value": 1029.0, "u": 0.5, "unit": "px"}
    numbers.write_text(json.dumps(data), encoding="utf-8")
    assert dict(best_die(results, "chip").passed_over)["mosaics/chip"].endswith("not known")
    numbers.write_text("{}", encoding="utf-8")
    assert "cannot be read" in dict(best_die(results, "chip").passed_over)["mosaics/chip"]


def test_no_path_of_an_earlier_version_is_packed(bench: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(bench, tmp_path / "copy"))
    numbers = copy / "mosaics/chip/mosaic.json"
    data = json.loads(numbers.read_text(encoding="utf-8"))
    names = [one["file"] for one in data["tiles"]]
    old = json.dumps(data | {"mosaic": "/home/ada/quay/mosaics/chip"})
    for name in names:
        old = old.replace(f'"{name}"', f'"/home/ada/{name}"')
    numbers.write_text(old, encoding="utf-8")
    packed = pack(load_bench(copy), tmp_path / "copy.zip")
    with zipfile.ZipFile(packed.path) as archive:
        assert not [n for n in archive.namelist() if b"/home/ada" in archive.read(n)]
        told = json.loads(archive.read("mosaics/chip/mosaic.json"))
    assert [one["file"] for one in told["tiles"]] == names
    assert check(packed.path, jobs=1).holds
    assert numbers.read_text(encoding="utf-8") == old


def test_photos_of_a_bench_are_called_as_they_are_there(bench: Path, tmp_path: Path) -> None:
    photos = sorted((bench / "captures").glob("*.png"))
    assert names_on_their_bench(photos) == [f"captures/{path.name}" for path in photos]
    other = Path(shutil.copy(photos[0], tmp_path / "other.png"))
    assert names_on_their_bench([other]) is None
    assert names_on_their_bench([*photos, other]) is None


@pytest.mark.usefixtures("each_picture_measured_once")
def test_a_mosaic_that_a_link_leads_to_is_not_passed_on(
    bench: Path, one_photo: Path, tmp_path: Path
) -> None:
    other = Path(shutil.copytree(one_photo, tmp_path / "other"))
    (other / "mosaics").mkdir()
    (other / "mosaics/chip").symlink_to(bench / "mosaics/chip")
    results = read_results(load_bench(other))
    chosen = best_die(results, "chip")
    assert chosen.picture.name == "captures/chip-one.png"
    assert "leads out" in dict(chosen.passed_over)["mosaics/chip"]
    from glassay.bench.keeping.pack import pack

    with pytest.raises(Unusable, match="leads out"):
        pack(load_bench(other), tmp_path / "packed.zip")


@pytest.mark.usefixtures("each_picture_measured_once")
def test_a_die_is_corrected_on_its_mosaic_in_the_workbench(bench: Path, tmp_path: Path) -> None:
    """Its page shows the mosaic, in tiles; an outline set there is one in the mosaic's px."""
    pytest.importorskip("fastapi")
    from tests.web.conftest import client_of

    folder = Path(shutil.copytree(bench, tmp_path / "copy"))
    with client_of(folder) as client:
        page = client.get("/die?chip=chip")
        assert page.status_code == 200
        assert "Measured in mosaics/chip." in page.text
        state = client.get("/die/state?chip=chip").json()
        (outline,) = [one for one in state["things"] if one["kind"] == "outline"]
        assert len([one for one in state["things"] if one["kind"] == "pad"]) == len(pads_um())
        tile = client.get("/tile?id=mosaics/chip&level=0&x=0&y=0")
        assert (tile.status_code, tile.headers["content-type"]) == (200, "image/jpeg")
        for wrong in ("mosaics/..", "mosaics/other", "mosaics/../captures"):
            assert client.get(f"/whole?id={wrong}").status_code == 400, wrong
        points = " ".join(f"{x},{y}" for x, y in outline["points"])
        form = {"chip": "chip", "do": "put", "kind": "outline", "points": points, "pointing": "1"}
        answer = client.post("/die/act", data=form, headers={"accept": "application/json"})
        assert answer.status_code == 200, answer.text
        noted = (folder / "dies/chip.toml").read_text(encoding="utf-8")
        assert 'capture = "mosaics/chip"' in noted
        assert "the corners of the outline were set by hand" in answer.json()["table"]
    found = best_die(read_results(load_bench(folder)), "chip")
    assert found.result.outline.by_hand
    assert found.result.width.value == pytest.approx(SAWN[0], rel=2e-3)
