"""What on a bench contradicts itself, found before any verdict: what should agree, held together.

Only what no reading of the numbers explains counts; what lies within factors that a chain, a zoom or
a rounding allow stays a matter of verdicts. Decisions are data; `glassay.bench.saying.contradictions`
has the sentences. Verdicts that change when the doubtful evidence is left out are withheld.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from glassay.bench.chip.same_chip import SameChip
from glassay.bench.document.model import Bench, Capture
from glassay.bench.keeping.results import CaptureResult, Contradiction, SettingResult
from glassay.bench.measuring.methods import medium_of
from glassay.finding import Finding
from glassay.optics import readings
from glassay.quantity import Quantity, combine

CHAIN_FACTOR = 1.5
"""A field this many times off what the chain states is no tolerance of the chain: the weakest lens
that is screwed on and forgotten is 0.75x or 1.5x (common practice, no source)."""

FRAME_SHARE = 5.0
"""A photo through an eyepiece that shows less than this share (1 in ...) of the round field: more than
a phone's zoom takes away (common practice, no source)."""

MIXED_FACTOR = 1.2
"""Pixel sizes of one setting this far apart are two positions of a zoom; focusing and the play of a
knob move them by a few per cent (common practice, no source)."""

CALIBRATIONS_APART = 0.01
"""Calibrations are named where one photo of a chip parts them by this much beyond U; less is told
with the match and decides nothing (the same 1 % as for captures of one setting)."""

SAME_SCALE = 0.03
"""Pixel sizes this close belong to one magnification: of two picture sizes one is then cut out."""

ASPECTS = (1.0, 5 / 4, 4 / 3, 3 / 2, 16 / 10, 16 / 9, 17 / 9, 2.0)
"""Ratios of sides in which cameras save pictures (common practice, no source)."""

SAME_ASPECT = 0.01
"""Relative difference within which two ratios of sides are one; sizes are rounded to blocks of 8 or
16 px, 1 % of a side of some hundred px."""

Place = tuple[str, str]


def find_contradictions(
    bench: Bench,
    settings: Sequence[SettingResult],
    captures: Sequence[CaptureResult],
    matches: Sequence[SameChip] = (),
    contents: Mapping[str, str] | None = None,
    changed: Sequence[str] = (),
) -> tuple[Contradiction, ...]:
    """Every contradiction. `contents` are checksums of captures' files by name, `changed` the names
    of files that are no longer what was filed."""
    return (
        *_changed(bench, changed),
        *_filed_twice(bench, contents or {}),
        *_chain_against_field(settings),
        *_round_fields(bench, captures),
        *_mixed(captures),
        *_cut_out(bench, captures),
        *_calibrations(bench, matches),
    )


# ---- each kind -----------------------------------------------------------------------------------


def _changed(bench: Bench, changed: Sequence[str]) -> Iterator[Contradiction]:
    for capture in bench.captures:
        names = tuple(name for name in capture.files if name in changed)
        if names:
            yield Contradiction("changed file", (_place(capture),), (capture.id,), names=names)


def _filed_twice(bench: Bench, contents: Mapping[str, str]) -> Iterator[Contradiction]:
    """One picture as two things that it cannot be: in two settings, or with two slides."""
    by_content: dict[str, dict[str, Capture]] = defaultdict(dict)
    for capture in bench.captures:
        for name in capture.files:
            by_content[contents.get(name, name)][capture.id] = capture
    for group in by_content.values():
        shown = list(group.values())
        things = [bench.object(one.object) for one in shown]
        places = tuple(dict.fromkeys(_place(one) for one in shown))
        divisions = {thing.division_um for thing in things if thing.division_um is not None}
        kinds = {(thing.kind, thing.id) for thing in things}
        twins = len({kind for kind, _ in kinds}) < len(kinds)
        if len(places) > 1 or len(divisions) > 1 or twins:
            ids = tuple(group)
            yield Contradiction(
                "filed twice", places, ids, names=tuple(sorted(t.id for t in things))
            )


def _chain_against_field(settings: Sequence[SettingResult]) -> Iterator[Contradiction]:
    for one in settings:
        seen, chain = one.seen_width, one.setting.chain
        here = ((one.instrument.id, one.setting.id),)
        stated = readings.object_field(chain) if one.setting.through_eyepiece else None
        if stated is not None and seen is not None:
            low, high = stated[0].value / CHAIN_FACTOR, stated[1].value * CHAIN_FACTOR
            if "field_diameter" not in one.findings:
                low = stated[0].value / FRAME_SHARE
            if _outside(seen, low, high):
                yield Contradiction(
                    "chain against field", here, one.captures, (seen, *stated), touches="scale"
                )
        if not one.setting.through_eyepiece and chain.to_sensor and chain.adapter is not None:
            found = _on_sensor(one)
            low, high = chain.to_sensor
            # Any way of counting the sensor's pixels may be the right one.
            if found and all(
                _outside(value, low / CHAIN_FACTOR, high * CHAIN_FACTOR) for value in found
            ):
                numbers = (found[0], readings.exact(low), readings.exact(high))
                yield Contradiction(
                    "chain against sensor", here, one.captures, numbers, touches="scale"
                )


def _on_sensor(one: SettingResult) -> list[Quantity]:
    pixel, sensor = one.findings.get("pixel_size"), one.setting.chain.sensor
    if pixel is None or sensor is None or one.picture is None:
        return []
    zoom = one.setting.digital_zoom
    pitches = [sensor.pixel_pitch_um] if sensor.pixel_pitch_um else []
    if sensor.width_um:
        pitches.append(sensor.width_um / zoom / one.picture[0])
    return [combine(lambda p, s=pitch: s / p, (pixel.quantity,), "1") for pitch in pitches]


