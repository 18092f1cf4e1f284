"""Instruments and results of captures as the tests of verdicts and tables need them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from glassay.bench.document.model import Bench, Capture, Claim, Instrument, ReferenceObject, Setting
from glassay.bench.keeping.results import CaptureResult, MethodResult
from glassay.finding import Finding
from glassay.optics import Chain, Display
from glassay.quantity import Contribution, Quantity

SLIDE_ONLY = (ReferenceObject("slide", "ruled scale", division_um=10),)
DISPLAY = Display(531.3, 298.9, 1920, 1080, 24.0)


def claim_of(value: float, **changes: object) -> Claim:
    plain = Claim(
        "magnification", f"{value:g}x", "box", id="magnification-1", value=value, unit="1"
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def captured(
    instrument: str, setting: str, pixel_size: float, picture: tuple[int, int] = (1920, 1080),
    relative_u: float = 0.001, diameter: float | None = None, name: str = "a.jpg",
    extra: dict[str, Finding] | None = None,
) -> CaptureResult:  # fmt: skip
    """The result of a capture of the slide; its whole uncertainty is the slide's."""

    def of(value: float, unit: str) -> Finding:
        part = Contribution(
            "slide", value * relative_u, identity="reference object slide", scope="reference"
        )
        return Finding(Quantity(value, unit, (part,) if relative_u else ()), "ruled scale")

    findings = {
        "pixel_size": of(pixel_size, "um/px"),
        "field_width": of(pixel_size * picture[0], "um"),
        "field_height": of(pixel_size * picture[1], "um"),
    } | (extra or {})
    if diameter is not None:
        findings["field_diameter"] = of(diameter, "um")
    facts = {"width": picture[0], "height": picture[1]}
    part = MethodResult("ruled scale", "measured", findings, facts=facts)
    capture = Capture(name, (name,), instrument, setting, "slide")
    return CaptureResult(capture, (part,))


def bench_of(*instruments: Instrument, display: Display | None = DISPLAY) -> Bench:
    slide = ReferenceObject("slide", "ruled scale", division_um=10)
    return Bench(Path("."), "t", display=display, objects=(slide,), instruments=instruments)


def camera(*claims: Claim, chain: Chain | None = None, **setting: object) -> Instrument:
    chain = chain or Chain()
    one = Setting("only", chain, **setting)  # type: ignore[arg-type]
    return Instrument("pad", "screen", chain, settings=(one,), claims=claims)


def eyepiece_view(claim: Claim, field_number: float = 20) -> Instrument:
    chain = Chain(zoom=(4.0, 4.0), eyepiece=10, field_number_mm=field_number)
    setting = Setting("zoom-4", chain, through_eyepiece=True)
    return Instrument("stereo", "stereo", chain, settings=(setting,), claims=(claim,))
