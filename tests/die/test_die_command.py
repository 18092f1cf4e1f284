"""`glassay die`: of a photo, of a bench's chip, of a mosaic; its sheet, and its refusals."""

from __future__ import annotations

import json
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from glassay.bench.chip.die_pictures import mosaic_picture
from glassay.imaging.tone import linear_to_srgb
from glassay.mosaic.store import Canvas, _create, write_document
from tests.cli.test_mistakes_on_the_command_line import run
from tests.die.benches import PX, bench_of_a_die
from tests.die.drawn import DIE, PIXEL_UM, grey, pads_um, shot

FILES = {"sheet.html", "sheet.json", "die.geojson", "die.svg", "die.dxf", "pads.csv"}
SAWN = float(DIE.facts()["sawn_width_um"])
NOTES = """
[[region]]
kind = "memory"
name = "left <array>"
box = [200, 200, 300, 200]
[[marking]]
text = "PIER 7?"
place = [500, 600]
"""

Capsys = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("die")
    shot().write(made / "die.png")
    (made / "notes.toml").write_text(NOTES, encoding="utf-8")
    return made


class Page(HTMLParser):
    """Text, tags and addresses of a page; it must be closed as it was opened."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.text, self.addresses, self.tags = "", [], []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("href", "src")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_a_photo_gives_size_pads_and_a_sheet_that_stands_alone(
    folder: Path, tmp_path: Path, capsys: Capsys
) -> None:
    out = tmp_path / "sheet"
    status, said, _ = run(
        capsys, "die", folder / "die.png", "--pixel-size", f"{PIXEL_UM}0000um", "--tells", "1.6um",
        "--out", out, "--regions", folder / "notes.toml", "--figure", tmp_path / "f.png", "--json",
        "--pictures", "--address", "https://chips.example.org/one/",
    )  # fmt: skip
    assert status == 0
    found = json.loads(said)
    assert found["measured"]
    assert found["findings"]["width"]["value"] == pytest.approx(SAWN, rel=5e-4)
    assert found["findings"]["width"]["unit"] == "um"
    assert found["findings"]["pads"]["value"] == len(found["pads"]) == len(pads_um())
    assert {"number", "side", "row", "place", "size"} == set(found["pads"][0])
    with Image.open(tmp_path / "f.png") as figure:
        assert figure.size[0] > 600
    more = {"die.ome.tif", "die.ome.zarr", "iiif", "manifest.json"}
    assert {path.name for path in out.iterdir()} == FILES | more
    told = json.loads((out / "iiif" / "info.json").read_text(encoding="utf-8"))
    assert told["id"] == "https://chips.example.org/one/iiif"
    assert (out / "iiif" / "full" / "max" / "0" / "default.jpg").is_file()
    marks = json.loads((out / "manifest.json").read_text(encoding="utf-8"))["items"][0][
        "annotations"
    ]
    assert "memory: left <array> (noted by hand)" in [a["body"]["value"] for a in marks[0]["items"]]
    page = Page((out / "sheet.html").read_text(encoding="utf-8"))
    assert "script" not in page.tags
    assert all(a.startswith(("data:image/", "#")) for a in page.addresses)
    for words in ("sawn edges", "20 bond pads", "left <array>", "PIER 7?", "drawn and read by a person",
                  "could be seen", "A range, not a fact", "lithium", "Local codes"):  # fmt: skip
        assert words in page.text, words
    data = json.loads((out / "sheet.json").read_text(encoding="utf-8"))
    assert data["findings"] == found["findings"]
    (region,) = data["by_hand"]["regions"]
    assert region["area_um2"] == 60_000
    assert region["share"] == pytest.approx(60_000 / 949 / 749, rel=1e-3)
    assert data["by_hand"]["markings"][0]["doubtful"]


def test_the_answer_in_words_names_rows_and_limits(folder: Path, capsys: Capsys) -> None:
    status, said, _ = run(capsys, "die", folder / "die.png", "--pixel-size", "1.50000um")
    assert status == 0
    for words in ("as sawn", "pads          20", "left        5 pads, every 105.0",
                  "no finer than", "or less, no lower end told"):  # fmt: skip
        assert words in said


def test_a_pixel_size_counts_as_known_to_half_its_last_digit(folder: Path, capsys: Capsys) -> None:
    status, said, _ = run(capsys, "die", folder / "die.png", "--pixel-size", "1.5um", "--json")
    assert status == 0
    width = json.loads(said)["findings"]["width"]
    assert width["u"] == pytest.approx(0.05 / 1.5 / 3**0.5 * width["value"], rel=0.01)


def test_what_cannot_be_measured_or_used_says_so(
    folder: Path, tmp_path: Path, capsys: Capsys
) -> None:
    Image.fromarray(np.full((200, 300), 80, np.uint8)).save(tmp_path / "blank.png")
    assert run(capsys, "die", tmp_path / "blank.png")[0] == 3
    assert run(capsys, "die", tmp_path / "none.png")[0] == 2
    for arguments, words in (
        ((tmp_path,), "neither a bench nor a mosaic"),
        ((folder / "die.png", "--tells", "-1um"), "more than zero"),
        ((folder / "die.png", "--regions", folder / "notes.toml", "--out", tmp_path / "x"),
         "need a pixel size"),
        ((folder / "die.png", "chip"), "bench"),
    ):  # fmt: skip
        status, _, error = run(capsys, "die", *arguments)
        assert status == 2
        assert words in error
        assert "Traceback" not in error


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A chip whose finest capture shows a part of it, a coarser one all, and one of unknown scale."""
    whole = (PX, shot(pixel_um=PX))
    pictures = {"near": (1.2, shot(pixel_um=1.2, room=0.5)), "far": whole, "bare": whole}
    made = tmp_path_factory.mktemp("die") / "bench"
    return bench_of_a_die(made, pictures, NOTES, without_slide=("bare",))


