"""`glassay mosaic PHOTOS... --out FOLDER`: many photos of one chip as one true picture."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import click

from glassay.bench.document.chip_mosaics import names_on_their_bench
from glassay.cli.calibration import calibration_options, pixel_sizes_um
from glassay.cli.outputs import check_all, output_option
from glassay.cli.photos import parse_tone, tone_option
from glassay.cli.single import not_measured, say_finding
from glassay.errors import NotMeasurable, Unusable
from glassay.mosaic import MosaicResult, Workers, place_tiles, write_mosaic
from glassay.mosaic_files import NUMBERS, PAGE, TIFF
from glassay.quantity import Quantity


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@output_option("--out", required=True, type=click.Path(file_okay=False, path_type=Path),
              metavar="FOLDER", help="write the picture (OME-Zarr) and its numbers here")  # fmt: skip
@click.option("--cluster", metavar="ADDRESS", help="a Dask scheduler, like tcp://host:8786")
@click.option(
    "--page",
    is_flag=True,
    help="also write index.html there: the picture to look at closely, in any browser",
)
@click.option(
    "--ome-tiff",
    is_flag=True,
    help="also write mosaic.ome.tif there: the picture as one file, for programs that read OME-TIFF",
)
@calibration_options
@tone_option
@click.option("--json", "as_json", is_flag=True, help="print the answer as data")
def command(
    photos: tuple[Path, ...], out: Path, cluster: str | None, page: bool, ome_tiff: bool,
    pixel_sizes: tuple[str, ...], slide: Path | None, division: str | None, tone: str | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Place photos of one chip, in any order, and write them as one picture that can be measured in.

    Neighbours should overlap by 10 to 40 %, taken in one setting. One lens is assumed for all; its
    distortion and shading are found from the overlaps. A tile without a sure place is left out and
    named. After a kill the same command goes on where it stopped.
    """
    try:
        if ome_tiff:  # a TIFF may be one of the photos, too
            check_all([out / TIFF], photos)
        # stated once for all: one setting is what a mosaic is made of
        (size,) = pixel_sizes_um(pixel_sizes, slide, division, photos)
        before = _numbers_in(out)
        done = _made(photos, out, cluster, size, tone)
        earlier = [] if before in (None, _numbers_in(out)) else _of_an_earlier(out, page, ome_tiff)
        if page:
            from glassay.report.mosaic_page import write_mosaic_page

            write_mosaic_page(out)
        if ome_tiff:
            from glassay.report.mosaic_tiff import write_mosaic_tiff

            write_mosaic_tiff(out / TIFF, out, None if size is None else size.value)
    except (NotMeasurable, Unusable) as error:
        if as_json:
            click.echo(json.dumps({"files": [str(p) for p in photos], "measured": False,
                                   "reason": str(error)}))  # fmt: skip
        else:
            click.echo(not_measured(", ".join(str(p) for p in photos[:1]), error), err=True)
        sys.exit(3 if isinstance(error, NotMeasurable) else 2)
    if as_json:
        findings = {key: finding.as_json() for key, finding in done.findings().items()}
        answer = {"files": [str(p) for p in photos], "measured": True, "findings": findings,
                  **done.beside(), "notes": [*done.notes, *earlier]}  # fmt: skip
        click.echo(json.dumps(answer, indent=1))
    else:
        click.echo("\n".join([_say(done), *(f"  note: {note}" for note in earlier)]))


def _numbers_in(folder: Path) -> bytes | None:
    """Those of the mosaic that lies there, as they are written."""
    try:
        return (folder / NUMBERS).read_bytes()
    except OSError:
        return None


def _of_an_earlier(folder: Path, page: bool, ome_tiff: bool) -> list[str]:
    """What is said of files that an earlier mosaic left and this one does not write."""
    optional = ((PAGE, "--page", page), (TIFF, "--ome-tiff", ome_tiff))
    return [
        f"{name} there shows the mosaic that was there before: {option} writes it anew"
        for name, option, is_written in optional
        if not is_written and (folder / name).exists()
    ]


def _made(
    photos: tuple[Path, ...],
    out: Path,
    cluster: str | None,
    size: Quantity | None,
    tone: str | None,
) -> MosaicResult:
    if len(photos) < 2:
        raise Unusable("one photo is no mosaic: give two or more that overlap")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Unusable(f"{out} cannot be written ({error.strerror})") from None
    if not os.access(out, os.W_OK):
        raise Unusable(f"{out} cannot be written (permission denied)")
    workers = Workers(cluster)
    try:
        progress = _progress if sys.stderr.isatty() else _quiet
        placed = place_tiles(
            photos, pixel_size=size, tone=parse_tone(tone), workers=workers, progress=progress
        )
        return write_mosaic(placed, out, workers, progress, names_on_their_bench(photos))
    finally:
        workers.close()


def _progress(what: str, done: int, total: int) -> None:
    click.echo(f"\r{what}: {done} of {total}   ", nl=done == total, err=True)


def _quiet(what: str, done: int, total: int) -> None:
    del what, done, total


def _say(done: MosaicResult) -> str:
    findings = done.findings()
    lines = [
        f"{done.placed} of {len(done.where)} tiles placed, {done.size[0]} x {done.size[1]} px",
        f"width         {say_finding(findings['width'])}   height {say_finding(findings['height'])}",
        f"distortion    {say_finding(findings['distortion'])} at the corner of a tile",
    ]
    if "loop_closure" in findings:
        closure = findings["loop_closure"].quantity
        lines.append(f"loops close   within {closure.value:.2g} {closure.unit} (rms)")
    if "vignetting" in findings:
        lines.append(f"vignetting    {say_finding(findings['vignetting'])} of light at the corner")
    if done.groups > 1:
        lines.append(f"groups        {done.groups} that nothing joins; the largest is the mosaic")
    lines.append(f"written to    {done.folder}")
    lines += [f"  note: {note}" for note in done.notes]
    return "\n".join(lines)
