"""Pyramids, tiles and manifest: read by libraries that are not ours, and held against the standards."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Annotated, Any, Literal

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import tifffile
import zarr
from PIL import Image
from pydantic import BaseModel, ConfigDict, Field, HttpUrl

from glassay.bench.document.die_notes import DieNotes, Marking, Region
from glassay.die import DieResult
from glassay.errors import Unusable
from glassay.imaging import Photo
from glassay.report import iiif
from glassay.report.pyramids import stored_levels, write_ome_tiff, write_ome_zarr
from tests.die.drawn import PIXEL_UM

NOTES = DieNotes(
    (Region("memory", 'a "b" & <c>', ((100, 100), (300, 100), (300, 200), (100, 200))),),
    (Marking("PIER 7?", (450.0, 600.0)), Marking("no place")),
)
ADDRESS = "https://chips.example.org/one"


def photo(height: int, width: int, kind: type = np.uint8, channels: int = 3) -> Photo:
    rng = np.random.default_rng(3)
    top = np.iinfo(kind).max
    small = rng.uniform(0.2, 0.8, (height // 80, width // 80, channels)).astype(np.float32)
    smooth = cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)
    return Photo(Path("drawn.png"), (smooth * top).astype(kind), "srgb")


@pytest.mark.parametrize(("kind", "channels"), [(np.uint8, 3), (np.uint16, 3), (np.uint8, 1)])
def test_ome_tiff_holds_the_photo_its_scale_and_its_halves(
    tmp_path: Path, kind: type, channels: int
) -> None:
    picture, path = photo(1101, 803, kind, channels), tmp_path / "die.ome.tif"
    write_ome_tiff(path, stored_levels(picture), 0.25, "a die")
    with tifffile.TiffFile(path) as read:
        assert read.is_ome
        (series,) = read.series
        assert [level.shape[:2] for level in series.levels] == [(1101, 803), (551, 402), (276, 201)]
        assert np.array_equal(series.asarray(), picture.stored)
        assert all(page.is_tiled for page in series.levels[0].pages)
        text = read.ome_metadata
        assert text is not None
    # OME data model 2016-06: Pixels carries PhysicalSizeX with its unit
    (pixels,) = ElementTree.fromstring(text).iter(
        "{http://www.openmicroscopy.org/Schemas/OME/2016-06}Pixels"
    )
    assert float(pixels.attrib["PhysicalSizeX"]) == 0.25
    assert pixels.attrib["PhysicalSizeXUnit"] == "µm"
    assert (pixels.attrib["SizeX"], pixels.attrib["SizeY"]) == ("803", "1101")
    # readers of plain TIFF see the photo too
    plain = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert plain is not None
    assert np.array_equal(plain[..., ::-1] if channels == 3 else plain, picture.stored)


def test_equal_pictures_give_equal_tiffs(tmp_path: Path) -> None:
    for name in ("a.ome.tif", "b.ome.tif"):
        write_ome_tiff(tmp_path / name, stored_levels(photo(600, 300)), 0.25, "a die")
    assert (tmp_path / "a.ome.tif").read_bytes() == (tmp_path / "b.ome.tif").read_bytes()


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class Axis(Strict):
    """OME-Zarr 0.5, "axes" metadata."""

    name: str
    type: Literal["channel", "space"]
    unit: Literal["micrometer"] | None = None


class Transformation(Strict):
    """OME-Zarr 0.5, "coordinateTransformations"."""

    type: Literal["scale", "translation"]
    scale: list[float] | None = None
    translation: list[float] | None = None


class Level(Strict):
    path: str
    coordinateTransformations: Annotated[list[Transformation], Field(min_length=1, max_length=2)]


class Multiscale(Strict):
    """OME-Zarr 0.5, "multiscales": axes of type space last, largest level first."""

    name: str
    axes: Annotated[list[Axis], Field(min_length=2, max_length=5)]
    datasets: Annotated[list[Level], Field(min_length=1)]


def test_ome_zarr_is_laid_out_as_its_specification_says(tmp_path: Path) -> None:
    picture = photo(1101, 803)
    write_ome_zarr(tmp_path / "die.ome.zarr", stored_levels(picture), 0.25, "a die")
    write_ome_zarr(tmp_path / "die.ome.zarr", stored_levels(picture), 0.25, "a die")  # and again
    group = zarr.open_group(str(tmp_path / "die.ome.zarr"), mode="r")
    ome: Any = group.attrs["ome"]
    assert ome["version"] == "0.5"
    (described,) = [Multiscale.model_validate(one) for one in ome["multiscales"]]
    assert [axis.name for axis in described.axes] == ["c", "y", "x"]
    for number, level in enumerate(described.datasets):
        array = group[level.path]
        assert isinstance(array, zarr.Array)
        assert array.metadata.dimension_names == ("c", "y", "x")  # type: ignore[union-attr]
        scale, shift = level.coordinateTransformations
        assert scale.scale == [1.0, 0.25 * 2**number, 0.25 * 2**number]
        assert shift.translation == [0.0, *[0.25 * (2**number - 1) / 2] * 2]
        assert array.shape[1:] == (-(-1101 // 2**number), -(-803 // 2**number))
    first = group["0"]
    assert isinstance(first, zarr.Array)
    assert np.array_equal(np.moveaxis(np.asarray(first[...]), 0, -1), picture.stored)
    (tmp_path / "other").mkdir()
    with pytest.raises(Unusable, match="is no OME-Zarr"):
        write_ome_zarr(tmp_path / "other", stored_levels(picture), 0.25, "a die")


class Tile(Strict):
    width: int
    height: int
    scaleFactors: Annotated[list[int], Field(min_length=1)]


class Information(Strict):
    """IIIF Image API 3.0, section 5: what an info.json must and may hold, of what we write."""

    context: Annotated[Literal["http://iiif.io/api/image/3/context.json"], Field(alias="@context")]
    id: str
    type: Literal["ImageService3"]
    protocol: Literal["http://iiif.io/api/image"]
    profile: Literal["level0", "level1", "level2"]
    width: Annotated[int, Field(gt=0)]
    height: Annotated[int, Field(gt=0)]
    sizes: list[dict[Literal["width", "height"], int]]
    tiles: list[Tile]


def decoded(path: Path) -> npt.NDArray[np.uint8]:
    with Image.open(path) as image:
        assert image.format == "JPEG"
        return np.asarray(image.convert("RGB"))


def test_every_tile_that_a_reader_may_ask_for_is_there_and_shows_its_place(tmp_path: Path) -> None:
    """Paths as Image API 3.0, 4.7 (canonical form) and its implementation notes on tiles give them."""
    picture = photo(1101, 803)
    iiif.write_tiles(tmp_path, picture)
    told = Information.model_validate(iiif.image_information(ADDRESS, 803, 1101))
    HttpUrl(told.id)
    (tile,) = told.tiles
    asked = {"full/max/0/default.jpg"}
    asked |= {f"full/{s['width']},{s['height']}/0/default.jpg" for s in told.sizes[:1]}
    for factor in tile.scaleFactors:
        step = tile.width * factor
        if max(told.width, told.height) <= step:
            continue
        for y in range(0, told.height, step):
            for x in range(0, told.width, step):
                w, h = min(step, told.width - x), min(step, told.height - y)
                size = f"{-(-w // factor)},{-(-h // factor)}"
                asked.add(f"{x},{y},{w},{h}/{size}/0/default.jpg")
    written = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*.jpg")}
    assert written == asked
    assert told.sizes[-1] == {"width": 803, "height": 1101}
    corner = decoded(tmp_path / "512,1024,291,77/291,77/0/default.jpg").astype(float)
    assert np.abs(corner - picture.stored[1024:, 512:]).mean() < 6
    whole = decoded(tmp_path / "full/201,276/0/default.jpg")
    small = cv2.resize(picture.stored, (201, 276), interpolation=cv2.INTER_AREA)
    assert np.abs(whole.astype(float) - small).mean() < 6


class Words(BaseModel):
    model_config = ConfigDict(extra="forbid")
    en: Annotated[list[str], Field(min_length=1)]


class Pair(Strict):
    label: Words
    value: Words


class Service(Strict):
    id: str
    type: Literal["ImageService3"]
    profile: Literal["level0"]


class ImageBody(Strict):
    id: str
    type: Literal["Image"]
    format: Literal["image/jpeg"]
    width: int
    height: int
    service: list[Service]


class NamedBody(ImageBody):
    label: Words


class Choice(Strict):
    """IIIF Presentation API 3.0, section 4.3: `Choice`, of which a reader shows one, the first by
    default (W3C Web Annotation Data Model, 3.2.7); each is named to be chosen (3.1, label)."""

    type: Literal["Choice"]
    items: Annotated[list[NamedBody], Field(min_length=2)]


class Painting(Strict):
    id: str
    type: Literal["Annotation"]
    motivation: Literal["painting"]
    body: ImageBody | Choice
    target: str


class TextBody(Strict):
    """W3C Web Annotation Data Model, 3.2.4: embedded textual body."""

    type: Literal["TextualBody"]
    value: str
    format: Literal["text/plain"]
    language: str


class SvgSelector(Strict):
    """W3C Web Annotation Data Model, 4.2.7."""

    type: Literal["SvgSelector"]
    value: str


class Target(Strict):
    type: Literal["SpecificResource"]
    source: str
    selector: SvgSelector


class Note(Strict):
    id: str
    type: Literal["Annotation"]
    motivation: Literal["commenting", "tagging"]
    body: TextBody
    target: Target


class PaintingPage(Strict):
    id: str
    type: Literal["AnnotationPage"]
    items: list[Painting]


class NotesPage(Strict):
    id: str
    type: Literal["AnnotationPage"]
    items: list[Note]


class Canvas(Strict):
    id: str
    type: Literal["Canvas"]
    label: Words
    width: int
    height: int
    items: list[PaintingPage]
    annotations: list[NotesPage]


class Manifest(Strict):
    """IIIF Presentation API 3.0, sections 3 and 5: what we write of a manifest."""

    context: Annotated[
        Literal["http://iiif.io/api/presentation/3/context.json"], Field(alias="@context")
    ]
    id: HttpUrl
    type: Literal["Manifest"]
    label: Words
    metadata: list[Pair]
    items: Annotated[list[Canvas], Field(min_length=1)]
    rights: str | None = None
    requiredStatement: Pair | None = None


def test_the_manifest_is_one_canvas_with_outline_pads_and_notes(measured: DieResult) -> None:
    corners = measured.outline.seen_corners()
    size = (int(corners[:, 1].max()) + 40, int(corners[:, 0].max()) + 40)
    said = iiif.Said("A die", (("Width", "1 mm"), ("Nothing", "")), "", "drawn for tests")
    picture = iiif.Tiled(f"{ADDRESS}/iiif", "as measured", size[::-1], size[::-1])
    made = iiif.manifest(ADDRESS, [picture], measured, NOTES, said)
    told = Manifest.model_validate_json(iiif.as_text(made))
    (canvas,) = told.items
    (painting,) = canvas.items[0].items
    assert painting.target == canvas.id
    assert isinstance(painting.body, ImageBody)
    assert (
        (painting.body.width, painting.body.height) == (canvas.width, canvas.height) == size[::-1]
    )
    notes = canvas.annotations[0].items
    assert len(notes) == 1 + len(measured.pads) + 2
    assert len({note.id for note in notes}) == len(notes)
    assert sum("by hand" in note.body.value for note in notes) == 2
    rings = {}
    for note in notes:
        assert note.target.source == canvas.id
        (shape,) = ElementTree.fromstring(note.target.selector.value)
        points = np.array([p.split(",") for p in shape.attrib["points"].split()], float)
        assert points.min() >= 0
        rings[note.body.value] = points
    # a canvas counts from the corner of the first px, the photo from its middle
    assert np.abs(rings["outline, measured"][0] - 0.5 - corners[0]).max() < 0.1
    pad = np.ptp(rings["pad 1"], axis=0) * PIXEL_UM
    assert pad.min() > measured.pads[0].height * measured.per_px


def test_layers_are_pictures_to_choose_from_on_the_one_canvas(measured: DieResult) -> None:
    size = (1000, 800)
    fine = iiif.Tiled(f"{ADDRESS}/layers/1", "after etching", (2000, 1600), (2000, 1600))
    pictures = [iiif.Tiled(f"{ADDRESS}/iiif", "as measured", size, size), fine]
    made = iiif.manifest(ADDRESS, pictures, measured, NOTES, iiif.Said("A die"))
    (canvas,) = Manifest.model_validate_json(iiif.as_text(made)).items
    (painting,) = canvas.items[0].items
    assert isinstance(painting.body, Choice)
    assert (canvas.width, canvas.height) == size  # a layer of other px fills it nevertheless
    assert [one.label.en for one in painting.body.items] == [["as measured"], ["after etching"]]
    assert [one.width for one in painting.body.items] == [1000, 2000]
    services = [service.id for one in painting.body.items for service in one.service]
    assert services == [f"{ADDRESS}/iiif", f"{ADDRESS}/layers/1"]
    alone = Manifest.model_validate_json(
        iiif.as_text(iiif.manifest(ADDRESS, pictures[:1], measured, NOTES, iiif.Said("A die")))
    )
    assert alone.items[0].annotations == canvas.annotations


def test_an_address_must_be_one() -> None:
    assert iiif.check_address("https://chips.example.org/a/") == "https://chips.example.org/a"
    for wrong in ("chips.example.org", "file:///a", "https://", "https://a.example/?q=1"):
        with pytest.raises(Unusable, match="no address"):
            iiif.check_address(wrong)
