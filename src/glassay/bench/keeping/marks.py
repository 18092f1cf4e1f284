"""Measurements by hand: points set on a capture, kept beside `bench.toml`, worked out on demand.

`marks.toml` holds what a person pointed at, in px of the upright photo, (0, 0) being the middle of
the top left pixel. Lengths are never written down: they follow from the points and from the pixel
size that the capture's setting has at the moment, with the uncertainty of both.
"""

from __future__ import annotations

import math
import re
import secrets
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import tomlkit
from tomlkit.items import Table
from uncertainties import umath

from glassay.bench.document.model import Capture
from glassay.bench.keeping.results import SCALE_IN_DOUBT, BenchResults
from glassay.disk import write_atomically
from glassay.distortion import USUAL_DISTORTION, Frame
from glassay.errors import NotMeasurable, Unusable
from glassay.one_writer import one_writer
from glassay.quantity import Quantity, combine
from glassay.scale.calibrate import DISTORTION_FLOOR

FILE_NAME = "marks.toml"

Kind = Literal["distance", "pitch", "angle", "area"]
POINTS: dict[Kind, tuple[int, int]] = {
    "distance": (2, 2), "pitch": (2, 2), "angle": (3, 3), "area": (3, 200),
}  # fmt: skip
"""How few and how many points each kind takes. An angle's second point is its corner."""

PIXEL_U_PX = 1 / math.sqrt(12)
"""Standard uncertainty of a coordinate from the photo's own pixels (JCGM 100:2008, 4.3.7)."""

SCREEN_U_PX = 1.5
"""Standard uncertainty of pointing by hand, in px of the screen at the zoom that was used
(common practice, no source); a stated `pointing_px` of a mark has it divided by the zoom."""


LEAST_POINTING_PX = 0.001
"""Nobody points better; it is also the last digit that the file keeps."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One measurement by hand. `count` is the number of periods that a pitch spans.

    `pointing_px` holds for each point the standard uncertainty of its coordinates by pointing, px of
    the photo: a person zooms in between two points.
    """

    id: str
    capture: str
    kind: Kind
    points: tuple[tuple[float, float], ...]
    pointing_px: tuple[float, ...]
    count: int = 1
    note: str = ""


def make_mark(
    capture: str, kind: str, points: Sequence[Sequence[float]], *,
    pointing_px: float | Sequence[float], count: int = 1, note: str = "", mark_id: str = "",
) -> Mark:  # fmt: skip
    """A checked mark; one `pointing_px` for all points, or one for each.

    Its id is fresh, or `mark_id` for one that is changed or comes back. Raises `Unusable` with what
    is wrong, and `NotMeasurable` for points that say nothing, as those of a double click.
    """
    pointing = _for_each(pointing_px, len(points))
    if mark_id and not re.fullmatch(r"[0-9a-z]{1,32}", mark_id):
        raise Unusable(f"{mark_id[:40]!r} is no name of a measurement")
    for known in get_args(Kind):
        if kind == known:
            mark = Mark(
                mark_id or secrets.token_hex(4), capture, known,
                tuple((float(x), float(y)) for x, y in points), pointing, count, note,
            )  # fmt: skip
            _check(mark)
            found = work_out(mark, None)
            if mark.kind == "area" and found.value <= 3 * found.u:
                raise NotMeasurable("the corners enclose too little to tell it from nothing")
            return mark
    raise Unusable(f"{kind!r} is not measured by hand; expected {', '.join(get_args(Kind))}")


def _check(mark: Mark) -> None:
    least, most = POINTS[mark.kind]
    if not least <= len(mark.points) <= most:
        wanted = str(least) if least == most else f"{least} to {most}"
        raise Unusable(f"{mark.kind} takes {wanted} points, not {len(mark.points)}")
    values = [value for point in mark.points for value in point]
    if not all(math.isfinite(v) and abs(v) < 1e6 for v in (*values, *mark.pointing_px)):
        raise Unusable("the points are not finite numbers")
    if len(mark.pointing_px) != len(mark.points):
        raise Unusable("the uncertainty of pointing is one number, or one for each point")
    if not min(mark.pointing_px) >= LEAST_POINTING_PX:
        raise Unusable(f"the uncertainty of pointing must be at least {LEAST_POINTING_PX} px")
    if not 1 <= mark.count <= 1_000_000:
        raise Unusable(f"{mark.count} is no number of periods")


def _for_each(pointing: float | Sequence[float], count: int) -> tuple[float, ...]:
    """One uncertainty for each point."""
    if isinstance(pointing, int | float):
        return (float(pointing),) * count
    return tuple(float(value) for value in pointing)


# ---- on disk -------------------------------------------------------------------------------------


