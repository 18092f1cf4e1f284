"""A mosaic as one OME-TIFF: read back by tifffile, held against the standard, in constant memory."""

from __future__ import annotations

import re
import tracemalloc
import xml.etree.ElementTree as ElementTree
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from click.testing import CliRunner
from pydantic import BaseModel, ConfigDict, Field

from glassay.cli import program
from glassay.errors import Unusable
from glassay.imaging.ome_zarr import level_sizes
from glassay.mosaic import NUMBERS, PICTURE, MosaicTiles
from glassay.report.mosaic_tiff import write_mosaic_tiff
from glassay.report.pyramids import write_ome_tiff_by_parts

HIGH, WIDE = 480, 640
OME = "{http://www.openmicroscopy.org/Schemas/OME/2016-06}"
SUB_IFDS, REDUCED = 330, 1
"""Tag of sub-images (TIFF technical note 1); the bit of NewSubfileType of a reduced one (TIFF 6.0)."""


def photos_of(folder: Path, deep: bool) -> list[str]:
    rng = np.random.default_rng(4)
    noise = cv2.GaussianBlur(rng.normal(0, 1, (520, 2700, 3)).astype(np.float32), (0, 0), 2.0)
    kind, top = (np.uint16, 65535) if deep else (np.uint8, 255)
    sheet = np.clip((0.5 + 0.5 * noise) * top, 0, top).astype(kind)
    paths = [str(folder / f"{n}.png") for n in range(4)]
    for n, path in enumerate(paths):
        x, y = n * 460 + int(rng.integers(0, 9)), int(rng.integers(0, 9))
        cv2.imwrite(path, sheet[y : y + HIGH, x : x + WIDE])
    return paths


@pytest.fixture(scope="module", params=[False, True], ids=["8 bits", "16 bits"])
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("mosaic")
    words = ["mosaic", *photos_of(place, request.param), "--out", str(place / "out"), "--ome-tiff",
             "--pixel-size", "0.500um"]  # fmt: skip
    done = CliRunner().invoke(program, words)
    assert done.exit_code == 0, done.output
    return place / "out"


def test_it_reads_back_as_the_picture_and_its_halves(folder: Path) -> None:
    levels = MosaicTiles(folder / PICTURE).levels
    assert len(levels) == 3  # the picture, a half, a quarter
    with tifffile.TiffFile(folder / "mosaic.ome.tif") as read:
        assert read.is_ome
        assert len(read.pages) == 1  # plain readers see one picture
        (series,) = read.series
        assert len(series.levels) == len(levels)
        for number, (there, level) in enumerate(zip(series.levels, levels, strict=True)):
            height, width, _ = level.shape
            stored = level.part(0, 0, width, height)
            assert stored.max() > 0
            assert np.array_equal(there.asarray(), stored)
            (page,) = there.pages
            assert isinstance(page, tifffile.TiffPage | tifffile.TiffFrame)
            assert page.is_tiled
            assert page.keyframe.compression == tifffile.COMPRESSION.ADOBE_DEFLATE
            # px a cm: each half's px covers twice as much
            numbers = page.keyframe.tags["XResolution"].value
            assert numbers[0] / numbers[1] == pytest.approx(1e4 / (0.5 * 2**number), rel=1e-6)
            assert page.keyframe.tags["ResolutionUnit"].value == tifffile.RESUNIT.CENTIMETER


def test_halves_are_sub_images_as_ome_tiff_wants_them(folder: Path) -> None:
    """OME-TIFF specification, sub-resolutions: in SubIFDs of the full plane, each marked as reduced by
    NewSubfileType, largest first, of the same kind of px; only full planes are in the chain of IFDs."""
    with tifffile.TiffFile(folder / "mosaic.ome.tif") as read:
        first = read.pages.first
        assert len(first.tags[SUB_IFDS].value) == 2
        assert first.subfiletype & REDUCED == 0
        halves = list(first.pages or ())
        assert [half.shape[:2] for half in halves] == level_sizes(*first.shape[:2])[1:]
        for half in halves:
            assert isinstance(half, tifffile.TiffPage)
            assert half.subfiletype & REDUCED
            assert (half.dtype, half.photometric) == (first.dtype, first.photometric)
            assert half.tilewidth % 16 == half.tilelength % 16 == 0  # TIFF 6.0, section 15


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Pixels(Strict):
    """OME schema 2016-06, element Pixels: its required attributes, and of the others what we write."""

    ID: Annotated[str, Field(pattern=r"^Pixels:\S+$")]
    DimensionOrder: Literal["XYZCT", "XYZTC", "XYCTZ", "XYCZT", "XYTCZ", "XYTZC"]
    Type: Literal["int8", "int16", "int32", "uint8", "uint16", "uint32", "float", "bit", "double"]
    SizeX: Annotated[int, Field(gt=0)]
    SizeY: Annotated[int, Field(gt=0)]
    SizeC: Annotated[int, Field(gt=0)]
    SizeZ: Annotated[int, Field(gt=0)]
    SizeT: Annotated[int, Field(gt=0)]
    SignificantBits: Annotated[int, Field(gt=0)] | None = None
    Interleaved: Literal["true", "false"] | None = None
    BigEndian: Literal["true", "false"] | None = None
    PhysicalSizeX: Annotated[float, Field(gt=0)] | None = None
    PhysicalSizeY: Annotated[float, Field(gt=0)] | None = None
    PhysicalSizeXUnit: Literal["µm"] | None = None
    PhysicalSizeYUnit: Literal["µm"] | None = None


