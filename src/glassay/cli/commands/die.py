"""`glassay die PHOTO`, `glassay die MOSAIC` and `glassay die BENCH CHIP`: a die and its sheet."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click

from glassay.bench.chip.die_layers import LaidLayer, laid_layers
from glassay.bench.chip.die_pictures import (
    ChosenPicture,
    DiePicture,
    best_die,
    die_in,
    mosaic_picture,
)
from glassay.bench.document.chip_mosaics import is_mosaic
from glassay.bench.document.die_notes import NOTHING_NOTED, DieNotes, notes_file
from glassay.bench.document.read import FILE_NAME
from glassay.bench.measuring.assemble import read_results
from glassay.cli.benches import what_is_there
from glassay.cli.calibration import (
    calibration_options,
    pixel_sizes_um,
    positive_length_um,
)
from glassay.cli.outputs import check_all, output_option
from glassay.cli.photos import parse_tone, tone_option
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.die import DieResult
from glassay.disk import content_hash, write_atomically
from glassay.errors import Unusable
from glassay.imaging import read_photo
from glassay.mosaic_files import NUMBERS
from glassay.quantity import Quantity
from glassay.report.die_layers import words_of
from glassay.report.die_sheet import Sheet, by_hand_words, manifest_lines, sheet_data, write_sheet
from glassay.report.iiif import LAYERS, check_address

TILES = "iiif"
"""Folder of the tiles of the picture."""

FILES = ("sheet.html", "sheet.json", "die.geojson", "die.svg", "die.dxf", "pads.csv")
MORE = ("die.ome.tif", "die.ome.zarr", "manifest.json", TILES, LAYERS)


@dataclass(frozen=True)
class _Found:
    """A die, the picture it was found in, pictures that were passed over, notes by hand with the
    name of their file, and layers."""

    picture: DiePicture
    result: DieResult
    passed_over: tuple[tuple[str, str], ...] = ()
    notes: DieNotes = NOTHING_NOTED
    notes_file: str = ""
    layers: tuple[LaidLayer, ...] = ()


@click.command()
@click.argument("source", metavar="PHOTO|MOSAIC|BENCH", type=click.Path(path_type=Path))
@click.argument("chip", required=False)
@click.option("--tells", metavar="LENGTH",
              help="the finest line that the instrument tells in this setting, like 1.6um")  # fmt: skip
@output_option("--out", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
               help="write the die's sheet and its data here")  # fmt: skip
@click.option(
    "--pictures",
    is_flag=True,
    help="with --out: also the picture as OME-TIFF and OME-Zarr pyramids",
)
@click.option(
    "--address",
    metavar="URL",
    help="with --out: also IIIF tiles and a manifest, for a folder that will lie there",
)
@click.option("--regions", type=click.Path(path_type=Path), metavar="FILE",
              help="what is noted and corrected by hand (TOML or GeoJSON)")  # fmt: skip
@tone_option
@calibration_options
@single_photo_options
def command(
    source: Path, chip: str | None, tells: str | None, out: Path | None, pictures: bool,
    address: str | None, regions: Path | None, tone: str | None, pixel_sizes: tuple[str, ...],
    slide: Path | None, division: str | None, box: str | None, figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure a die: outline and size, tilt, bond pads, finest line and pitch; with --out its sheet.

    From a photo, from a mosaic's folder, or of CHIP in a BENCH: from its mosaic in mosaics/CHIP, else
    from the capture whose setting tells most. The die must lie wholly in the picture, on an even
    surround of another brightness. Its size is that of the silicon as it was sawn, seal ring and what
    is left of the street included.
    """
    found: list[_Found] = []

    def measure() -> DieResult:
        if (pictures or address) and out is None:
            raise Unusable("--pictures and --address say what --out FOLDER holds besides: give it")
        place = None if address is None else check_address(address)
        if out is not None:
            _check_folder(out, source, regions)
        told = None if tells is None else positive_length_um(tells, "--tells")
        if chip is not None:
            if pixel_sizes or slide or tells or box or tone:
                raise Unusable("of a bench's chip everything is known: give no --pixel-size, --slide,"
                               " --tells, --box or --tone")  # fmt: skip
            results = read_results(what_is_there(source))
            chosen = best_die(results, chip, regions)
            laid = laid_layers(chosen, regions or notes_file(source, chip), results)
            found.append(_Found(chosen.picture, chosen.result, chosen.passed_over, chosen.notes,
                                chosen.notes_file, laid))  # fmt: skip
        else:
            (size,) = pixel_sizes_um(pixel_sizes, slide, division, [source])
            picture = _picture(source, size, told, tone, box)
            result, notes, name = die_in(picture, regions)
            laid = laid_layers(ChosenPicture(picture, result, (), notes, name), regions)
            found.append(_Found(picture, result, (), notes, name, laid))
        if out is not None:
            sheet = _write(found[0], out, source, chip)
            if pictures:
                _write_pyramids(out, sheet)
            if place is not None:
                _write_tiles(out, place, sheet, found[0])
        return found[0].result

    def draw(result: DieResult) -> None:
        from glassay.report.evidence_die import draw_die

        assert figure is not None
        draw_die(found[0].picture.photo, result, figure)

    def say(result: DieResult) -> str:
        lines = [_say(result)]
        if chip is not None:
            lines.insert(0, f"{chip}: from {found[0].picture.name}, {found[0].picture.taken_with}")
        lines += [_say_layer(one) for one in found[0].layers]
        if out is not None:
            lines.append(f"written to    {out}")
        return "\n".join(lines)

    def beside() -> dict[str, Any]:
        one = found[0]
        layers = {"layers": [layer.as_data() for layer in one.layers]} if one.layers else {}
        return one.result.beside() | {"picture": one.picture.name} | layers

    name = str(source) if chip is None else f"{source} {chip}"
    answer(name, measure, say, as_json=as_json, draw=draw if figure else None, beside=beside)


