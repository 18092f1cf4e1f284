"""Other pictures of one die are laid over it: a place in um is the same place in every layer."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from glassay.bench.chip.die_layers import LaidLayer, laid_layers
from glassay.bench.chip.die_pictures import ChosenPicture, DiePicture
from glassay.bench.chip.layer_by_likeness import ByLikeness, Reduced, other_way_round
from glassay.bench.document.read_die_notes import read_die_notes
from glassay.die import measure_die
from glassay.errors import Unusable
from glassay.imaging import Photo
from glassay.quantity import Quantity
from glassay.report import die_iiif, iiif
from glassay.report.die_pictures import laid_on_die
from glassay.report.pictures import for_screen
from glassay.simulate import Lighting, Optics
from tests.die.benches import PX
from tests.die.drawn import DIE, grey, shot

NOTES = """
[[layer]]
name = "after etching, seen from behind"
picture = "etched.png"
mirrored = true
[[layer]]
name = "a stamp"
picture = "stamp.png"
"""
ADDRESS = "https://chips.example.org/one"
ETCHED_PX, ETCHED_DEG = 3.0, -17.0
SAWN = np.array([float(DIE.facts()[f"sawn_{side}_um"]) for side in ("width", "height")])


Picture = npt.NDArray[np.float32]
Place = tuple[int, int]


@dataclass(frozen=True)
class Made:
    chosen: ChosenPicture
    base: Reduced
    etched: LaidLayer
    stamp: LaidLayer


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A die, and the same one coarser, softer, turned, unevenly lit and mirrored."""
    folder = tmp_path_factory.mktemp("layers")
    die = shot(pixel_um=PX)
    lit = Optics(na=0.15, lighting=Lighting(gradient=(0.2, -0.1)))
    etched = shot(pixel_um=ETCHED_PX, tilt_deg=ETCHED_DEG, optics=lit, room=1.4)
    Image.fromarray(etched.stored[:, ::-1]).save(folder / "etched.png")
    Image.fromarray(etched.stored[:30, :30]).save(folder / "stamp.png")
    (folder / "notes.toml").write_text(NOTES, encoding="utf-8")
    notes = read_die_notes(folder / "notes.toml")
    size = Quantity(PX, "um/px")
    picture = DiePicture(Photo(folder / "die.png", die.stored, "srgb"), size, None, False, "")
    chosen = ChosenPicture(picture, measure_die(grey(die), size), (), notes)
    laid = laid_layers(chosen, folder / "notes.toml")
    return Made(chosen, Reduced.of(picture, chosen.result), *laid)


def true_place(place_um: np.ndarray, width: int, height: int) -> np.ndarray:  # type: ignore[type-arg]
    """Where the etched layer's photo shows a place on the die: turned about the middle of both."""
    c, s = math.cos(math.radians(ETCHED_DEG)), math.sin(math.radians(ETCHED_DEG))
    off = (place_um - SAWN / 2) / ETCHED_PX
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    return np.asarray(off @ np.array([[c, s], [-s, c]]) + middle)


def test_places_on_the_die_hold_in_a_layer(made: Made) -> None:
    places = np.array([(0, 0), (SAWN[0], 0), SAWN, (0, SAWN[1]), SAWN / 2])
    width, height = made.etched.photo.width, made.etched.photo.height
    truth = true_place(places, width, height)
    truth[:, 0] = width - 1 - truth[:, 0]
    # a fifth of a px of the coarser picture: the die's own outline carries as much
    assert np.abs(made.etched.in_layer(places) - truth).max() < 0.2
    found = made.etched.findings()
    assert 0 < found["residual"].quantity.value < 0.2 * ETCHED_PX
    assert found["residual"].quantity.unit == "um"
    assert found["share"].quantity.value == 1.0
    assert found["rotation"].quantity.value == pytest.approx(ETCHED_DEG, abs=0.05)


def test_a_layer_that_cannot_be_registered_says_why(made: Made) -> None:
    assert made.stamp.lies is None
    assert made.stamp.findings() == {}
    assert "smaller than" in made.stamp.reason
    assert made.stamp.as_data()["registered"] is False


def test_rim_and_pads_alone_do_not_tell_which_way_round_a_layer_lies(made: Made) -> None:
    assert isinstance(made.etched.lies, ByLikeness)
    found = made.etched.lies.found
    light = np.ascontiguousarray(made.etched.photo.measuring_grey()[:, ::-1])
    assert other_way_round(made.base, light, found) == ""
    mirrored = replace(made.base, light=np.ascontiguousarray(made.base.light[:, ::-1]))
    assert "a mirror image" in other_way_round(mirrored, light, found)
    turned = replace(made.base, light=np.ascontiguousarray(made.base.light[::-1, ::-1]))
    assert "half a turn" in other_way_round(turned, light, found)
    noise = np.random.default_rng(1).normal(0.5, 0.1, made.base.light.shape).astype(np.float32)
    assert "rim and pads only" in other_way_round(replace(made.base, light=noise), light, found)


