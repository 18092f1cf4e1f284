"""What on a bench contradicts itself, found before any verdict: what should agree, held together.

Only what no reading of the numbers explains counts; what lies within factors that a chain, a zoom or
a rounding allow stays a matter of verdicts. Decisions are data; `glassay.bench.saying.contradictions`
has the sentences. Verdicts that change when the doubtful evidence is left out are withheld.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

from glassay.bench.chip.same_chip import SameChip
from glassay.bench.document.model import Bench, Capture
from glassay.bench.keeping.results import CaptureResult, Contradiction, SettingResult
from glassay.bench.measuring.methods import medium_of
from glassay.bench.measuring.resolved import CALIBRATIONS_APART, disagreement
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

SAME_SCALE = 0.03
"""Pixel sizes this close belong to one magnification: of two picture sizes one is then cut out."""

ASPECTS = (1.0, 5 / 4, 4 / 3, 3 / 2, 16 / 10, 16 / 9, 17 / 9, 2.0)
"""Ratios of sides in which cameras save pictures (common practice, no source)."""

SAME_ASPECT = 0.01
"""Relative difference within which two ratios of sides are one; sizes are rounded to blocks of 8 or
16 px, 1 % of a side of some hundred px."""

STRONGEST_ADAPTER = 2.5
"""Of those between microscope and camera that are sold (common practice, no source)."""

IMAGE_MM = (1.0, 30.0)
"""Width of what a camera takes of the image that objective and tube make: from the smallest sensors to
the largest field numbers of eyepieces (common practice, no source)."""

LINES_APART = 5.0
"""Two sources that part so many times on the finest line of a setting: more than sharpening, smoothing
or focus do in photos that someone kept (common practice, no source). Bars bring a scale of their own:
a wrong division parts them from edges by all of its factor."""

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
        *_chain_against_camera(settings),
        *_settings_apart(settings),
        *_round_fields(bench, captures),
        *_mixed(captures),
        *_framed(captures),
        *_cut_out(bench, captures),
        *_smaller_than_sensor(bench, captures),
        *_calibrations(bench, matches),
        *_two_finest_lines(settings, captures),
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


def _chain_against_camera(settings: Sequence[SettingResult]) -> Iterator[Contradiction]:
    """Where a camera looks in: against its sensor where that is stated, else against the widths that
    images at a camera have at all."""
    for one in settings:
        seen, chain = one.seen_width, one.setting.chain
        if one.setting.through_eyepiece or chain.to_sensor is None or seen is None:
            continue
        here = ((one.instrument.id, one.setting.id),)
        low, high = chain.to_sensor
        found = _on_sensor(one)
        # Any way of counting the sensor's pixels may be the right one.
        if found and all(
            _outside(value, low / CHAIN_FACTOR, high * CHAIN_FACTOR) for value in found
        ):
            numbers = (found[0], readings.exact(low), readings.exact(high))
            yield Contradiction(
                "chain against sensor", here, one.captures, numbers,
                ("no adapter",) if chain.adapter is None else (), touches="scale",
            )  # fmt: skip
        image = [
            combine(lambda w, m=m: w * m / 1000, (seen,), "mm") for m in chain.to_eyepiece or ()
        ]
        smallest, largest = (
            IMAGE_MM[0] / STRONGEST_ADAPTER / CHAIN_FACTOR,
            IMAGE_MM[1] * CHAIN_FACTOR,
        )
        if not found and image and all(_outside(width, smallest, largest) for width in image):
            yield Contradiction(
                "chain against image", here, one.captures, (seen, image[0]), touches="scale"
            )


def _settings_apart(settings: Sequence[SettingResult]) -> Iterator[Contradiction]:
    """Two settings of one instrument whose magnifications are stated, and whose fields are not in
    that ratio: a slide was filed with another division in one of them, or the zoom was not set."""
    for one, other in combinations(settings, 2):
        if one.instrument.id != other.instrument.id or not one.captures or not other.captures:
            continue
        seen = [_in_one_measure(one, other), _in_one_measure(other, one)]
        stated = [_first_factor(x) for x in (one, other)]
        if seen[0] is None or seen[1] is None or stated[0] is None or stated[1] is None:
            continue
        ratio = combine(lambda a, b: a / b, (seen[0], seen[1]), "1")
        expected = stated[1] / stated[0]
        if _outside(ratio, expected / CHAIN_FACTOR, expected * CHAIN_FACTOR):
            places = tuple((x.instrument.id, x.setting.id) for x in (one, other))
            yield Contradiction(
                "settings against each other", places, (one.captures[0], other.captures[0]),
                (ratio, readings.exact(expected)), touches="scale",
            )  # fmt: skip


def _in_one_measure(one: SettingResult, other: SettingResult) -> Quantity | None:
    """Of two settings that can be compared, what this one shows: a round field, or px of one size."""
    for key in ("field_diameter", "pixel_size"):
        if key in one.findings and key in other.findings:
            same = key == "field_diameter" or one.picture == other.picture
            return one.findings[key].quantity if same else None
    return None


def _first_factor(one: SettingResult) -> float | None:
    """Stated magnification up to the eyepiece or the adapter, digital zoom included."""
    ends = one.setting.chain.to_eyepiece
    if ends is None or ends[0] != ends[1]:
        return None
    return ends[0] * (1.0 if one.setting.through_eyepiece else one.setting.digital_zoom)


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
        mine.sort(key=lambda one: _pixel(one).value)
        first, last = mine[0], mine[-1]
        ratio = combine(lambda a, b: b / a, (_pixel(first), _pixel(last)), "1")
        if ratio.interval[0] > MIXED_FACTOR:
            yield _of_two_zooms(place, first, last)
    places: dict[Place, list[CaptureResult]] = defaultdict(list)
    for (place, _), mine in groups.items():
        places[place].append(mine[0])
    for place, shown in places.items():
        for one, other in combinations(shown, 2):
            if _are_of_two_cameras(one, other):
                yield _of_two_zooms(place, *sorted((one, other), key=lambda c: _pixel(c).value))


def _of_two_zooms(place: Place, first: CaptureResult, last: CaptureResult) -> Contradiction:
    sizes = _pixel(first), _pixel(last)
    ratio = combine(lambda a, b: b / a, sizes, "1")
    return Contradiction(
        "photos of one setting", (place,), (first.capture.id, last.capture.id), (*sizes, ratio),
        touches="scale",
    )  # fmt: skip


def _are_of_two_cameras(one: CaptureResult, other: CaptureResult) -> bool:
    """Whether two photos of different sizes, as cameras save them, are neither the same field in other
    pixels, nor the same pixels cut to another field."""
    if not all(_is_a_cameras_shape(_size(photo)) for photo in (one, other)):
        return False
    pixels = _pixel(other).value / _pixel(one).value
    fields = pixels * math.hypot(*_size(other)) / math.hypot(*_size(one))
    return all(not 1 / CHAIN_FACTOR < ratio < CHAIN_FACTOR for ratio in (pixels, fields))


def _is_a_cameras_shape(size: tuple[int, int], *its_own: float) -> bool:
    shape = max(size) / max(1, min(size))
    return any(abs(shape / a - 1) <= SAME_ASPECT for a in (*ASPECTS, *its_own))


def _pixel(one: CaptureResult) -> Quantity:
    return one.findings["pixel_size"].quantity


def _framed(captures: Sequence[CaptureResult]) -> Iterator[Contradiction]:
    """Photos with an even frame around them: neither their size nor their field is the camera's."""
    for one in captures:
        if "even_rim" in one.findings:
            numbers = (one.findings["even_rim"].quantity,)
            yield Contradiction("framed", (_place(one.capture),), (one.capture.id,), numbers)


