"""A virtual bench with known truth: scenes, optics and camera by physics.

Used by the demo, the tests and the accuracy study; no measurement imports it.

    from glassay.simulate import Camera, Optics, Pose, RuledScale, capture

    scene = RuledScale(division_um=10, divisions=100)
    shot = capture(scene, Pose(pixel_size_um=1.1, tilt_deg=3), Optics(na=0.1), Camera(), seed=1)
    shot.stored                        # uint8, as a photo reader would give it
    shot.write("slide.jpg")            # the camera's own JPEG file
    shot.truth.pixel_size_um           # 1.1
    shot.truth.division_px             # 10 / 1.1
    shot.truth.lines_px                # (n, 2): column, row of every visible line at y = 0
    shot.truth.mtf([0.1, 0.25])        # response at cycles per stored px

A capture is a `Scene` (reflectance against object um) in a `Pose` (pixel size, tilt, centre), seen
through `Optics` (with its `Lighting`) by a `Camera`. `expected` gives the mean linear light on the
sensor, smooth in pixel size, tilt and centre; `noise_variance` the sensor's noise about it; the two
make a Cramer-Rao bound. `photograph` makes further captures of light already computed, and
`repeat_pair` two exposures that differ by temporal noise alone. Everything is seeded: the same
arguments give the same bytes.

Scenes: `RuledScale`, `CrossedGrid`, `DotGrid`, `Chessboard`; `Edge`, `SlantedSquare`, `FlatField`;
`BarTarget`; `Die` (with its heron), its `DieBack`, and `SensorDie`; `Texture`, `Photographed` (any
picture laid under the microscope) and `Drawn` (any formula). `Overlaid` adds `Dust` and `Scratches`,
`ScaleOver` lays a ruled scale on another scene, `Lit` shows a scene in dark field or oblique light.

`cramer_rao` is the bound itself. `film` makes a `Clip` from a `ClipPlan` (shake, drift, flicker,
repeated and dropped frames, focusing) that can be written as a video file; `focus_run` makes photos
through focus. `Relief` is an object of several heights, `StackRun` photos through them with truth
(`stacked_dies`: dies upon each other with bond wires).

Coordinates: object (x, y) in um with y down the picture; picture (column, row) in px with (0, 0) at
the middle of the top left pixel; a positive tilt turns the object's x axis clockwise in the
picture. Pixel size is paraxial, at the middle of the picture. Where a camera enlarges, `Pose`
speaks of the sensor's own pixels and `Truth` of stored ones unless it says native.
"""

from glassay.optics.transfer import defocused_transfer
from glassay.simulate.bars import BarElement, BarTarget
from glassay.simulate.bound import cramer_rao
from glassay.simulate.camera import Camera, develop, mosaic, noise_variance
from glassay.simulate.capture import Capture, Truth, capture, photograph, repeat_pair, truth_of
from glassay.simulate.clips import (
    Clip,
    ClipPlan,
    ClipTruth,
    FocusRun,
    cut_off,
    film,
    focus_run,
    turn_clip,
    write_sound,
    write_video,
)
from glassay.simulate.die import Die
from glassay.simulate.die_back import DieBack
from glassay.simulate.geometry import Mapping, Pose
from glassay.simulate.lettering import FONTS
from glassay.simulate.looks import Lit
from glassay.simulate.optics import Lighting, Optics
from glassay.simulate.paint import Scene, View
from glassay.simulate.plain import Edge, FlatField, SlantedSquare
from glassay.simulate.relief import Level, Plate, Relief, StackRun, WirePieces, stacked_dies
from glassay.simulate.render import Moment, expected, expected_moments
from glassay.simulate.scales import Chessboard, CrossedGrid, DotGrid, RuledScale
from glassay.simulate.sensor import SensorDie
from glassay.simulate.surfaces import (
    Drawn,
    Dust,
    Overlaid,
    Photographed,
    ScaleOver,
    Scratches,
    Texture,
)

__all__ = [
    "FONTS",
    "BarElement",
    "BarTarget",
    "Camera",
    "Capture",
    "Chessboard",
    "Clip",
    "ClipPlan",
    "ClipTruth",
    "CrossedGrid",
    "Die",
    "DieBack",
    "DotGrid",
    "Drawn",
    "Dust",
    "Edge",
    "FlatField",
    "FocusRun",
    "Level",
    "Lighting",
    "Lit",
    "Mapping",
    "Moment",
    "Optics",
    "Overlaid",
    "Photographed",
    "Plate",
    "Pose",
    "Relief",
    "RuledScale",
    "ScaleOver",
    "Scene",
    "Scratches",
    "SensorDie",
    "SlantedSquare",
    "StackRun",
    "Texture",
    "Truth",
    "View",
    "WirePieces",
    "capture",
    "cramer_rao",
    "cut_off",
    "defocused_transfer",
    "develop",
    "expected",
    "expected_moments",
    "film",
    "focus_run",
    "mosaic",
    "noise_variance",
    "photograph",
    "repeat_pair",
    "stacked_dies",
    "truth_of",
    "turn_clip",
    "write_sound",
    "write_video",
]
