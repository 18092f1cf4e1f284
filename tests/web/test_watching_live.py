"""What the live picture tells, on frames of the virtual bench."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
import pytest
from fastapi.testclient import TestClient

from glassay.bench.document.read import load_bench
from glassay.errors import Unusable
from glassay.scale import Division
from glassay.simulate import Camera, Optics, Pose, RuledScale, Texture, capture
from glassay.web.live_frames import FrameOfJpeg, LiveFrame
from glassay.web.tiles import jpeg
from glassay.web.watch import Watch, clipped_share, evenness_of

Told = TypeVar("Told")
PATIENCE_S = 120.0
"""How long anything may take to be told: no test is decided by how busy the machine is."""
SCENE = RuledScale(division_um=10, divisions=100)
POSE = Pose(pixel_size_um=1.6, tilt_deg=2)
CAMERA = Camera(640, 480, colour="grey", read_noise_e=8)
OPTICS = Optics(na=0.1)


def encoded(pose: Pose = POSE, optics: Optics = OPTICS, camera: Camera = CAMERA,
            seed: int = 0) -> bytes:  # fmt: skip
    shot = capture(SCENE, pose, optics, camera, seed)
    assert shot.jpeg is not None
    return shot.jpeg


def frame(
    pose: Pose = POSE, optics: Optics = OPTICS, camera: Camera = CAMERA, seed: int = 0
) -> LiveFrame:
    return FrameOfJpeg(encoded(pose, optics, camera, seed))


def test_focus_is_told_against_the_best_so_far() -> None:
    watch = Watch()
    sharp = watch.look(frame(), None)
    assert sharp.focus == sharp.best_focus
    blurred = watch.look(frame(optics=replace(OPTICS, defocus_um=120)), None)
    assert blurred.focus < 0.7 * blurred.best_focus
    again = watch.look(frame(seed=1), None)
    assert again.focus == pytest.approx(again.best_focus, rel=0.05)


def test_steadiness_is_the_spread_of_the_pictures_place() -> None:
    still, shaken = Watch(), Watch()
    rng = np.random.default_rng(3)
    shifts = rng.normal(0, 3.2, (12, 2))  # um: 2 px along each axis
    for number, (x, y) in enumerate(shifts):
        resting = still.look(frame(seed=number), None)
        pose = replace(POSE, centre_um=(float(x), float(y)))
        moved = shaken.look(frame(pose, seed=number), None)
    assert resting.steadiness_px is not None
    assert moved.steadiness_px is not None
    assert resting.steadiness_px * 640 / 512 < 0.1
    truth = np.hypot(*np.std(shifts / 1.6, axis=0))
    assert moved.steadiness_px * 640 / 512 == pytest.approx(truth, rel=0.15)


def until(look: Callable[[int], Told], told: Callable[[Told], object]) -> Told:
    """What frame after frame tells, until it is told."""
    begun = time.monotonic()
    for number in itertools.count():
        seen = look(number)
        if told(seen):
            return seen
        assert time.monotonic() - begun < PATIENCE_S, seen
        time.sleep(0.05)
    raise AssertionError


def test_the_scale_is_measured_beside_the_stream() -> None:
    watch, division = Watch(), Division.uncertified(10.0)
    seen = until(lambda n: watch.look(frame(seed=n), division), lambda one: one.scale)
    assert seen.scale["pixel_um"] == pytest.approx(1.6, rel=0.002)
    assert "µm/px" in seen.scale["pixel"]


def seen_with_scale(watch: Watch, division: Division) -> None:
    until(lambda n: watch.look(frame(seed=n), division), lambda one: "pixel_um" in one.scale)


def test_a_live_scale_does_not_outlive_its_object_or_its_scene() -> None:
    division = Division.uncertified(10.0)
    watch = Watch()
    seen_with_scale(watch, division)
    assert "pixel_um" not in watch.look(frame(seed=200), None).scale
    watch = Watch()
    seen_with_scale(watch, division)
    chip = capture(Texture(), POSE, OPTICS, CAMERA)
    assert chip.jpeg is not None
    assert "pixel_um" not in watch.look(FrameOfJpeg(chip.jpeg), division).scale


def test_a_live_scale_that_is_not_measured_anew_is_forgotten(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    division, watch = Division.uncertified(10.0), Watch()
    seen_with_scale(watch, division)
    monkeypatch.setattr(Watch, "_measure_beside", lambda *_: None)
    monkeypatch.setattr("glassay.web.watch.SCALE_LASTS_S", 0.05)
    # one that was being measured already may still come, and is forgotten as well
    until(lambda n: watch.look(frame(seed=n), division), lambda one: "pixel_um" not in one.scale)


def test_where_no_scale_is_in_view_it_says_so() -> None:
    shot = capture(Texture(), POSE, OPTICS, CAMERA)
    watch, division = Watch(), Division.uncertified(10.0)
    assert shot.jpeg is not None
    chip = FrameOfJpeg(shot.jpeg)
    seen = until(lambda _: watch.look(chip, division), lambda one: one.scale)
    assert "reason" in seen.scale
    assert "pixel_um" not in seen.scale


def test_clipping_is_the_share_of_pixels_at_full_scale() -> None:
    picture = np.full((100, 100, 3), 100, np.uint8)
    picture[:6, :, 0] = 255
    assert clipped_share(picture) == pytest.approx(0.06)


def test_evenness_is_darkest_over_brightest_part_in_light() -> None:
    # sRGB 188 is half the light of 255 (IEC 61966-2-1: 0.503 linear).
    picture = np.full((384, 512), 255, np.float32)
    picture[:64, :64] = 188
    assert evenness_of(picture) == pytest.approx(0.503, abs=0.005)


def test_looking_does_not_change_what_is_looked_at_later() -> None:
    watch = Watch()
    told = [watch.look(frame(seed=number), None).evenness for number in range(4)]
    assert min(told) > 0.9


def test_what_is_no_jpeg_is_refused() -> None:
    with pytest.raises(Unusable, match="must be a JPEG"):
        FrameOfJpeg(b"\x89PNG\r\n\x1a\n")


def test_a_frame_that_declares_too_much_is_not_decoded() -> None:
    small = bytearray(encoded())
    at = small.index(b"\xff\xc0") + 5  # height and width in the frame header (ITU-T T.81, B.2.2)
    small[at : at + 4] = (60_000).to_bytes(2, "big") * 2
    with pytest.raises(Unusable, match="too large"):
        FrameOfJpeg(bytes(small))


def png(seed: int) -> bytes:
    noise = np.random.default_rng(seed).integers(0, 255, (40, 60, 3), dtype=np.uint8)
    return bytes(cv2.imencode(".png", noise)[1].tobytes())


def hand(client: TestClient, *pictures: bytes, thing: str = "bare") -> object:
    files = [("files", ("0.png", data, "image/png")) for data in pictures]
    return client.post(f"/live/photo?place=pad|near&object={thing}", files=files,
                       headers={"accept": "application/json"})  # fmt: skip


def test_a_pair_is_filed_as_one_capture(client: TestClient, folder: Path) -> None:
    told = hand(client, png(1), png(2)).json()  # type: ignore[attr-defined]
    filed = [one for one in load_bench(folder).captures if one.id == told["id"]]
    assert len(filed[0].files) == 2
    assert [(folder / name).read_bytes() for name in filed[0].files] == [png(1), png(2)]


def test_frames_that_repeat_are_no_pair(client: TestClient, folder: Path) -> None:
    before = (folder / "bench.toml").read_text()
    assert hand(client, png(1), png(1)).status_code == 400  # type: ignore[attr-defined]
    assert (folder / "bench.toml").read_text() == before
    hand(client, png(1))
    again = hand(client, png(2), png(1))
    assert "filed already" in again.json()["error"]  # type: ignore[attr-defined]


def test_tiles_hold_the_photo(client: TestClient, folder: Path) -> None:
    # At full size the tile is the photo, up to what JPEG of quality 90 changes (a few levels).
    photo = cv2.imread(str(folder / "captures" / "near.png"), cv2.IMREAD_GRAYSCALE)
    answer = client.get("/tile?id=captures/near.png&level=10&x=1&y=0")
    tile = cv2.imdecode(np.frombuffer(answer.content, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert tile.shape == (480, 640 - 512)
    difference = tile.astype(float) - photo[:480, 512:]
    assert np.abs(difference).mean() < 2
    assert len(jpeg(photo)) > 0
    assert client.get("/tile?id=captures/near.png&level=10&x=2&y=0").status_code == 400
    assert client.get("/tile?id=captures/near.png&level=11&x=0&y=0").status_code == 400


def told_of(client: TestClient, pixel_um: float, place: str) -> list[str]:
    """What the live page warns of once it has measured a scale of this pixel size."""
    shot = encoded(replace(POSE, pixel_size_um=pixel_um, tilt_deg=0.0))
    address = f"/live/frame?session=abcdef12&object=slide&place={place}"
    seen = until(
        lambda _: client.post(address, content=shot).json(), lambda one: "pixel_um" in one["scale"]
    )
    return [one for one in seen["warnings"] if "known" in one]


def test_a_live_scale_is_compared_with_the_one_known_of_the_setting(client: TestClient) -> None:
    # The bench's setting "near" was measured at 1.25 um/px in pictures of this size.
    assert told_of(client, 1.25, "pad|near") == []
    client.post("/live/frame?session=abcdef12&fresh=1", content=encoded())
    (said,) = told_of(client, 1.6, "pad|near")
    assert "1.2500" in said
    assert told_of(client, 1.6, "pad|nowhere") == []
