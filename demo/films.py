"""Every clip of the demo: which setting, which object, how it ran, and how its file was kept."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from demo import objects
from demo.instruments import SETTINGS
from glassay.simulate import Clip, ClipPlan, Pose, cut_off
from glassay.simulate import film as filmed
from glassay.simulate.clips import Codec


@dataclass(frozen=True)
class Film:
    """One clip. Its video mode has `size` px of the sensor's full width, stored as `stored_size`.

    `cut` is the share of the file that a crash left. `factor` shrinks the pictures (for tests).
    """

    instrument: str
    setting: str
    name: str
    plan: ClipPlan
    size: tuple[int, int]
    thing: str = "chip"
    tilt_deg: float = 0.0
    beside_um: tuple[float, float] = (0.0, 0.0)
    stored_size: tuple[int, int] | None = None
    exposure: float = 1.3
    codec: Codec = "mjpeg"
    quality: int = 5
    cut: float = 1.0
    seed: int = 1
    factor: float = 1.0

    @property
    def files(self) -> tuple[str, ...]:
        """The path inside the bench folder, as `bench.toml` lists it."""
        return (f"captures/{self.instrument}/{self.setting}/{self.name}",)

    def clip(self) -> Clip:
        """The clip before it is encoded, with its truth."""
        state = SETTINGS[self.instrument, self.setting]
        width, height = (2 * round(side * self.factor / 2) for side in self.size)
        stored = self.stored_size
        if stored is not None:
            stored = 2 * round(stored[0] * self.factor / 2), 2 * round(stored[1] * self.factor / 2)
        camera = replace(
            state.camera, width=width, height=height, stored_size=stored, jpeg_quality=None,
            exposure=state.camera.exposure * self.exposure,
        )  # fmt: skip
        pixel_size = state.pixel_size_um * state.camera.width / width
        middle = objects.heron_um() if self.thing == "chip" else (0.0, 0.0)
        centre = middle[0] + self.beside_um[0], middle[1] + self.beside_um[1]
        pose = Pose(pixel_size, self.tilt_deg, centre)
        return filmed(objects.scene(self.thing), pose, state.optics, camera, self.plan, self.seed)

    def write(self, folder: Path) -> None:
        """Encode the clip into the bench folder, whole or as the crash left it."""
        target = folder / self.files[0]
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=target.parent) as beside:
            whole = self.clip().write(
                Path(beside) / self.name, self.codec, self.quality, blends=False
            )
            if self.cut < 1:
                whole = cut_off(whole, self.cut, Path(beside) / f"cut-{self.name}")
            whole.replace(target)


FILMS: tuple[Film, ...] = (
    # what it says is what it does, in its small video mode; the slide in the same mode gives um
    Film("table", "near", "slide-moving.avi", ClipPlan(frames=6, rate=30), (640, 360),
         thing="slide-fine", beside_um=(20, 30), exposure=1.0),
    Film("table", "near", "chip-moving.avi",
         ClipPlan(frames=45, rate=30, drift_um_s=(26, 11), shake_um=1.2), (640, 360),
         beside_um=(15, 25)),
    # "4K" is the sensor's 1920 x 1080, enlarged; "60 fps" are 15, each written four times
    Film("grand", "near", "chip-4k.avi", ClipPlan(frames=3, rate=30), (1920, 1080),
         stored_size=(3840, 2160), tilt_deg=-1, beside_um=(-30, 10), quality=6),
    Film("grand", "near", "chip-moving.mp4",
         ClipPlan(frames=120, rate=60, sensor_rate=15, drift_um_s=(90, 20), shake_um=2), (320, 180),
         stored_size=(640, 360), beside_um=(-60, -10), codec="h264", quality=21),
    # ten pictures a second, until its program crashed
    Film("wand", "near", "chip-moving.avi",
         ClipPlan(frames=75, rate=30, sensor_rate=10, drift_um_s=(60, -20), shake_um=6), (480, 360),
         tilt_deg=6, beside_um=(-60, 40), quality=8, cut=0.71),
    # 60000/1001 a second, as television counts 60
    Film("boom", "zoom-3.6", "chip-moving.mp4",
         ClipPlan(frames=60, rate=60_000 / 1001, drift_um_s=(80, 30), shake_um=1), (384, 288),
         beside_um=(110, -50), codec="h264", quality=20),
    # the arm's knob turned evenly, 32 um a frame; the picture walks a little as it turns
    Film("boom", "zoom-3.6", "focus.avi",
         ClipPlan(frames=25, rate=15, focus_um=(-384, 384), walk_um=9), (512, 384),
         beside_um=(110, -50), quality=4),
)  # fmt: skip
"""Every clip, in the order of `bench.toml`."""
