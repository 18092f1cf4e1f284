"""The back of a die shows nothing but its rim: it is laid by its outline, and which way round is
stated by a person or told by marks."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from glassay.bench.chip.die_layers import LaidLayer, laid_layers
from glassay.bench.chip.die_pictures import ChosenPicture, DiePicture, best_die
from glassay.bench.document.read import load_bench
from glassay.bench.document.read_die_notes import parse_die_notes, read_die_notes
from glassay.bench.measuring.assemble import run_bench
from glassay.die import (
    TURNS,
    DieResult,
    LaidByOutline,
    Mark,
    Outline,
    is_mirrored,
    lay_by_outline,
    measure_die,
    outline_in,
)
from glassay.errors import NotMeasurable, Unusable
from glassay.imaging import Photo
from glassay.quantity import Quantity
from glassay.report.die_layers import shown_layers, words_of
from glassay.report.pictures import Pixels
from glassay.simulate import Camera, Capture, DieBack, Optics, Pose, capture
from tests.die.benches import bench_of_a_die
from tests.die.drawn import DIE, grey, shot

FRONT_PX, BACK_PX, BACK_DEG = 2.4, 2.4, 3.0
STATED = "about its vertical axis"
SIZE = Quantity.of(BACK_PX, 1e-4 * BACK_PX, "um/px", "certificate")


def from_behind(deg: float = BACK_DEG, leaning_um: float = 0.0) -> Capture:
    """A photo of the back of the drawn die, turned about its vertical axis and by so much."""
    camera = Camera(colour="grey", width=540, height=440, jpeg_quality=90)
    return capture(
        DieBack(DIE, leaning_um=leaning_um), Pose(BACK_PX, deg), Optics(na=0.2), camera, 4
    )


@pytest.fixture(scope="module")
def front() -> DieResult:
    return measure_die(
        grey(shot(pixel_um=FRONT_PX)),
        Quantity.of(FRONT_PX, 1e-4 * FRONT_PX, "um/px", "certificate"),
    )


@pytest.fixture(scope="module")
def back() -> Capture:
    return from_behind()


@pytest.fixture(scope="module")
def rim(back: Capture) -> Outline:
    return outline_in(grey(back), bare=True)


def on_die() -> np.ndarray:  # type: ignore[type-arg]
    """The die's pads and corners, um from the top left corner of the sawn die."""
    facts = DIE.facts()
    half = np.array([float(facts["sawn_width_um"]), float(facts["sawn_height_um"])]) / 2
    marks = DIE.marks_um()
    return np.asarray(np.concatenate([marks["pads"], marks["corners"]]) + half)


def truth(seen: Capture) -> np.ndarray:  # type: ignore[type-arg]
    """Where the picture of the back shows them."""
    return np.concatenate([seen.truth.marks_px[kind] for kind in ("pads", "corners")])


def test_places_on_the_front_hold_on_the_back(
    front: DieResult, back: Capture, rim: Outline
) -> None:
    laid = lay_by_outline(front, rim, SIZE, mirrored=True, turn=STATED)
    off = (laid.in_picture(on_die()) - truth(back)) * BACK_PX
    # U at 95 % of a coordinate at the rim; it is some tenths of a px of either picture
    assert np.abs(off).max() < laid.offset.expanded
    assert laid.offset.expanded < 0.7 * (FRONT_PX + BACK_PX)
    assert 0 <= laid.residual.value < laid.offset.expanded
    # mirrored back, the picture is turned the other way (a positive tilt runs clockwise)
    assert laid.rotation.value == pytest.approx(-BACK_DEG, abs=0.05)
    assert laid.scale.value == pytest.approx(1 / BACK_PX, rel=5e-4)
    assert any("leans" in note for note in laid.notes)