class Channel(Strict):
    """Element Channel: of how many values a px of it is made."""

    ID: Annotated[str, Field(pattern=r"^Channel:\S+$")]
    SamplesPerPixel: Annotated[int, Field(gt=0)]


class TiffData(Strict):
    """Element TiffData: which IFD holds which plane."""

    IFD: Annotated[int, Field(ge=0)] = 0
    PlaneCount: Annotated[int, Field(ge=0)] | None = None


def attributes(element: ElementTree.Element) -> Mapping[str, str]:
    return {str(key): value for key, value in element.attrib.items()}


def the_only(element: ElementTree.Element, name: str) -> ElementTree.Element:
    (found,) = element.findall(f"{OME}{name}")
    return found


def test_its_ome_xml_says_what_the_schema_demands(folder: Path) -> None:
    """OME data model 2016-06 (ome.xsd), and the OME-TIFF specification on where and how it stands."""
    with tifffile.TiffFile(folder / "mosaic.ome.tif") as read:
        first = read.pages.first
        text = first.description
        shape, kind = first.shape, first.dtype
    assert text.startswith("<?xml")
    root = ElementTree.fromstring(text)
    assert root.tag == f"{OME}OME"
    assert re.fullmatch(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", root.attrib["UUID"])
    place = root.attrib["{http://www.w3.org/2001/XMLSchema-instance}schemaLocation"]
    assert place.split()[0] == OME.strip("{}")
    image = the_only(root, "Image")
    assert re.fullmatch(r"Image:\S+", image.attrib["ID"])
    assert image.attrib["Name"] == "mosaic"
    element = the_only(image, "Pixels")
    pixels = Pixels.model_validate(attributes(element))
    assert (pixels.SizeY, pixels.SizeX, pixels.SizeC) == shape
    assert (pixels.SizeZ, pixels.SizeT) == (1, 1)
    assert pixels.Type == str(kind)
    assert (pixels.PhysicalSizeX, pixels.PhysicalSizeY) == (0.5, 0.5)
    assert pixels.PhysicalSizeXUnit == pixels.PhysicalSizeYUnit == "µm"
    channel = Channel.model_validate(attributes(the_only(element, "Channel")))
    assert channel.SamplesPerPixel == pixels.SizeC  # three colours of one plane
    data = TiffData.model_validate(attributes(the_only(element, "TiffData")))
    assert (data.IFD, data.PlaneCount) == (0, 1)
    names = [child.tag.removeprefix(OME) for child in element]
    assert names == sorted(names, key=["Channel", "BinData", "TiffData", "Plane"].index)


def test_the_same_picture_gives_the_same_file(folder: Path, tmp_path: Path) -> None:
    write_mosaic_tiff(tmp_path / "again.ome.tif", folder, 0.5)
    assert (tmp_path / "again.ome.tif").read_bytes() == (folder / "mosaic.ome.tif").read_bytes()


def test_without_a_pixel_size_none_is_said(folder: Path, tmp_path: Path) -> None:
    write_mosaic_tiff(tmp_path / "bare.ome.tif", folder, None)
    with tifffile.TiffFile(tmp_path / "bare.ome.tif") as read:
        assert "PhysicalSize" not in (read.ome_metadata or "PhysicalSize")
        assert read.pages.first.tags["ResolutionUnit"].value == tifffile.RESUNIT.NONE


class Endless:
    """A level that exists only where it is looked at, and counts how much that is."""

    dtype = np.dtype(np.uint8)

    def __init__(self, height: int, width: int) -> None:
        self.shape = (height, width, 3)
        self.most = 0

    def part(self, left: int, top: int, width: int, height: int) -> npt.NDArray[Any]:
        height, width = min(height, self.shape[0] - top), min(width, self.shape[1] - left)
        y, x = np.mgrid[top : top + height, left : left + width]
        part = np.stack([x // 7, y // 5, x // 512 + y // 512], axis=-1).astype(np.uint8)
        self.most = max(self.most, part.nbytes)
        return part


def test_memory_does_not_grow_with_the_picture(tmp_path: Path) -> None:
    peaks = []
    for height in (1024, 6144):
        levels = [Endless(h, w) for h, w in level_sizes(height, 8192)]
        tracemalloc.start()
        path = tmp_path / f"{height}.ome.tif"
        write_ome_tiff_by_parts(path, levels, 0.5, "endless", f"{height:032x}", tile_px=512)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.2 * peaks[0]  # six times as many px, 150 MB
    corner = tifffile.imread(tmp_path / "6144.ome.tif")[-300:, -700:]
    assert np.array_equal(corner, Endless(6144, 8192).part(8192 - 700, 6144 - 300, 700, 300))


def test_a_photo_of_that_name_is_not_written_over(tmp_path: Path) -> None:
    paths = photos_of(tmp_path, deep=False)
    taken = tmp_path / "mosaic.ome.tif"
    tifffile.imwrite(taken, cv2.imread(paths[0]))
    before = taken.read_bytes()
    words = ["mosaic", str(taken), *paths[1:], "--out", str(tmp_path), "--ome-tiff"]
    done = CliRunner().invoke(program, words)
    assert done.exit_code == 2
    assert taken.read_bytes() == before
    assert not (tmp_path / NUMBERS).exists()


def test_a_damaged_picture_leaves_no_half_a_file(folder: Path, tmp_path: Path) -> None:
    (tmp_path / PICTURE).mkdir()
    with pytest.raises(Unusable, match="cannot be read"):
        write_mosaic_tiff(tmp_path / "out.ome.tif", tmp_path, 0.5)
    assert [path.name for path in tmp_path.iterdir()] == [PICTURE]