def _say_layer(one: LaidLayer) -> str:
    if one.lies is None:
        return f"layer         {one.layer.name}: not registered: {one.reason}"
    return f"layer         {one.layer.name}: {words_of(one).replace('µ', 'u')}"


def _picture(
    source: Path, size: Quantity | None, told: float | None, tone: str | None, box: str | None
) -> DiePicture:
    if source.is_dir():
        if (source / FILE_NAME).is_file():
            raise Unusable(f"{source} is a bench: name the chip, like `glassay die {source} CHIP`")
        if not is_mosaic(source):
            raise Unusable(f"{source} is neither a bench nor a mosaic (it has no {NUMBERS})")
        if box or tone:
            raise Unusable("--box and --tone are for photos")
        mosaic = mosaic_picture(source)
        if size is not None:  # what is stated is that of the mosaic's own px
            size = size.scaled(mosaic.reduced, size.unit)
        return replace(mosaic, pixel_size=size or mosaic.pixel_size, told_um=told)
    area = parse_box(box)
    photo = read_photo(source, parse_tone(tone))
    return DiePicture(photo if area is None else photo.crop(area), size, told, False, source.name)


def _check_folder(out: Path, source: Path, regions: Path | None) -> None:
    check_all([out / name for name in (*FILES, *MORE)], [source, *([regions] if regions else [])])
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Unusable(f"{out} cannot be written ({error.strerror})") from None


def _write_pyramids(out: Path, sheet: Sheet) -> None:
    from glassay.report.pyramids import stored_levels, write_ome_tiff, write_ome_zarr

    size = None if sheet.result.pixel_size is None else sheet.result.pixel_size.value
    levels = stored_levels(sheet.photo)
    write_ome_tiff(out / "die.ome.tif", levels, size, sheet.title)
    write_ome_zarr(out / "die.ome.zarr", levels, size, sheet.title)


def _write_tiles(out: Path, address: str, sheet: Sheet, found: _Found) -> None:
    from glassay.report import die_iiif, iiif

    said = iiif.Said(sheet.title, manifest_lines(sheet.result))
    tiled = die_iiif.write_picture_tiles(out / TILES, found.picture, f"{address}/{TILES}")
    shown = die_iiif.Pictures(found.picture, found.result, found.notes, found.layers)
    die_iiif.write_documents(out, TILES, tiled, address, shown, said)


def _write(found: _Found, out: Path, source: Path, chip: str | None) -> Sheet:
    from glassay.report import die_files

    result, photo, notes = found.result, found.picture.photo, found.notes
    sheet = Sheet(
        f"Die of {chip}" if chip else f"Die in {source.name}",
        found.picture.taken_with or f"From {source.name}.", photo, result,
        content_hash(photo.path), notes,
        found.notes_file, found.passed_over, FILES[1:], found.layers,
    )  # fmt: skip
    texts = {
        "sheet.html": write_sheet(sheet),
        "sheet.json": json.dumps(sheet_data(sheet), indent=1) + "\n",
        "die.geojson": die_files.as_geojson(result, notes),
        "die.svg": die_files.as_svg(result, notes),
        "die.dxf": die_files.as_dxf(result, notes),
        "pads.csv": die_files.as_csv(result),
    }
    for name in FILES:
        write_atomically(out / name, texts[name].encode())
    return sheet


def _say(result: DieResult) -> str:
    """The answer in lines."""
    found = result.findings()
    lines = [
        f"size          {say_quantity(result.width)} x {say_quantity(result.height)}, as sawn"
        "   (95 % intervals)",
        f"tilt          {say_quantity(result.outline.tilt)}",
        f"pads          {len(result.pads)}",
    ]
    for row in result.rows:
        even = row.pitch is not None
        pitch = (
            f"every {say_quantity(result.length(row.pitch))}" if even and row.pitch else "uneven"
        )
        lines.append(f"  {row.side:<11} {row.count} pads, {pitch}")
    for name, words in (
        ("line", "finest line"),
        ("space", "finest space"),
        ("pitch", "finest pitch"),
    ):
        key = f"finest_{name}"
        limit = found.get(f"finest_{'pitch' if name == 'pitch' else 'line'}_limit")
        if limit is None:
            continue
        least = f"{limit.quantity.value:.2g} {limit.quantity.unit}"
        said = "none told"
        if key in found:
            said = say_quantity(found[key].quantity) + by_hand_words(found[key])
        lines.append(f"{words:<13} {said}   (no finer than {least} could be seen)")
    if result.process is not None:
        lines.append(result.process.statement)
    return "\n".join(lines)
