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

Coordinates: object (x, y) in um with y down the picture; picture (column, row) in px with (0, 0) at
the middle of the top left pixel; a positive tilt turns the object's x axis clockwise in the
picture. Pixel size is paraxial, at the middle of the picture. Where a camera enlarges, `Pose`
speaks of the sensor's own pixels and `Truth` of stored ones unless it says native.
"""

from glassay.simulate.camera import Camera, develop, mosaic, noise_variance
from glassay.simulate.capture import Capture, Truth, capture, photograph, repeat_pair, truth_of
from glassay.simulate.geometry import Mapping, Pose
from glassay.simulate.lettering import FONTS
from glassay.simulate.optics import Lighting, Optics, defocused_transfer, diffraction_transfer
from glassay.simulate.paint import Scene, View
from glassay.simulate.plain import Edge, FlatField, SlantedSquare
from glassay.simulate.render import expected
from glassay.simulate.scales import Chessboard, CrossedGrid, DotGrid, RuledScale

__all__ = [
    "FONTS",
    "Camera",
    "Capture",
    "Chessboard",
    "CrossedGrid",
    "DotGrid",
    "Edge",
    "FlatField",
    "Lighting",
    "Mapping",
    "Optics",
    "Pose",
    "RuledScale",
    "Scene",
    "SlantedSquare",
    "Truth",
    "View",
    "capture",
    "defocused_transfer",
    "develop",
    "diffraction_transfer",
    "expected",
    "mosaic",
    "noise_variance",
    "photograph",
    "repeat_pair",
    "truth_of",
]
