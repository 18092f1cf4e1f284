"""A drawn die with notes, written in every format that others open: what `make readers` reads."""

from __future__ import annotations

import sys
from pathlib import Path

from PIL import Image

from glassay.cli import program
from glassay.simulate import Camera, Die, Optics, Pose, capture

PX, LAYER_PX = 1.5, 2.4
ADDRESS = "https://chips.example.org/one"

NOTES = """
[[region]]
kind = "memory"
name = 'a "b" & <c>'
box = [100, 100, 200, 100]
[[region]]
kind = "drawing"
polygon = [[500, 300], [500, 400], [620, 350]]
[[marking]]
text = "PIER 7?"
place = [450, 600]
[[layer]]
name = "seen from behind, mirrored"
picture = "layer.png"
mirrored = true
[about]
credit = "drawn for a check"
licence = "CC BY 4.0"
licence_address = "https://creativecommons.org/licenses/by/4.0/"
"""


def export(folder: Path) -> None:
    """Write the photo, the notes and all that `glassay die` writes of them into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    camera = Camera(width=840, height=660, jpeg_quality=92)
    die = Die(width_um=900.0, height_um=700.0, seed=7)
    capture(die, Pose(PX, 2.0), Optics(na=0.2), camera, 1).write(folder / "die.jpg")
    coarser = Camera(width=560, height=560, colour="grey", jpeg_quality=92)
    layer = capture(die, Pose(LAYER_PX, -11.0), Optics(na=0.15), coarser, 2).stored
    Image.fromarray(layer[:, ::-1]).save(folder / "layer.png")
    (folder / "notes.toml").write_text(NOTES, encoding="utf-8")
    program.main(args=[
        "die", str(folder / "die.jpg"), "--pixel-size", f"{PX:.4f}um", "--regions",
        str(folder / "notes.toml"), "--out", str(folder / "out"), "--pictures", "--address", ADDRESS,
    ], standalone_mode=False)  # fmt: skip


if __name__ == "__main__":
    export(Path(sys.argv[1]))