def read_marks(folder: Path) -> tuple[Mark, ...]:
    """Every mark of a bench. Raises `Unusable` when the file is not what it should be."""
    path = folder / FILE_NAME
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        marks = tuple(_read(entry) for entry in data.get("mark", []))
    except FileNotFoundError:
        return ()
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise Unusable(f"{path} cannot be used ({error})") from None
    return marks


def _read(entry: dict[str, Any]) -> Mark:
    mark = Mark(
        str(entry["id"]), str(entry["capture"]), entry["kind"],
        tuple((float(x), float(y)) for x, y in entry["points"]),
        _for_each(entry["pointing_px"], len(entry["points"])),
        int(entry.get("count", 1)), str(entry.get("note", "")),
    )  # fmt: skip
    if mark.kind not in POINTS:
        raise ValueError(f"unknown kind {mark.kind!r}")
    _check(mark)
    return mark


def add_mark(folder: Path, mark: Mark) -> None:
    """Keep one more mark. Raises `Unusable` when it cannot be written, or its id is taken."""
    with one_writer(folder):
        document = _document(folder)
        if _place_of(document, mark.id) is not None:
            raise Unusable(f"there is a measurement {mark.id!r} already")
        if not document.get("mark"):  # "mark = []" takes no tables
            document.pop("mark", None)
            document.add("mark", tomlkit.aot())
        entries: Any = document["mark"]
        entries.append(_entry(mark))
        _write(folder, document)


def change_mark(folder: Path, mark: Mark) -> None:
    """Put a mark in the place of the one with its id. Raises `Unusable` when there is none."""
    with one_writer(folder):
        document = _document(folder)
        place = _place_of(document, mark.id)
        if place is None:
            raise Unusable(f"there is no measurement {mark.id!r} (any more)")
        entries: Any = document["mark"]
        for key in list(entries[place]):
            if key not in ("id", "capture", "kind", "points", "pointing_px", "count", "note"):
                continue  # what a person added by hand stays
            del entries[place][key]
        for key, value in _entry(mark).items():
            entries[place].add(key, value)
        _write(folder, document)


def remove_mark(folder: Path, mark_id: str) -> None:
    """Take one mark away. Raises `Unusable` when there is none with this id."""
    with one_writer(folder):
        document = _document(folder)
        place = _place_of(document, mark_id)
        if place is None:
            raise Unusable(f"there is no measurement {mark_id!r} (any more)")
        entries: Any = document["mark"]
        del entries[place]
        if not entries:
            del document["mark"]
        _write(folder, document)


def _place_of(document: tomlkit.TOMLDocument, mark_id: str) -> int | None:
    entries: Any = document.get("mark", [])
    return next((n for n, entry in enumerate(entries) if entry.get("id") == mark_id), None)


def _entry(mark: Mark) -> Table:
    entry = tomlkit.table()
    entry.add("id", mark.id)
    entry.add("capture", mark.capture)
    entry.add("kind", mark.kind)
    entry.add("points", [[round(x, 3), round(y, 3)] for x, y in mark.points])
    pointing = [round(value, 4) for value in mark.pointing_px]
    entry.add("pointing_px", pointing[0] if len(set(pointing)) == 1 else pointing)
    if mark.count != 1:
        entry.add("count", mark.count)
    if mark.note:
        entry.add("note", mark.note)
    return entry


def _write(folder: Path, document: tomlkit.TOMLDocument) -> None:
    text = tomlkit.dumps(document)
    if tomllib.loads(text).get("mark", []) != document.unwrap().get("mark", []):
        raise Unusable(f"{FILE_NAME} cannot be changed without harm; please look into it")
    write_atomically(folder / FILE_NAME, text.encode())


def _document(folder: Path) -> tomlkit.TOMLDocument:
    read_marks(folder)  # a file that cannot be read is never written over
    path = folder / FILE_NAME
    return tomlkit.parse(path.read_text(encoding="utf-8") if path.is_file() else "")


# ---- worked out ----------------------------------------------------------------------------------


def pixel_size_for(
    results: BenchResults, capture: Capture, size: tuple[int, int]
) -> tuple[Quantity, str]:
    """The pixel size (um/px) that holds for a capture of `size` px, and where it comes from.

    Its own where a scale was measured in it, else that of its setting. Raises `NotMeasurable` where
    none is known or its scale is in doubt, or where it belongs to pictures of another size.
    """
    settings = [
        one for one in results.settings_of(capture.instrument) if one.setting.id == capture.setting
    ]
    if capture.id in results.captures_in_doubt or any(map(results.is_scale_doubtful, settings)):
        raise NotMeasurable(f"lengths stay in px: {SCALE_IN_DOUBT}")
    own = results.capture(capture.id).findings
    if "pixel_size" in own:
        return own["pixel_size"].quantity, "measured in this photo"
    for one in settings:
        if "pixel_size" in one.findings:
            if one.picture != size:
                known = "another size" if one.picture is None else "{} x {} px".format(*one.picture)
                raise NotMeasurable(
                    f"the setting's pixel size belongs to pictures of {known};"
                    f" this one has {size[0]} x {size[1]} px"
                )
            return one.findings["pixel_size"].quantity, f"from {', '.join(one.captures)}"
    raise NotMeasurable("no ruled scale was measured in this setting, so lengths stay in px")