def _cut_out(bench: Bench, captures: Sequence[CaptureResult]) -> Iterator[Contradiction]:
    """Photos smaller than the camera's others that were cut out of one: they show another scene at
    the same pixel size, or in a shape in which no camera saves."""
    by_camera: dict[str, list[CaptureResult]] = defaultdict(list)
    for one in captures:
        is_bare_photo = medium_of(one.capture.files) == "photos" and "even_rim" not in one.findings
        if is_bare_photo and min(_size(one)) > 0:
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


def _smaller_than_sensor(
    bench: Bench, captures: Sequence[CaptureResult]
) -> Iterator[Contradiction]:
    """Photos of fewer pixels than the sensor behind them is stated to have: reduced on their way, cut
    out, or taken in a smaller mode, whose pixels and field are not those of the camera."""
    for one in captures:
        setting = bench.instrument(one.capture.instrument).setting(one.capture.setting)
        sensor = setting.chain.sensor
        if setting.through_eyepiece or sensor is None or not sensor.columns or not sensor.rows:
            continue
        small, full = sorted(_size(one)), sorted((sensor.columns, sensor.rows))
        is_photo = medium_of(one.capture.files) == "photos"
        if (
            is_photo
            and small[0] > 0
            and all(a < SAME_SIDE * b for a, b in zip(small, full, strict=True))
        ):
            if not {"field_width", "pixel_size"} & set(one.findings):
                continue
            numbers = tuple(
                Quantity(side, "px") for side in (*_size(one), sensor.columns, sensor.rows)
            )
            yield Contradiction(
                "smaller than the sensor", (_place(one.capture),), (one.capture.id,), numbers
            )


SAME_SIDE = 0.95
"""A side this much shorter than the sensor's is no edge that a camera trims (common practice, no
source)."""


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
    # Behind an eyepiece the camera is someone's phone, and there may be two of them.
    return not (setting.through_eyepiece or _is_a_cameras_shape(_size(one), large[1] / large[0]))


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


def _two_finest_lines(
    settings: Sequence[SettingResult], captures: Sequence[CaptureResult]
) -> Iterator[Contradiction]:
    """Bars, edges, a slide's lines and a chip that part on the finest line. The widest counts."""
    for one in settings:
        ends = disagreement(one, captures)
        if ends is None:
            continue
        far = ends[1].line.value > LINES_APART * ends[0].line.value
        yield Contradiction(
            "finest line by two scales" if far else "finest line by two sources",
            ((one.instrument.id, one.setting.id),),
            tuple(end.capture for end in ends), tuple(end.line for end in ends),
            tuple(end.how for end in ends), touches="scale" if far else "nothing",
        )  # fmt: skip


def _place(capture: Capture) -> Place:
    return capture.instrument, capture.setting


def _size(one: CaptureResult) -> tuple[int, int]:
    return int(one.facts.get("width") or 0), int(one.facts.get("height") or 0)


def _scaled_photos(captures: Sequence[CaptureResult]) -> Iterator[CaptureResult]:
    for one in captures:
        if "pixel_size" in one.findings and medium_of(one.capture.files) == "photos":
            yield one
