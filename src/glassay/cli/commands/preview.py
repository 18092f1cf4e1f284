"""`glassay preview`: a drawing or a better capture as an instrument would show it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import click
import numpy as np

from glassay.cli.outputs import output_option
from glassay.cli.photos import parse_tone
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.detail.predict import Preview, Response, compare_views, predict_view
from glassay.disk import write_atomically
from glassay.errors import NotMeasurable, Unusable
from glassay.imaging import Photo, read_photo
from glassay.imaging.tone import FloatImage, linear_to_srgb
from glassay.units import parse


@click.command()
@click.argument("source", type=click.Path(path_type=Path))
@click.option("--pixel-size", required=True, metavar="LENGTH",
              help="length of one px of SOURCE on the object, like 0.25um")  # fmt: skip
@click.option("--bench", type=click.Path(path_type=Path), metavar="BENCH",
              help="take the instrument's numbers from this measured bench")  # fmt: skip
@click.option("--with", "chosen", metavar="INSTRUMENT/SETTING",
              help="the instrument and its setting in the bench")  # fmt: skip
@click.option("--edge", type=click.Path(path_type=Path), metavar="PHOTO",
              help="photo of a sharp edge by the instrument")  # fmt: skip
@click.option("--seen-pixel-size", metavar="LENGTH",
              help="length of one px of the instrument on the object")  # fmt: skip
@click.option("--source-edge", type=click.Path(path_type=Path), metavar="PHOTO",
              help="photo of a sharp edge by what took SOURCE, to divide its response out")  # fmt: skip
@click.option("--against", type=click.Path(path_type=Path), metavar="PHOTO",
              help="a real capture by the instrument, to compare with")  # fmt: skip
@click.option("--tone", metavar="CURVE",
              help="how stored values of SOURCE relate to light, if not by the usual rule: srgb,"
                   " linear, or the exponent of a power law, like 2.2")  # fmt: skip
@output_option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.png",
              help="write the predicted picture")  # fmt: skip
@single_photo_options
def command(
    source: Path, pixel_size: str, bench: Path | None, chosen: str | None, edge: Path | None,
    seen_pixel_size: str | None, source_edge: Path | None, against: Path | None,
    tone: str | None, out: Path | None, box: str | None, figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Show SOURCE, a drawing or a better capture, as an instrument would show it.

    From the instrument's measured response and pixel size: of a bench (--bench and --with), or of a
    photo of an edge (--edge and --seen-pixel-size). Nothing is sharpened.
    """
    scenes: list[FloatImage] = []
    real: list[FloatImage] = []

    def measure() -> Preview:
        area = parse_box(box)
        photo = read_photo(source, parse_tone(tone))
        read = {"the source": photo}
        scenes.append((photo if area is None else photo.crop(area)).linear_grey())
        response, seen_um = _instrument(bench, chosen, edge, seen_pixel_size, read)
        own = None
        if source_edge is not None:
            own = _response_of_edge(source_edge, "the source's edge", read)
        view = predict_view(scenes[0], _length(pixel_size, "--pixel-size"), response, seen_um,
                            scene_response=own)  # fmt: skip
        if against is not None:
            read["the real capture"] = read_photo(against)
            real.append(read["the real capture"].linear_grey())
        view = replace(view, notes=(*view.notes, *_tone_notes(read)))
        if out is not None:
            _write(view.picture, out)
        if against is None:
            return Preview(view)
        return Preview(view, compare_views(view.picture, real[0]))

    def draw(found: Preview) -> None:
        from glassay.report.evidence_preview import draw_preview

        assert figure is not None
        draw_preview(scenes[0], found, real[0] if real else None, figure)

    def say(found: Preview) -> str:
        return _say(found, divided=source_edge is not None)

    answer(str(source), measure, say, as_json=as_json, draw=draw if figure else None)


