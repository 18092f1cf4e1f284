"""What `glassay die` wrote, opened by readers that are not ours: `python readers.py FOLDER`.

Runs in an environment of its own (release/readers.txt) without Glassay. Each check says what it read;
the first that fails ends it with the reader's own words.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import iiif_prezi3
import ome_types
import ome_zarr_models
import pyvips
import shapely
import shapely.geometry

MARGIN_UM = 1.0
"""How far pads may stick out of the outline: places are rounded."""


def read_manifest(out: Path) -> str:
    """IIIF Presentation 3, by models made from the standard's own schema."""
    data = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    told = iiif_prezi3.Manifest(**data)
    (canvas,) = told.items
    marks = canvas.annotations[0].items
    again = json.loads(told.json())
    assert again["id"] == data["id"], "the manifest comes back as another"
    assert len(marks) == len(data["items"][0]["annotations"][0]["items"]), "annotations are lost"
    assert all(mark.target.selector.type == "SvgSelector" for mark in marks), "other selectors"
    pictures = read_choice(out, again)
    return (
        f"a manifest of {canvas.width} x {canvas.height} px with {len(marks)} annotations on"
        f" {pictures} pictures to choose from"
    )


def read_choice(out: Path, told: Any) -> int:
    """The pictures of the canvas as the reader gives them back, a `Choice`: every one is named, there,
    of the size that is stated, and of the canvas's shape, so that what is marked lies on all."""
    home = told["id"].removesuffix("/manifest.json")
    (canvas,) = told["items"]
    body = canvas["items"][0]["items"][0]["body"]
    assert body["type"] == "Choice", f"the canvas is painted with a {body['type']}"
    names = [one["label"]["en"] for one in body["items"]]
    layers = json.loads((out / "sheet.json").read_text(encoding="utf-8"))["layers"]
    laid = [[one["name"]] for one in layers if one["registered"]]
    assert laid, "no layer was registered"
    assert names[1:] == laid, f"pictures to choose from: {names}, layers: {laid}"
    for one in body["items"]:
        path = one["id"].removeprefix(f"{home}/")
        image = pyvips.Image.new_from_file(str(out / path))
        assert (image.width, image.height) == (one["width"], one["height"]), f"{path}: other px"
        across, down = one["width"] / canvas["width"], one["height"] / canvas["height"]
        assert abs(across - down) * canvas["height"] <= 1, f"{path}: another shape"
    return len(names)


def read_tiles(out: Path, photo: Path) -> str:
    """IIIF Image 3, level 0, against another program's tiles of the same photo."""
    image = pyvips.Image.new_from_file(str(photo))
    theirs = out.parent / "tiles-of-another"
    image.dzsave(str(theirs), layout="iiif3", tile_size=512, id="https://chips.example.org/one")
    info = json.loads((out / "iiif" / "info.json").read_text(encoding="utf-8"))
    other = json.loads((theirs / "info.json").read_text(encoding="utf-8"))
    for key in ("@context", "type", "protocol", "profile", "width", "height"):
        assert info[key] == other[key], f"info.json: {key} is {info[key]!r}, there {other[key]!r}"
    mine, its = (
        {path.relative_to(folder).as_posix() for path in folder.rglob("*.jpg")}
        for folder in (out / "iiif", theirs)
    )
    lost = {path for path in its - mine if not path.startswith("full/")}
    assert not lost, f"tiles that another program writes are missing: {sorted(lost)[:3]}"
    for path in sorted(its & mine):
        a, b = (pyvips.Image.new_from_file(str(folder / path)) for folder in (out / "iiif", theirs))
        assert (a.width, a.height) == (b.width, b.height), f"{path} is of another size"
        off = (a.cast("float") - b.cast("float")).abs().avg()
        assert off < 8, f"{path} shows another place: {off:.1f} grey values apart"
    return f"{len(its & mine)} tiles as another program cuts them"