@pytest.mark.parametrize("turn", TURNS)
def test_each_way_round_is_the_one_it_is_called(front: DieResult, turn: str, rim: Outline) -> None:
    """Against the geometry itself: the die's corners, turned as the words say, one by one."""
    ring = {(0, 0): "top left", (1, 0): "top right", (1, 1): "bottom right", (0, 1): "bottom left"}
    lands = {  # where the top left and the top right corner of the die come to lie
        "not": ("top left", "top right"), "a quarter clockwise": ("top right", "bottom right"),
        "half": ("bottom right", "bottom left"),
        "a quarter counterclockwise": ("bottom left", "top left"),
        "about its vertical axis": ("top right", "top left"),
        "about its horizontal axis": ("bottom left", "bottom right"),
        "about its falling diagonal": ("top left", "bottom left"),
        "about its rising diagonal": ("bottom right", "top right"),
    }  # fmt: skip
    square = replace(front.outline, height=front.outline.width)
    die = replace(front, outline=square)
    other = replace(rim, width=rim.height, corners=_square(rim))
    laid = lay_by_outline(die, other, mirrored=is_mirrored(turn), turn=turn)  # type: ignore[arg-type]
    side = die.width.value
    at = laid.in_picture([(0, 0), (side, 0)]) - other.corners.mean(axis=0)
    names = [ring[int(x > 0), int(y > 0)] for x, y in at @ other.axes.T]
    assert tuple(names) == lands[turn]


def _square(rim: Outline) -> np.ndarray:  # type: ignore[type-arg]
    half = rim.height.value / 2
    ring = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * half
    return np.asarray(rim.corners.mean(axis=0) + ring @ rim.axes)


def test_which_way_round_is_never_guessed(front: DieResult, rim: Outline) -> None:
    with pytest.raises(
        NotMeasurable, match="'about its vertical axis' or 'about its horizontal axis'"
    ):
        lay_by_outline(front, rim, SIZE, mirrored=True)
    with pytest.raises(NotMeasurable, match="'not' or 'half' alike"):
        lay_by_outline(front, rim, SIZE, mirrored=False)
    with pytest.raises(NotMeasurable, match="is a mirror image"):
        lay_by_outline(front, rim, SIZE, mirrored=False, turn=STATED)
    with pytest.raises(NotMeasurable, match="longer side would run the other way"):
        lay_by_outline(front, rim, SIZE, mirrored=True, turn="about its rising diagonal")


def marks_of(back: Capture, numbers: tuple[int, ...]) -> list[Mark]:
    places, seen = on_die(), truth(back)
    noise = np.random.default_rng(5).normal(0, 0.7, seen.shape)
    return [Mark(tuple(places[n]), tuple(seen[n] + noise[n])) for n in numbers]


def test_a_mark_seen_in_both_tells_which_way_round(
    front: DieResult, back: Capture, rim: Outline
) -> None:
    marks = marks_of(back, (0, 5))
    laid = lay_by_outline(front, rim, SIZE, mirrored=True, marks=marks, u_marks_px=1.0)
    assert laid.turn == STATED
    assert laid.marks_off is not None
    assert laid.marks_off.value < 3 * BACK_PX
    assert laid.findings()["marks"].quantity.unit == "um"
    # they hold what is stated, too
    with pytest.raises(NotMeasurable, match="they fit turned 'about its vertical axis'"):
        lay_by_outline(
            front, rim, SIZE, mirrored=True, turn="about its horizontal axis", marks=marks
        )
    with pytest.raises(
        NotMeasurable, match="they fit turned 'about its vertical axis', a mirror image"
    ):
        lay_by_outline(front, rim, SIZE, mirrored=False, marks=marks)
    middle = np.array([front.width.value, front.height.value]) / 2
    useless = [Mark(tuple(middle), tuple(rim.seen_corners().mean(axis=0)))]
    with pytest.raises(NotMeasurable, match="farther from the die's middle"):
        lay_by_outline(front, rim, SIZE, mirrored=True, marks=useless)
    wrong = [replace(marks[0], at_px=(300.0, 200.0))]
    with pytest.raises(NotMeasurable, match=r"um off \(rms\)"):
        lay_by_outline(front, rim, SIZE, mirrored=True, marks=wrong)


def test_a_rim_that_leans_is_held_in_the_uncertainty(front: DieResult, rim: Outline) -> None:
    seen = from_behind(leaning_um=8.0)
    laid = lay_by_outline(
        front, outline_in(grey(seen), bare=True), SIZE, mirrored=True, turn=STATED
    )
    off = (laid.in_picture(on_die()) - truth(seen)) * BACK_PX
    straight = lay_by_outline(front, rim, SIZE, mirrored=True, turn=STATED)
    assert straight.offset.expanded < np.abs(off).max() < laid.offset.expanded
    assert any("widths differ by" in note for note in laid.notes)
    # without a scale of its own the shape alone tells it, at the corners
    bare = lay_by_outline(front, outline_in(grey(seen), bare=True), mirrored=True, turn=STATED)
    assert bare.residual.value > 3 * straight.residual.value
    assert any("no scale of its own" in note for note in bare.notes)