def test_a_layer_laid_on_the_die_shows_the_same_picture(made: Made) -> None:
    size = (316, 249)
    shown = for_screen(made.etched.photo, None)
    laid = laid_on_die(shown, made.etched.in_layer, (SAWN[0], SAWN[1]), size)
    room = made.base.room_um / made.base.um_px
    inner = made.base.light[round(room) : -round(room), round(room) : -round(room)]
    same = cv2.resize(inner, size, interpolation=cv2.INTER_AREA)
    assert np.corrcoef(same.ravel(), laid.astype(float).ravel())[0, 1] > 0.9


def test_marks_of_the_manifest_hold_on_a_layer(made: Made, tmp_path: Path) -> None:
    """Where an annotation says that a pad is, the layer that a reader may choose shows what the die's
    own picture shows: it was taken mirrored, turned by 17 degrees, and coarser."""
    chosen = made.chosen
    shown = die_iiif.Pictures(
        chosen.picture, chosen.result, chosen.notes, (made.etched, made.stamp)
    )
    tiled = die_iiif.write_picture_tiles(tmp_path / "iiif", chosen.picture, f"{ADDRESS}/iiif")
    die_iiif.write_documents(tmp_path, "iiif", tiled, ADDRESS, shown, iiif.Said("A die"))
    manifest = json.loads((tmp_path / "manifest.json").read_text(encoding="utf-8"))
    (canvas,) = manifest["items"]
    body = canvas["items"][0]["items"][0]["body"]
    assert body["type"] == "Choice"
    assert not (tmp_path / "layers/2").exists()  # the stamp was not registered
    one, etched = body["items"]
    assert [item["label"]["en"] for item in body["items"]] == [
        ["as measured"], ["after etching, seen from behind"],
    ]  # fmt: skip
    assert (one["width"], one["height"]) == (canvas["width"], canvas["height"])
    # as sharp as the layer is, no sharper
    assert etched["width"] == pytest.approx(canvas["width"] * PX / ETCHED_PX, abs=2)
    path = tmp_path / etched["id"].removeprefix(f"{ADDRESS}/")
    with Image.open(path) as image:
        assert image.size == (etched["width"], etched["height"])
        seen = np.asarray(image.convert("L"), np.float32)
    info = json.loads((path.parents[3] / "info.json").read_text(encoding="utf-8"))
    assert (info["width"], info["height"]) == image.size
    assert info["id"] == etched["service"][0]["id"]
    scale = np.array(image.size) / (canvas["width"], canvas["height"])
    pads = [
        mark for mark in canvas["annotations"][0]["items"] if "/pad-" in mark["id"]
    ]  # fmt: skip
    assert len(pads) == len(chosen.result.pads)
    base = chosen.picture.photo.measuring_grey()
    small = cv2.resize(base, image.size, interpolation=cv2.INTER_AREA)
    off = []
    for mark in pads:
        points = mark["target"]["selector"]["value"].split('points="')[1].split('"')[0].split()
        x, y = np.array([point.split(",") for point in points], float).mean(axis=0) * scale
        off.append(_shift(small, seen, round(x), round(y)))
    # a px of the layer: pads are some 24 px wide in it
    assert np.abs(off).max() <= 1, off


def _shift(base: Picture, layer: Picture, x: int, y: int, half: int = 16, far: int = 6) -> Place:
    """Where the layer shows what the other picture shows about a place, px from there."""
    piece = base[y - half : y + half, x - half : x + half]
    wide = half + far
    around = layer[y - wide : y + wide, x - wide : x + wide]
    like = cv2.matchTemplate(around, piece.astype(np.float32), cv2.TM_CCOEFF_NORMED)
    row, column = np.unravel_index(int(np.argmax(like)), like.shape)
    assert like.max() > 0.8
    return int(column) - far, int(row) - far


def test_what_is_no_layer_is_told(tmp_path: Path) -> None:
    path = tmp_path / "chip.toml"
    for text, words in (
        ('[[layer]]\nname = "a"\n', "either a capture or a picture"),
        ('[[layer]]\nname = "a"\npicture = "b"\ncapture = "c"\n', "either a capture or a picture"),
        ('[[layer]]\npicture = "b"\n', "give a name"),
        ('[[layer]]\nname = "a"\npicture = "b"\nmirrored = "yes"\n', "true or false"),
        ('[[layer]]\nname = "a"\npicture = "b"\nturn = 3\n', "'turn' is none"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(Unusable, match=words):
            read_die_notes(path)
