"""Every photo of the demo: which setting, which object, how it lay, and how the phone was held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from demo import objects
from demo.instruments import SETTINGS, Setting
from glassay.simulate import Optics, Pose, Truth, truth_of


@dataclass(frozen=True)
class Shot:
    """One picture of light, exposed once or several times.

    `tilt_deg` and `centre_um` say how the object lay. `nearer` is the share by which the object
    looks larger than in the setting's own pixel size: a phone held closer, a focus ring touched.
    `exposure` is how much longer than usual the camera's own exposure control chose to expose.
    """

    instrument: str
    setting: str
    names: tuple[str, ...]
    thing: str
    tilt_deg: float = 0.0
    centre_um: tuple[float, float] = (0.0, 0.0)
    nearer: float = 0.0
    defocus_um: float = 0.0
    exposure: float = 1.0
    seed: int = 0
    factor: float = 1.0

    @property
    def files(self) -> tuple[str, ...]:
        """Paths inside the bench folder, as `bench.toml` lists them."""
        return tuple(f"captures/{self.instrument}/{self.setting}/{name}" for name in self.names)

    @property
    def state(self) -> Setting:
        """The setting as it was for this photo."""
        state = SETTINGS[self.instrument, self.setting].reduced(self.factor)
        camera = replace(state.camera, exposure=state.camera.exposure * self.exposure)
        return replace(state, camera=camera)

    @property
    def pose(self) -> Pose:
        """How the object lies under the camera's own pixels."""
        return Pose(self.state.pixel_size_um / (1 + self.nearer), self.tilt_deg, self.centre_um)

    @property
    def optics(self) -> Optics:
        """The setting's optics at this photo's focus."""
        optics = self.state.optics
        return replace(optics, defocus_um=optics.defocus_um + self.defocus_um)

    def truth(self) -> Truth:
        """What is true of these photos; px are of the file before any turn that its EXIF asks."""
        return truth_of(objects.scene(self.thing), self.pose, self.optics, self.state.camera)


def _row(
    instrument: str,
    setting: str,
    name: str,
    thing: str,
    places: Sequence[tuple[float, float, float]],
    nearer: Sequence[float] = (),
) -> list[Shot]:
    """Photos of one object at several (tilt, centre x, centre y)."""
    return [
        Shot(
            instrument, setting, (f"{name}-{number}.jpg",), thing, tilt, (x, y),
            nearer[number - 1] if nearer else 0.0, seed=number,
        )
        for number, (tilt, x, y) in enumerate(places, 1)
    ]  # fmt: skip


def _chip(
    instrument: str, setting: str, tilt: float, beside: tuple[float, float], *,
    twice: bool = False, thing: str = "chip", exposure: float = 1.3, defocus_um: float = 0.0,
) -> Shot:  # fmt: skip
    """The chip with its heron near the middle, once or as a repeat pair."""
    x, y = objects.heron_um()
    names = ("chip-1.jpg", "chip-2.jpg") if twice else ("chip.jpg",)
    centre = (x + beside[0], y + beside[1])
    return Shot(instrument, setting, names, thing, tilt, centre, 0.0, defocus_um, exposure, 1)


def _one(
    instrument: str, setting: str, name: str, thing: str, tilt: float = 0.0,
    centre: tuple[float, float] = (0.0, 0.0),
) -> Shot:  # fmt: skip
    return Shot(instrument, setting, (name,), thing, tilt, centre, seed=1)


def _views(
    columns: int, rows: int, step_um: tuple[float, float], tilt: float
) -> list[tuple[float, float, float]]:
    """Tilt and place of views that cover a chip, as a hand pushes it: off by some um, and turned by a
    fraction of a degree."""
    rng = np.random.default_rng(77)
    views = []
    for row in range(rows):
        for column in range(columns):
            off, turned = rng.normal(0, 6, 2), rng.normal(0, 0.15)
            x = (column - (columns - 1) / 2) * step_um[0] + float(off[0])
            y = (row - (rows - 1) / 2) * step_um[1] + float(off[1])
            views.append((tilt + float(turned), x, y))
    return views