def test_another_die_is_refused(front: DieResult, rim: Outline) -> None:
    with pytest.raises(NotMeasurable, match="not of one die"):
        lay_by_outline(front, rim, Quantity(1.05 * BACK_PX, "um/px"), mirrored=True, turn=STATED)
    longer = replace(rim, width=Quantity(1.1 * rim.width.value, "px"))
    with pytest.raises(NotMeasurable, match="differ in shape"):
        lay_by_outline(front, longer, mirrored=True, turn=STATED)
    askew = replace(rim, tilt=Quantity(43.0, "deg"))
    with pytest.raises(NotMeasurable, match="43 degrees askew"):
        lay_by_outline(front, askew, mirrored=True, turn=STATED)


NOTES = """
[[layer]]
name = "backside"
picture = "back.png"
mirrored = true
by = "outline"
turned = "about its vertical axis"
[[layer]]
name = "backside, not told how"
picture = "back.png"
mirrored = true
by = "outline"
[[layer]]
name = "backside by a pad, its corners by hand"
picture = "back.png"
mirrored = true
by = "outline"
marks = [["{number}", {x}, {y}]]
corners = {corners}
within = 4
"""


@pytest.fixture(scope="module")
def layers(
    front: DieResult, back: Capture, rim: Outline, tmp_path_factory: pytest.TempPathFactory
) -> tuple[LaidLayer, ...]:
    folder = tmp_path_factory.mktemp("back")
    Image.fromarray(back.stored).save(folder / "back.png")
    pad = front.pads[0]
    place = np.array([pad.x, pad.y]) * front.per_px
    nearest = int(np.argmin(np.hypot(*(on_die() - place).T)))
    x, y = truth(back)[nearest]
    corners = np.round(rim.seen_corners() + np.array([0.8, -0.6]), 1).tolist()
    (folder / "notes.toml").write_text(
        NOTES.format(number=pad.number, x=float(x), y=float(y), corners=corners), encoding="utf-8"
    )
    stored = shot(pixel_um=FRONT_PX).stored
    picture = DiePicture(
        Photo(Path("front"), stored, "srgb"), front.pixel_size, None, False, "front"
    )
    chosen = ChosenPicture(picture, front, (), read_die_notes(folder / "notes.toml"))
    return laid_layers(chosen, folder / "notes.toml")


def test_the_notes_lay_the_back_and_its_data_keep_the_mirror(
    front: DieResult, layers: tuple[LaidLayer, ...]
) -> None:
    stated, untold, by_pad = layers
    for one in (stated, by_pad):
        assert isinstance(one.lies, LaidByOutline)
        data = one.as_data()
        assert [data[key] for key in ("mirrored", "by", "turned")] == [True, "outline", STATED]
        ring = np.array(data["corners"])
        (ax, ay), (bx, by) = ring[1] - ring[0], ring[2] - ring[0]
        area = ax * by - ay * bx
        assert area < 0, "the corners run the other way round"
        assert data["findings"]["offset"]["u"] > 0
        said = words_of(one)
        assert all(words in said for words in ("mirrored back", "outline alone", "± "))
    assert "marks by hand" in words_of(by_pad)
    assert by_pad.findings()["offset"].quantity.u > stated.findings()["offset"].quantity.u
    assert untold.lies is None
    assert "say which" in untold.reason
    assert untold.as_data()["registered"] is False


