"""`--slide`: a photo of another picture size tells no pixel size of the photos that are measured."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image
from tests.bench.slides import draw_slide

from glassay.cli import program
from glassay.cli.calibration import slide_pixel_size
from glassay.errors import NotMeasurable
from glassay.simulate import Camera, ClipPlan, Optics, Pose, Texture, film

SIZE = (640, 480)


@pytest.fixture(scope="module")
def slide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return draw_slide(tmp_path_factory.mktemp("slide") / "slide.png", pixel_size_um=1.25, size=SIZE)


def picture(path: Path, size: tuple[int, int], turn: int = 1) -> Path:
    """Noise of this many px, with the EXIF orientation `turn`."""
    noise = np.random.default_rng(1).integers(60, 200, (size[1], size[0]), dtype=np.uint8)
    exif = Image.Exif()
    exif[0x0112] = turn
    Image.fromarray(noise).save(path, exif=exif)
    return path


def invoke(*words: object) -> Result:
    return CliRunner().invoke(program, [str(word) for word in words])


def refused(done: Result) -> None:
    assert done.exit_code == 3, done.output
    assert "another size, 640 x 480 px" in done.output
    assert len(done.output.splitlines()) == 1


@pytest.mark.parametrize("name", ["die", "edge", "field", "array"])
def test_a_slide_of_another_size_is_refused(name: str, slide: Path, tmp_path: Path) -> None:
    photo = picture(tmp_path / "photo.png", (800, 600))
    refused(invoke(name, photo, "--slide", slide, "--division", "10um"))


@pytest.mark.parametrize("name", ["mosaic", "stack", "focus", "repeat"])
def test_it_is_refused_for_any_of_several_photos(name: str, slide: Path, tmp_path: Path) -> None:
    photos = [picture(tmp_path / f"{n}.png", (640 + n // 2, 480)) for n in range(3)]
    out = {"mosaic": ("--out", tmp_path / "m"), "stack": ("--out", tmp_path / "o.tif")}
    refused(invoke(name, *photos, "--slide", slide, "--division", "10um", *out.get(name, ())))
    assert not (tmp_path / "m").exists()


def test_each_of_two_slides_belongs_to_its_own_photo(slide: Path, tmp_path: Path) -> None:
    one, two = picture(tmp_path / "1.png", SIZE), picture(tmp_path / "2.png", (320, 240))
    small = draw_slide(tmp_path / "small.png", pixel_size_um=3.5, size=(320, 240))
    given = ("--division", "10um", "--slide", small, "--slide", slide)
    done = invoke("match", one, two, *given)
    assert done.exit_code == 3
    assert "another size, 320 x 240 px" in done.output
    turned = ("--division", "10um", "--slide", slide, "--slide", small)
    assert "another size" not in invoke("match", one, two, *turned).output


@pytest.mark.parametrize("name", ["clip", "focus", "stack"])
def test_a_clip_of_another_size_is_refused(name: str, slide: Path, tmp_path: Path) -> None:
    camera = Camera(width=160, height=120, jpeg_quality=None)
    plan = ClipPlan(frames=3)
    clip = film(Texture(contrast=0.3), Pose(1.2), Optics(na=0.1), camera, plan, seed=2)
    path = clip.write(tmp_path / "run.avi", "mjpeg", 3)
    out = ("--out", tmp_path / "o.tif") if name == "stack" else ()
    refused(invoke(name, path, "--slide", slide, "--division", "10um", *out))


def test_a_turned_photo_and_one_that_cannot_be_read_are_no_other_size(
    slide: Path, tmp_path: Path
) -> None:
    turned = picture(tmp_path / "turned.jpg", (480, 640), turn=6)
    upright = picture(tmp_path / "upright.jpg", (480, 640))
    torn = tmp_path / "torn.jpg"
    torn.write_bytes(b"no photo")
    size = slide_pixel_size(slide, "10um", [turned, upright, torn, tmp_path, tmp_path / "none.jpg"])
    assert size.value == pytest.approx(1.25, rel=1e-3)
    with pytest.raises(NotMeasurable, match="another size"):
        slide_pixel_size(slide, "10um", [turned, picture(tmp_path / "a.jpg", (480, 480))])