@dataclass(frozen=True)
class Lens:
    """Radial distortion k of a photo's lens in the photo's `frame`, and its standard uncertainty."""

    frame: Frame
    k: float
    u: float
    measured: bool


def lens_for(results: BenchResults, capture: Capture, size: tuple[int, int]) -> Lens:
    """The distortion that holds for a capture of `size` (width, height) px.

    From the photos of scales and grids of its setting in that size, the best known one; else none,
    with `USUAL_DISTORTION` as its uncertainty.
    """
    frame = Frame.of((size[1], size[0]))
    known = []
    for result in results.captures:
        here = (result.capture.instrument, result.capture.setting)
        facts = (result.facts.get("width"), result.facts.get("height"))
        part = result.part("ruled scale")
        if here != (capture.instrument, capture.setting) or facts != size or part is None:
            continue
        if "distortion_error" in part.evidence:
            k, u = float(part.evidence["distortion"]), float(part.evidence["distortion_error"])
            known.append(Lens(frame, k, max(u, DISTORTION_FLOOR), measured=True))
    return min(known, key=lambda lens: lens.u, default=Lens(frame, 0.0, USUAL_DISTORTION, False))


def work_out(mark: Mark, pixel_size: Quantity | None, lens: Lens | None = None) -> Quantity:
    """A mark's value with its uncertainty: um, um2 (px, px2 without `pixel_size`) or deg.

    Pointing (`pointing_px` of each point and the pixel, independently) is propagated to first order,
    the pixel size with its whole budget, and what is not known of the `lens`, whose distortion is
    taken out. Raises `NotMeasurable` when the points coincide.
    """
    value = _worked_out(mark, pixel_size, 0.0 if lens is None else lens.k, lens)
    if lens is None or not lens.u:
        return value
    moved = _worked_out(mark, pixel_size, lens.k + lens.u, lens)
    return value.with_contribution("lens distortion", moved.value - value.value, scope="setting")


def _worked_out(mark: Mark, pixel_size: Quantity | None, k: float, lens: Lens | None) -> Quantity:
    points = mark.points if lens is None else lens.frame.undistorted(mark.points, k)
    places = [
        Quantity.of(float(v), math.hypot(pointing, PIXEL_U_PX), "px", "pointing")
        for point, pointing in zip(points, mark.pointing_px, strict=True)
        for v in point
    ]
    if mark.kind == "angle":
        _check_apart(mark, 0, 1)
        _check_apart(mark, 2, 1)
        return combine(_angle, places, "deg")
    if mark.kind == "area":
        area = combine(_area, places, "px2")
        if pixel_size is None:
            return area
        return combine(lambda a, s: a * s * s, (area, pixel_size), "um2")
    _check_apart(mark, 0, 1)
    length = combine(_length, places, "px").scaled(1 / mark.count, "px")
    if pixel_size is None:
        return length
    return combine(lambda n, s: n * s, (length, pixel_size), "um")


def _check_apart(mark: Mark, one: int, other: int) -> None:
    pointing = math.hypot(mark.pointing_px[one], mark.pointing_px[other]) / math.sqrt(2)
    if math.dist(mark.points[one], mark.points[other]) <= 3 * pointing:
        raise NotMeasurable("the points are too close together to tell them apart")


def _length(x0: Any, y0: Any, x1: Any, y1: Any) -> Any:
    return ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5


def _angle(x0: Any, y0: Any, x1: Any, y1: Any, x2: Any, y2: Any) -> Any:
    ax, ay, bx, by = x0 - x1, y0 - y1, x2 - x1, y2 - y1
    turned = umath.atan2(ax * by - ay * bx, ax * bx + ay * by) * (180 / math.pi)
    return _without_sign(turned)


def _area(*values: Any) -> Any:
    """Shoelace formula."""
    xs, ys = values[0::2], values[1::2]
    count = len(xs)
    twice = sum(xs[i] * ys[(i + 1) % count] - xs[(i + 1) % count] * ys[i] for i in range(count))
    return _without_sign(twice) / 2


def _without_sign(value: Any) -> Any:
    return -value if getattr(value, "nominal_value", value) < 0 else value