def test_a_chip_of_a_bench_is_measured_in_the_capture_that_shows_it_wholly(
    bench: Path, tmp_path: Path, capsys: Capsys
) -> None:
    before = {path: path.read_bytes() for path in (bench / "captures").iterdir()}
    status, said, _ = run(capsys, "die", bench, "chip", "--out", tmp_path / "sheet", "--json")
    assert status == 0
    found = json.loads(said)
    width = found["findings"]["width"]
    assert abs(width["value"] - SAWN) <= 2.2 * width["u"]
    assert any("slide" in part.get("identity", "") or "division" in part["source"]
               for part in width["contributions"])  # the slide's tolerance is in the size  # fmt: skip
    data = json.loads((tmp_path / "sheet" / "sheet.json").read_text(encoding="utf-8"))
    why = {one["capture"]: one["reason"] for one in data["not_used"]}
    assert "pixel size" in why["captures/chip-bare.png"]
    assert "captures/chip-near.png" in why
    assert data["by_hand"]["file"] == "chip.toml"
    assert {path: path.read_bytes() for path in (bench / "captures").iterdir()} == before


def test_what_a_bench_does_not_hold_is_refused(bench: Path, capsys: Capsys) -> None:
    for arguments, words in (
        (("slide",), "not a chip"), (("other",), "other"), ((), "name the chip"),
        (("chip", "--pixel-size", "1um"), "everything is known"),
    ):  # fmt: skip
        status, _, error = run(capsys, "die", bench, *arguments)
        assert status == 2
        assert words in error
    captures = bench / "captures" / "sheet"
    assert run(capsys, "die", bench, "chip", "--out", captures)[0] == 2
    assert not captures.exists()


def test_a_mosaic_brings_its_own_scale_and_has_no_distortion(
    tmp_path: Path, capsys: Capsys
) -> None:
    import zarr

    light = grey(shot(pixel_um=PX))
    stored = np.rint(255 * linear_to_srgb(light)).astype(np.uint8)
    height, width = stored.shape
    folder = tmp_path / "mosaic"
    folder.mkdir()
    _create(Canvas(folder / "mosaic.ome.zarr", width, height, False, PX))
    picture = zarr.open_array(str(folder / "mosaic.ome.zarr" / "0"), mode="r+")
    picture[:] = np.stack([stored] * 3)
    # as every mosaic has it; of the levels below nothing is read here
    canvas = Canvas(folder / "mosaic.ome.zarr", width, height, False, PX)
    below = [f"{level} 0 0 empty.\n" for level in range(1, len(canvas.sizes))]
    (canvas.folder / "written.txt").write_text("".join(["0\n", "0 0 0.\n", *below]))
    about = {"value": width * PX, "u": 0.1, "unit": "um",
             "contributions": [{"source": "slide", "u": 0.1, "scope": "reference"}]}  # fmt: skip
    write_document(folder / "mosaic.json", {"findings": {"width": about}})
    assert mosaic_picture(folder).flat
    status, said, _ = run(capsys, "die", folder, "--json")
    assert status == 0
    found = json.loads(said)["findings"]["width"]
    assert found["value"] == pytest.approx(SAWN, rel=5e-4)
    assert "slide" in {part["source"] for part in found["contributions"]}
    (folder / "mosaic.json").write_text("{", encoding="utf-8")
    assert run(capsys, "die", folder)[0] == 2