def _tone_notes(read: Mapping[str, Photo]) -> tuple[str, ...]:
    """Of which pictures a tone curve was only assumed, and which."""
    said = []
    for tone, words in (
        ("srgb", "as sRGB has it"),
        ("linear", "as proportional to it (16-bit grey)"),
    ):
        names = [name for name, photo in read.items() if photo.tone_assumed and photo.tone == tone]
        if names:
            said.append(f"of {' and '.join(names)} {words}")
    if not said:
        return ()
    return (
        f"light is had from the stored values {', '.join(said)}; where they follow it otherwise, the"
        " prediction is sharper or softer by some per cent (--tone states the source's)",
    )


def _length(text: str, option: str) -> float:
    found = parse(text, "pixel size")
    if found <= 0:
        raise Unusable(f"{option} {text!r} must be more than zero")
    return found


def _instrument(
    bench: Path | None,
    chosen: str | None,
    edge: Path | None,
    seen: str | None,
    read: dict[str, Photo],
) -> tuple[Response, float]:
    """Response and pixel size (um) of the instrument, from the bench or from what was stated."""
    response = None if edge is None else _response_of_edge(edge, "the edge", read)
    seen_um = None if seen is None else _length(seen, "--seen-pixel-size")
    if bench is not None:
        if chosen is None:
            raise Unusable("--bench needs --with INSTRUMENT/SETTING")
        kept, pixel = _of_bench(bench, chosen)
        response, seen_um = response or kept, seen_um or pixel
    elif chosen is not None:
        raise Unusable("--with needs --bench")
    if response is None:
        raise NotMeasurable("no response of the instrument is known; give a photo of a sharp edge"
                            " (--edge), or photograph one for the bench")  # fmt: skip
    if seen_um is None:
        raise Unusable("the instrument's pixel size is not known; give --seen-pixel-size, or a"
                       " setting of a bench in which a ruled scale was measured")  # fmt: skip
    return response, seen_um


def _of_bench(folder: Path, chosen: str) -> tuple[Response | None, float | None]:
    from glassay.bench.measuring.assemble import read_results
    from glassay.bench.measuring.response import response_of
    from glassay.cli.benches import what_is_there

    results = read_results(what_is_there(folder))
    name, _, setting_id = chosen.partition("/")
    instrument = results.bench.instrument(name)
    setting = instrument.setting(setting_id) if setting_id else instrument.settings[0]
    for one in results.settings_of(name):
        if one.setting.id == setting.id:
            pixel = one.findings.get("pixel_size")
            size = None if pixel is None else pixel.quantity.value
            return response_of(results, one, others=True), size
    return None, None


def _response_of_edge(path: Path, name: str, read: dict[str, Photo]) -> Response:
    from glassay.detail.edge import measure_edges
    from glassay.detail.grey_levels import check_palette

    photo = read[name] = read_photo(path)
    check_palette(photo.facts)
    found = measure_edges(photo.linear_grey(), full=photo.at_full_scale())
    return Response(found.frequency, found.modulation)


def _write(picture: FloatImage, out: Path) -> None:
    import io

    from PIL import Image

    if out.suffix.lower() != ".png":
        raise Unusable(f"{out.name}: the predicted picture is written as .png")
    pixels = np.asarray(np.rint(linear_to_srgb(picture) * 255), dtype=np.uint8)
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    write_atomically(out, stream.getvalue())


def _say(found: Preview, divided: bool) -> str:
    height, width = found.view.picture.shape
    lines = [f"predicted at {width} x {height} px of {found.view.pixel_size_um:.4g} um"]
    if found.agreement is not None:
        findings = found.agreement.findings()
        lines.append(f"against the real capture: correlation {found.agreement.correlation:.3f},"
                     f" {found.agreement.residual:.1%} of the contrast unexplained")  # fmt: skip
        detail = findings["detail_ratio"].quantity
        lines.append(f"real detail over predicted: {say_quantity(detail)} (1 where it holds; above,"
                     " the real picture is sharper or sharpened)")  # fmt: skip
        if not divided:
            lines.append("the source was taken as perfect; where it is a photo, its own softness makes"
                         " the prediction soft: give --source-edge")  # fmt: skip
    return "\n".join(lines)
