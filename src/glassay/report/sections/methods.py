"""How the numbers were got, and by whose methods. A new method is one entry in `ACCOUNTS`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from glassay.bench.keeping.results import BenchResults
from glassay.report.parts import Report, Section
from glassay.report.templating import Filling


@dataclass(frozen=True)
class Account:
    """One method in plain words, with its sources. `used` says whether this report rests on it."""

    title: str
    text: str
    sources: tuple[str, ...]
    used: Callable[[BenchResults], bool]


def by_method(*names: str) -> Callable[[BenchResults], bool]:
    """Whether any capture was measured by a method of one of these names."""
    return lambda results: any(
        part.method in names and part.status == "measured"
        for one in results.captures
        for part in one.parts
    )


def by_reading(*keys: str) -> Callable[[BenchResults], bool]:
    """Whether any setting has a reading with one of these keys."""
    return lambda results: any(
        reading.key in keys for one in results.settings for reading in one.readings
    )


ACCOUNTS: tuple[Account, ...] = (
    Account(
        "Pixel size and field from a ruled scale",
        "The evenly spaced lines of the slide are searched for in the photo at every tilt; each"
        " line's place is found to a fraction of a pixel, and position is fitted against line"
        " number. Pixel size is the division in µm over the division in px; the field is the pixel"
        " size times the photo's width and height, or the diameter of the round field where the"
        " photo shows one. A capture without a scale that passes every check is refused rather than"
        " guessed.",
        ("least-squares fit of position against line number; terms as in ISO 18221",),
        by_method("ruled scale"),
    ),
    Account(
        "Pixels of a sensor from its die",
        "What repeats in a photo of the die shows as peaks of its spectrum; the phases of two of its"
        " waves all over the photo give the pitch, and colours tell the period of a colour mosaic from"
        " that of single pixels. The active array is the largest even rectangle in view; its size"
        " over the pitch is the count. What may be moire of something finer is refused.",
        ("reciprocal lattice and phases of its waves, derived for this tool",),
        by_method("pixel array"),
    ),
    Account(
        "Detail from edges",
        "Straight, slightly slanted edges are found in the photo; the light across each is sampled"
        " four times as finely as the pixels, differentiated and transformed. At 50 % and 10 %"
        " modulation half and a tenth of the contrast are left; the pixel's own aperture is"
        " included. In a round field the edge of its stop is left out. The finest line is that at"
        " 10 % modulation, by edges or by bars, the more sceptical of both.",
        ("slanted-edge method after ISO 12233",),
        by_method("edge response"),
    ),
    Account(
        "Detail and pixel size from a bar target",
        "The pattern is located by its own geometry; each element's contrast is read in both"
        " directions. The finest element is the last above the stated contrast. A line counts as"
        " resolved down to a contrast of 0.127, which fine bars of 10 % modulation have.",
        (
            "MIL-STD-150A: line pairs per mm = 2^(group + (element - 1) / 6)",
            "Coltman 1954: bars of modulation M have a contrast of 4 M / pi",
        ),
        by_method("bar target"),
    ),
    Account(
        "Repeated exposures",
        "Two exposures of a still scene share the scene and not the noise. Their correlation, ring by"
        " ring of spatial frequency, falls below 1/7 where repeatable detail ends: a bound, beyond"
        " which no line is resolved. The noise, which no lens touches, tells whether firmware enlarged"
        " the picture.",
        ("Rosenthal and Henderson 2003", "Banterle et al. 2013", "Nieuwenhuizen et al. 2013"),
        by_method("repeated exposures"),
    ),
    Account(
        "Magnification to the eye",
        "Objective or zoom x auxiliary lens x tube factor x eyepiece, as stated by the maker. Where"
        " the round field was photographed, also field number x eyepiece magnification / measured"
        " field diameter.",
        ("ISO 8039", "ISO 10934"),
        by_reading("visual_magnification_max", "visual_magnification_measured"),
    ),
    Account(
        "Magnification on a display",
        "Width of the displayed picture over the width of the field, on the stated display.",
        ("ISO 18221",),
        by_reading("on_display_magnification", "own_screen_magnification"),
    ),
    Account(
        "Magnification on the sensor",
        "Pixel pitch of the image sensor over pixel size at the object.",
        ("ISO 18221",),
        by_reading("on_sensor_magnification"),
    ),
    Account(
        "Field-equivalent magnification",
        "The eyepiece magnification whose view shows the same field: apparent field of the"
        " reference view over the measured field width.",
        ("common practice, no source",),
        by_reading("field_equivalent_magnification"),
    ),
    Account(
        "Where detail ends",
        "Beyond 1000 times the numerical aperture a picture only gets larger. The aperture is the"
        " smallest of what is stated and what the pixels can carry, wavelength / (4 x pixel size).",
        ("microscopy textbooks and suppliers' handbooks alike",),
        lambda results: any(verdict.detail_limit for verdict in results.verdicts),
    ),
    Account(
        "Uncertainty",
        "Every ± is the expanded uncertainty U = k u for 95 % coverage, from first-order"
        " propagation of all contributions; errors that two numbers share (one slide) count as"
        " shared.",
        ("JCGM 100:2008",),
        lambda results: True,
    ),
    Account(
        "Verdicts",
        "Claims are held against findings by the rule that stands above the instruments."
        " Magnification is judged under every reading that the captures allow; the verdict is that"
        " under the one that favours the seller most.",
        ("JCGM 106:2012",),
        lambda results: bool(results.verdicts),
    ),
)


def fill(report: Report) -> Filling | None:
    """The accounts of what this report rests on."""
    return {"accounts": [one for one in ACCOUNTS if one.used(report.results)]}


SECTION = Section("methods", "Methods and sources", "methods.html", fill, folded=True)