def read_tiff(out: Path, photo: Path) -> str:
    """OME-TIFF: pixels and halves by one reader, metadata by another against the OME schema."""
    path = str(out / "die.ome.tif")
    whole = pyvips.Image.new_from_file(path)
    seen = pyvips.Image.new_from_file(str(photo))
    assert (whole.width, whole.height) == (seen.width, seen.height)
    assert (whole.cast("float") - seen.cast("float")).abs().max() == 0, "pixels are not the photo's"
    halves = int(whole.get("n-subifds"))
    sizes = [pyvips.Image.tiffload(path, subifd=n).width for n in range(halves)]
    assert sizes == [-(-whole.width // 2 ** (n + 1)) for n in range(halves)], f"halves of {sizes}"
    ome = ome_types.from_xml(whole.get("image-description"), validate=True)
    pixels = ome.images[0].pixels
    assert (pixels.size_x, pixels.size_y) == (whole.width, whole.height)
    assert pixels.physical_size_x_unit.value == "µm"
    return f"OME-TIFF of {pixels.physical_size_x:g} µm/px with {halves} halves"


def read_zarr(out: Path) -> str:
    """OME-Zarr, by models of its specification."""
    import zarr

    group = zarr.open_group(str(out / "die.ome.zarr"), mode="r")
    image: Any = ome_zarr_models.open_ome_zarr(group)
    (scales,) = image.attributes.ome.multiscales
    return f"OME-Zarr {image.ome_zarr_version}, {len(scales.datasets)} levels"


def read_geojson(out: Path) -> str:
    """GeoJSON: every ring is one that encloses something, and pads lie on the die."""
    features = json.loads((out / "die.geojson").read_text(encoding="utf-8"))["features"]
    shapes = [(one["properties"], shapely.geometry.shape(one["geometry"])) for one in features]
    assert all(shape.is_valid for _, shape in shapes), "a shape crosses itself"
    (die,) = [shape for about, shape in shapes if about["what"] == "outline"]
    pads = [shape for about, shape in shapes if about["what"] == "pad"]
    assert pads, "there are no pads"
    assert all(die.buffer(MARGIN_UM).contains(pad) for pad in pads), "a pad lies beside the die"
    apart = shapely.union_all(pads).area / sum(pad.area for pad in pads)
    assert apart > 0.999, "pads lie upon each other"
    return f"{len(pads)} pads on a die of {die.area / 1e6:.4f} mm2"


def read_svg(out: Path) -> str:
    """SVG: drawn by another program at a px a um: regions are filled, and nothing beside them is."""
    image = pyvips.Image.svgload(str(out / "die.svg"), scale=1000 / (72 / 25.4))
    sheet = json.loads((out / "sheet.json").read_text(encoding="utf-8"))
    size = [sheet["findings"][side]["value"] for side in ("width", "height")]
    margin = (image.width - size[0]) / 2
    assert abs(image.height - size[1] - 2 * margin) < 2, (
        "the drawing has another shape than the die"
    )
    alpha = image[3]
    for region in sheet["by_hand"]["regions"]:
        x, y = (sum(at) / len(at) for at in zip(*region["polygon"], strict=True))
        assert alpha(x + margin, y + margin)[0] > 100, f"no {region['kind']} at {x:.0f}, {y:.0f} um"
    assert alpha(size[0] / 2 + margin, size[1] / 4 + margin)[0] == 0, (
        "it is filled where nothing is"
    )
    return f"a drawing of {image.width} x {image.height} um, regions where they were noted"


def main() -> None:
    """Every check on one folder."""
    folder = Path(sys.argv[1])
    out, photo = folder / "out", folder / "die.jpg"
    checks: list[tuple[str, Callable[[], str]]] = [
        ("IIIF manifest", lambda: read_manifest(out)),
        ("IIIF tiles", lambda: read_tiles(out, photo)),
        ("OME-TIFF", lambda: read_tiff(out, photo)),
        ("OME-Zarr", lambda: read_zarr(out)),
        ("GeoJSON", lambda: read_geojson(out)),
        ("SVG", lambda: read_svg(out)),
    ]
    for name, check in checks:
        print(f"{name}: {check()}", flush=True)


if __name__ == "__main__":
    main()