SHOTS: tuple[Shot, ...] = (
    # the phone is held by hand: its distance, and with it its pixel size, is never the same
    *_row("binocular", "zoom-0.62", "rule", "rule", [(2.1, 900, 400), (-3.4, -1500, 900)],
          nearer=[0, 0.012]),
    *_row("binocular", "zoom-3.9-2.3x", "slide", "slide-fine",
          [(1.3, 60, 20), (-4.2, -40, -60), (6.5, 10, 90)], nearer=[0, -0.009, 0.014]),
    _chip("binocular", "zoom-3.9-2.3x", -2.5, (90, 20)),
    *_row("school", "objective-4", "slide", "slide-coarse", [(87.5, 1200, 100)]),
    *_row("school", "objective-10", "slide", "slide-fine", [(91.2, 50, -20), (86.0, -80, 30)],
          nearer=[0, 0.008]),
    *_row("school", "objective-40", "slide", "slide-fine", [(92.8, -140, 5), (88.9, 210, -8)],
          nearer=[0, -0.006]),
    _chip("school", "objective-10", 93, (40, -30), thing="chip-oblique",
          exposure=1.6, defocus_um=3),
    *_row("table", "far", "slide", "slide-coarse", [(0.8, 300, -200), (-2.6, -900, 700)]),
    *_row("table", "near", "slide", "slide-fine", [(0.5, 40, 20), (-1.2, -90, -40)]),
    _chip("table", "near", 1.5, (15, 25), twice=True),
    # all of the chip, 3 by 4 views by hand, in the mode of 640 x 360 in which it also films
    *(replace(one, factor=1 / 3, seed=one.seed + 20) for one in
      _row("table", "near", "tile", "chip", _views(3, 4, (590, 367), 1.2))),
    _one("table", "near", "blade.jpg", "blade", centre=(18, 0)),
    _one("table", "near", "bars.jpg", "bars", 2.0, (395, 30)),
    # the Grand's own image sensor, out of its camera: the whole die, and its pixels close up
    Shot("table", "far", ("sensor.jpg",), "grand-sensor", 1.2, (300, -150), exposure=2.4, seed=1),
    Shot("table", "near", ("sensor-close.jpg",), "grand-sensor", 0.8, (700, -400), exposure=2.4,
         seed=1),
    *_row("grand", "far", "rule", "rule", [(-1.6, 2600, -300)]),
    *_row("grand", "near", "slide", "slide-fine", [(0.9, 30, 40), (-2.7, -60, -30)]),
    _chip("grand", "near", -1.0, (-30, 10), twice=True),
    *_row("wand", "far", "slide", "slide-coarse", [(-5.5, 1000, 150), (3.8, -1400, -350)]),
    # turning the ring focuses the wand, and changes its magnification a little
    *_row("wand", "near", "slide", "slide-fine", [(4.4, 50, 60), (-7.0, -30, 40), (9.5, 20, -50)],
          nearer=[0, 0.004, -0.003]),
    _chip("wand", "near", 6.0, (-60, 40), twice=True),
    _one("wand", "near", "card.jpg", "card"),
    *_row("boom", "zoom-0.54", "rule", "rule", [(0.7, -800, 500)]),
    *_row("boom", "zoom-0.54", "grid", "grid", [(1.9, 230, -310)]),
    *_row("boom", "zoom-3.6", "slide", "slide-fine", [(-0.6, 120, 80), (2.2, -150, -60)]),
    _chip("boom", "zoom-3.6", 0.5, (110, -50)),
    _one("boom", "zoom-3.6", "blade.jpg", "blade", centre=(-60, 0)),
    _one("boom", "zoom-3.6", "bars.jpg", "bars", -1.0, (300, 60)),
)  # fmt: skip
"""Every photo, in the order of `bench.toml`."""
