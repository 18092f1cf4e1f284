"""`glassay edge PHOTO`: modulation transfer from the straight edges in one photo."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from glassay.cli.calibration import calibration_options, pixel_sizes_um
from glassay.cli.photos import parse_tone, tone_notes, tone_option
from glassay.cli.single import answer, parse_box, say_quantity, single_photo_options
from glassay.detail.edge import measure_edges
from glassay.detail.edge_groups import GROUPS
from glassay.detail.edge_result import EdgeResponse
from glassay.detail.grey_levels import check_palette
from glassay.detail.wiring_response import WiringResponse, response_of_wiring
from glassay.errors import NotMeasurable
from glassay.imaging import Photo, read_photo
from glassay.optics.limits import NYQUIST
from glassay.quantity import Quantity
from glassay.sampling.evidence import compression_notes

CHANNELS = ("grey", "red", "green", "blue")


@click.command()
@click.argument("photo", type=click.Path(path_type=Path))
@tone_option
@click.option("--channel", type=click.Choice(CHANNELS), default="grey", show_default=True,
              help="measure luminance, or one colour")  # fmt: skip
@calibration_options
@single_photo_options
def command(
    photo: Path, tone: str | None, channel: str, pixel_sizes: tuple[str, ...], slide: Path | None,
    division: str | None, box: str | None, figure: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure how fine a detail PHOTO shows, from the straight edges found in it.

    Any photo with clean, straight, slightly slanted edges serves: a knife edge, a chip, thick lines
    or numerals. Where a chip shows none, short pieces of its wiring do. With a pixel size the
    answer is also given per um on the object.
    """
    read: list[Photo] = []

    def measure() -> EdgeResponse | WiringResponse:
        area, curve = parse_box(box), parse_tone(tone)
        (pixel_size,) = pixel_sizes_um(pixel_sizes, slide, division, [photo])
        read.append(read_photo(photo, curve))
        one = read[0]
        check_palette(one.facts)
        if area is not None:
            one.crop(area)  # says so when it does not lie within the photo
        grey = channel == "grey" or not one.is_colour
        image = one.linear_grey() if grey else one.linear_channel(CHANNELS.index(channel) - 1)
        given: dict[str, Any] = {
            "pixel_size": pixel_size, "full": one.at_full_scale(), "other_tones": one.other_tones,
            "notes": (*tone_notes(one, tone), *compression_notes(one.facts)),
            "quantization": one.facts.get("quantization"),
        }  # fmt: skip
        try:
            return measure_edges(image, box=area, **given)
        except NotMeasurable as no_edge:
            if area is not None:
                raise
            try:
                return response_of_wiring(image, **given)
            except NotMeasurable as no_wiring:
                reasons = dict.fromkeys((str(no_edge), str(no_wiring)))
                raise NotMeasurable("; ".join(reasons)) from None

    def draw(response: EdgeResponse | WiringResponse) -> None:
        from glassay.report.evidence_edge import draw_edges, draw_wiring

        assert figure is not None
        if isinstance(response, EdgeResponse):
            draw_edges(read[0], response, figure)
        else:
            draw_wiring(read[0], response, figure)

    answer(str(photo), measure, _say, as_json=as_json, draw=draw if figure else None)


def _say(found: EdgeResponse | WiringResponse) -> str:
    findings = found.findings()
    lines = [f"50 % modulation {_place(found.frequency_50)}   (95 % interval)"]
    if "frequency_50_object" in findings:
        per_um = findings["frequency_50_object"].quantity
        lines.append(f"  on the object    {say_quantity(per_um)}, half a period is"
                     f" {0.5 / per_um.value:.3g} um")  # fmt: skip
    if found.frequency_10 is not None:
        lines.append(f"10 % modulation {_place(found.frequency_10)}")
    if isinstance(found, WiringResponse):
        return "\n".join(lines)
    lines.append(f"edge width 10-90 % {say_quantity(found.width)}")
    lines.append(f"overshoot          {say_quantity(found.overshoot)}")
    for key, words in GROUPS.items():
        if key in findings:
            lines.append(f"  {words + ',':26} 50 % {_place(findings[key].quantity)}")
    return "\n".join(lines)


def _place(frequency: Quantity) -> str:
    if frequency.value <= NYQUIST:
        return f"at {say_quantity(frequency)}"
    return f"beyond Nyquist, {NYQUIST:g} cycles/px"
