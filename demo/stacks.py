"""Photos of the demo that are focused at one height after the other."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from demo import objects
from demo.instruments import SETTINGS
from glassay.disk import write_atomically
from glassay.simulate import Pose, StackRun


@dataclass(frozen=True)
class Stack:
    """Photos from below the package's floor to above the wires, `step_um` from one to the next. Its
    mode takes `share` of the sensor's px each way; the picture breathes and walks as focus goes."""

    instrument: str
    setting: str
    count: int
    first_um: float
    step_um: float
    share: float
    centre_um: tuple[float, float]
    breathing: float = 4e-6
    walk: tuple[float, float] = (0.004, -0.003)
    shake_px: float = 0.2
    seed: int = 7

    @property
    def files(self) -> tuple[str, ...]:
        """Paths inside the bench folder, as `bench.toml` lists them."""
        folder = f"captures/{self.instrument}/{self.setting}"
        return tuple(f"{folder}/wires-{number:02d}.jpg" for number in range(1, self.count + 1))

    def run(self) -> StackRun:
        """The run with its truth."""
        state = SETTINGS[self.instrument, self.setting].reduced(self.share)
        focus = tuple(self.first_um + self.step_um * number for number in range(self.count))
        return StackRun(
            objects.corner_with_wires(), Pose(state.pixel_size_um, 0.8, self.centre_um), state.optics,
            state.camera, focus, breathing=self.breathing, walk=self.walk, shake_px=self.shake_px,
            seed=self.seed,
        )  # fmt: skip

    def write(self, folder: Path) -> None:
        """Take the photos into the bench folder."""
        for name, (_, jpeg) in zip(self.files, self.run().photos(), strict=True):
            assert jpeg is not None, "every camera of the demo stores JPEG"
            write_atomically(folder / name, jpeg)


STACKS: tuple[Stack, ...] = (
    # the head is moved by its own scale, 35 um a photo, through floor, die and wires
    Stack("table", "near", 10, -35, 35, 1 / 6, (-730, -590)),
)
"""Every stack, in the order of `bench.toml`."""