def test_the_slider_shows_the_back_mirrored_onto_the_front(
    front: DieResult, back: Capture, layers: tuple[LaidLayer, ...]
) -> None:
    """A mark drawn on the photo of the back comes out where the die's own corner is."""
    pixels = back.stored.copy()
    x, y = np.round(truth(back)[-4]).astype(
        int
    )  # the die's top left corner, at the right of the photo
    assert x > back.stored.shape[1] / 2
    pixels[y - 4 : y + 5, x - 4 : x + 5] = 255
    marked = replace(layers[0], photo=replace(layers[0].photo, stored=pixels))
    kept: list[Pixels] = []

    def source_of(n: int, picture: Pixels) -> str:
        kept.append(picture)
        return str(n)

    shown = shown_layers(
        Photo(Path("front"), shot(pixel_um=FRONT_PX).stored, "srgb"), front,
        parse_die_notes('[[marking]]\ntext = "A"\nplace = [200, 100]'), [marked], source_of,
    )  # fmt: skip
    # what is noted holds in every layer
    (cross,) = [path for kind, path in shown.shapes if kind == "marking"]
    assert all(part in cross for part in (" 100.00h", "M200.00 "))
    laid = np.asarray(kept[1], float).reshape(*kept[1].shape[:2], -1).mean(axis=2)
    per = shown.size[0] / front.width.value
    row, column = np.unravel_index(int(np.argmax(_mean(laid, 31))), laid.shape)
    place = on_die()[-4] * per
    assert math.hypot(column - place[0], row - place[1]) < 3 * BACK_PX * per


def _mean(picture: np.ndarray, side: int) -> np.ndarray:  # type: ignore[type-arg]
    import cv2

    return np.asarray(cv2.blur(picture, (side, side)))


def test_marks_and_corners_are_those_of_the_whole_photo_of_a_capture_cut_out(
    tmp_path: Path,
) -> None:
    """The back is a capture of the same chip with a box: it is passed over for the die itself."""
    folder = bench_of_a_die(
        tmp_path / "quay", {"one": (BACK_PX, shot(pixel_um=BACK_PX))}, run=False
    )
    height, width = shot(pixel_um=BACK_PX).stored.shape[:2]
    camera = Camera(colour="grey", width=width, height=height, jpeg_quality=90)
    seen = capture(DieBack(DIE), Pose(BACK_PX, BACK_DEG), Optics(na=0.2), camera, 4)
    seen.write(folder / "captures/back.png")
    corner = seen.truth.marks_px["corners"][0]
    place = on_die()[-4]
    with (folder / "bench.toml").open("a", encoding="utf-8") as file:
        file.write(
            '[[capture]]\nfile = "captures/back.png"\ninstrument = "one"\nobject = "chip"\n'
            f"box = [12, 9, {width - 20}, {height - 14}]\n"
        )
    (folder / "dies").mkdir()
    (folder / "dies" / "chip.toml").write_text(
        '[[layer]]\nname = "back"\ncapture = "captures/back.png"\nmirrored = true\nby = "outline"\n'
        f"marks = [[{place[0]}, {place[1]}, {corner[0]}, {corner[1]}]]\nwithin = 2\n"
    )
    results = run_bench(load_bench(folder), jobs=1)
    chosen = best_die(results, "chip")
    assert chosen.picture.name == "captures/chip-one.png"
    (layer,) = laid_layers(chosen, folder / "dies" / "chip.toml", results)
    assert isinstance(layer.lies, LaidByOutline), layer.reason
    assert layer.turn == STATED
    # 12 px of a box that is not looked at would be 29 um
    assert layer.findings()["marks"].quantity.value < 2.0
    # the setting has a scale: sizes are held against each other
    assert not any("no scale of its own" in note for note in layer.notes)


def test_what_cannot_be_meant_is_told() -> None:
    head = '[[layer]]\nname = "a"\npicture = "b"\n'
    behind = head + 'mirrored = true\nby = "outline"\n'
    for text, words in (
        (head + 'by = "guess"\n', "by is none of likeness, outline"),
        (head + 'turned = "half"\n', 'turned needs by = "outline"'),
        (behind + 'turned = "twice"\n', "turned is none of not, a quarter clockwise"),
        (behind + 'turned = "half"\n', "has mirrored = false"),
        (behind + "marks = [[1, 2, 3, 4]]\n", "within is above 0 px"),
        (behind + "marks = [[1, 2]]\nwithin = 3\n", "a mark is"),
        (behind + "marks = 3\nwithin = 3\n", "marks is a list"),
        (behind + "within = 3\n", "within belongs to marks or corners"),
        (behind + "corners = [[1, 2]]\nwithin = 3\n", "four points"),
    ):
        with pytest.raises(Unusable, match=words):
            parse_die_notes(text)