def _outside(value: Quantity, low: float, high: float) -> bool:
    return value.interval[1] < low or value.interval[0] > high


def _round_fields(bench: Bench, captures: Sequence[CaptureResult]) -> Iterator[Contradiction]:
    found: dict[Place, list[str]] = defaultdict(list)
    for one in captures:
        setting = bench.instrument(one.capture.instrument).setting(one.capture.setting)
        if "field_diameter" in one.findings and not setting.through_eyepiece:
            found[_place(one.capture)].append(one.capture.id)
    for place, ids in found.items():
        yield Contradiction("round field", (place,), tuple(ids), touches="scale")


def _mixed(captures: Sequence[CaptureResult]) -> Iterator[Contradiction]:
    groups: dict[tuple[Place, tuple[int, int]], list[CaptureResult]] = defaultdict(list)
    for one in _scaled_photos(captures):
        groups[_place(one.capture), _size(one)].append(one)
    for (place, _), mine in groups.items():
        mine.sort(key=lambda one: one.findings["pixel_size"].quantity.value)
        first, last = mine[0], mine[-1]
        sizes = tuple(one.findings["pixel_size"].quantity for one in (first, last))
        ratio = combine(lambda a, b: b / a, sizes, "1")
        if ratio.interval[0] > MIXED_FACTOR:
            yield Contradiction(
                "photos of one setting", (place,), (first.capture.id, last.capture.id),
                (*sizes, ratio), touches="scale",
            )  # fmt: skip


def _cut_out(bench: Bench, captures: Sequence[CaptureResult]) -> Iterator[Contradiction]:
    """Photos smaller than the camera's others that were cut out of one: they show another scene at
    the same pixel size, or in a shape in which no camera saves."""
    by_camera: dict[str, list[CaptureResult]] = defaultdict(list)
    for one in captures:
        if medium_of(one.capture.files) == "photos" and min(_size(one)) > 0:
            by_camera[one.capture.instrument].append(one)
    for mine in by_camera.values():
        largest = max(mine, key=lambda one: _size(one)[0] * _size(one)[1])
        for one in mine:
            framed = {"field_width", "native_megapixels"} & set(one.findings)
            if framed and _is_cut(bench, one, mine, largest):
                sizes = (*_size(one), *_size(largest))
                numbers = tuple(Quantity(side, "px") for side in sizes)
                yield Contradiction(
                    "cut out", (_place(one.capture),), (one.capture.id, largest.capture.id), numbers,
                    doubtful=(one.capture.id,),
                )  # fmt: skip


def _is_cut(
    bench: Bench, one: CaptureResult, mine: Sequence[CaptureResult], largest: CaptureResult
) -> bool:
    small, large = sorted(_size(one)), sorted(_size(largest))
    if small == large or small[0] > large[0] or small[1] > large[1]:
        return False
    for other in mine:
        both = [
            c.findings["pixel_size"].quantity for c in (one, other) if "pixel_size" in c.findings
        ]
        wider = min(b / a for a, b in zip(small, sorted(_size(other)), strict=True))
        if _place(one.capture) == _place(other.capture) and len(both) == 2 and wider > 1.0:
            ratio = both[0].value / both[1].value
            if abs(ratio - 1) < min(SAME_SCALE, (wider - 1) / 2):
                return True
    setting = bench.instrument(one.capture.instrument).setting(one.capture.setting)
    shape = small[1] / small[0]
    known = (*ASPECTS, large[1] / large[0])
    # Behind an eyepiece the camera is someone's phone, and there may be two of them.
    return not setting.through_eyepiece and all(abs(shape / a - 1) > SAME_ASPECT for a in known)


def _calibrations(bench: Bench, matches: Sequence[SameChip]) -> Iterator[Contradiction]:
    known = {one.id: one for one in bench.captures}
    for chip in matches:
        for pair in chip.pairs:
            error = pair.error
            if error is None or abs(error.value) <= error.expanded + CALIBRATIONS_APART:
                continue
            places = tuple(dict.fromkeys(_place(known[id]) for id in (pair.first, pair.second)))
            yield Contradiction(
                "calibrations of one chip", places, (pair.first, pair.second), (error,),
                (chip.object,), touches="scale",
            )  # fmt: skip


def _place(capture: Capture) -> Place:
    return capture.instrument, capture.setting


def _size(one: CaptureResult) -> tuple[int, int]:
    return int(one.facts.get("width") or 0), int(one.facts.get("height") or 0)


def _scaled_photos(captures: Sequence[CaptureResult]) -> Iterator[CaptureResult]:
    for one in captures:
        if "pixel_size" in one.findings and medium_of(one.capture.files) == "photos":
            yield one


# ---- what stands without the doubtful evidence ---------------------------------------------------


def sound(
    captures: Sequence[CaptureResult], contradictions: Sequence[Contradiction]
) -> tuple[CaptureResult, ...]:
    """The captures with all that a contradiction touches taken out: whole captures, or the lengths
    measured in a setting whose scale is in doubt."""
    whole = {
        id for one in contradictions if one.touches == "everything" for id in one.in_doubt
    }  # fmt: skip
    places = {place for one in contradictions if one.touches == "scale" for place in one.places}
    return tuple(
        _without_lengths(one) if _place(one.capture) in places else one
        for one in captures
        if one.capture.id not in whole
    )


def _without_lengths(one: CaptureResult) -> CaptureResult:
    parts = tuple(
        replace(part, findings={k: f for k, f in part.findings.items() if not _is_length(f)})
        for part in one.parts
    )
    return replace(one, parts=parts)


def _is_length(finding: Finding) -> bool:
    return isinstance(finding.value, Quantity) and "um" in finding.value.unit
