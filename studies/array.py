"""How well a sensor's pixel array is measured: pitch, count, refusals, and lattices that are none.

Simulated dies with known truth through lenses from sharp to soft, clean and noisy, level and tilted,
grey and behind a colour mosaic, raw and heavily compressed: close-ups, whole arrays in one photo, and
pairs of a close-up and an overview. Then lattices too fine or too blurred to be resolved, and pictures
in which nothing is a lattice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging import Photo
from glassay.lattice import ArrayResult, DiePicture, measure_array, measure_lattice
from glassay.quantity import Quantity
from glassay.simulate import (
    Camera,
    Capture,
    Edge,
    Lighting,
    Optics,
    Pose,
    SensorDie,
    Texture,
    capture,
)

CLOSE_UPS, WHOLE, PAIRS, TOO_FINE, BLURRED, WITHOUT = 20, 16, 16, 8, 8, 8
PITCH_TARGET, COUNT_TARGET = 0.001, 0.005
CONFIDENT_ERROR = 0.01
"""A pitch this far off that was not refused is a confident error: a harmonic, or moire."""

RESOLVED = 0.05
"""Contrast left of the mosaic's period by the lens, from which a refusal counts as needless."""

Pixels = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Outcome:
    """One case: relative errors of pitch and count (None: not told), whether their intervals hold
    the truth, the reason when refused, and what was photographed."""

    label: str
    pitch: float | None = None
    pitch_held: bool = False
    count: float | None = None
    count_held: bool = False
    reason: str = ""
    notes: tuple[str, ...] = ()


def light_of(shot: Capture) -> Pixels:
    """Linear light of a stored picture, with its colours, as the command measures it."""
    return Photo(Path("simulated"), shot.stored, "srgb").linear_light()


def _die(rng: np.random.Generator, columns: int, rows: int) -> SensorDie:
    pitch = float(rng.uniform(1.1, 5.6))
    oblong = float(rng.choice([1.0, 1.0, 1.0, 1.25]))
    return SensorDie(
        pitch, pitch * oblong, columns, rows, coloured=bool(rng.random() < 0.75),
        aperture_share=float(rng.uniform(0.5, 0.85)), lens=float(rng.choice([0.0, 0.3, 0.6])),
    )  # fmt: skip


def _optics(rng: np.random.Generator, pixel: float, finest: float) -> Optics:
    """A lens whose cut-off is `finest` times that of the pixels, or a little better, with what goes
    wrong with lenses."""
    cutoff = finest * float(rng.uniform(1.0, 2.0)) / pixel
    return Optics(
        na=min(cutoff * 0.54 / 2, 1.4),
        residual_blur_um=float(rng.choice([0.0, 0.5])) * pixel,
        distortion_k1=float(rng.choice([0.0, 0.0, 0.004, -0.006])),
        lateral_colour=(0.0004, 0.0, -0.0004) if rng.random() < 0.3 else (0.0, 0.0, 0.0),
        vignetting=float(rng.uniform(0, 0.3)),
        lighting=Lighting(
            gradient=(float(rng.uniform(-0.3, 0.3)), float(rng.uniform(-0.3, 0.3))),
            hot_spots=int(rng.choice([0, 0, 0, 6])), hot_spot_level=0.25,
        ),
    )  # fmt: skip


def _camera(rng: np.random.Generator, width: int, height: int) -> Camera:
    return Camera(
        width, height, colour="grey" if rng.random() < 0.25 else "mosaic",
        exposure=float(rng.choice([1.6, 0.8, 0.4])),
        full_well_e=float(rng.choice([1000, 5000, 20_000])),
        sharpening=float(rng.choice([0.0, 0.6])),
        jpeg_quality=int(rng.choice([0, 95, 85, 70, 50])) or None,
    )  # fmt: skip


def _tilt(rng: np.random.Generator) -> float:
    return float(rng.uniform(-8, 8) if rng.random() < 0.7 else rng.uniform(-45, 45))


def _label(die: SensorDie, pose: Pose, camera: Camera) -> str:
    return (
        f"{die.pitch_x_um / pose.pixel_size_um:.2f} px a pixel, tilt {pose.tilt_deg:.0f},"
        f" {'mosaic' if die.coloured else 'grey'} die, {camera.colour} camera,"
        f" JPEG {camera.jpeg_quality}, well {camera.full_well_e:.0f} e"
    )


def _outcome(
    label: str, die: SensorDie, measure: Callable[[], ArrayResult], tilt_deg: float = 0.0
) -> Outcome:
    try:
        result = measure()
    except NotMeasurable as error:
        return Outcome(label, reason=str(error))
    sides = (die.pitch_x_um, die.pitch_y_um), (die.columns, die.rows)
    if abs(tilt_deg) > 45:
        sides = sides[0][::-1], sides[1][::-1]
    pitch, pitch_held = _worst((result.pitch_x, result.pitch_y), sides[0])
    count, count_held = _worst((result.columns, result.rows), sides[1])
    return Outcome(label, pitch, pitch_held, count, count_held, "", result.notes)


def _worst(found: Sequence[Quantity | None], truth: Sequence[float]) -> tuple[float | None, bool]:
    pairs = [(q, t) for q, t in zip(found, truth, strict=True) if q is not None]
    if not pairs:
        return None, False
    worst = max((q.value / t - 1 for q, t in pairs), key=abs)
    return worst, all(abs(q.value - t) <= q.expanded for q, t in pairs)


def close_up(index: int) -> Outcome:
    """Somewhere within the array: the pitch alone. The pixel size is given exactly."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([9001, index])
    die = _die(rng, 4000, 3000)
    px = float(np.exp(rng.uniform(math.log(3.2), math.log(24.0))))
    width, height = [(800, 600), (640, 480), (900, 500)][rng.integers(3)]
    pose = Pose(die.pitch_x_um / px, _tilt(rng), (float(rng.uniform(-900, 900)), 77.0))
    optics = _optics(rng, pose.pixel_size_um, max(0.35, 2.0 / px))
    camera = _camera(rng, width, height)
    return _of_one_photo(die, pose, optics, camera, index)


def _of_one_photo(die: SensorDie, pose: Pose, optics: Optics, camera: Camera, seed: int) -> Outcome:
    """Photograph a die once, with its true pixel size known, and measure it."""
    shot = capture(die, pose, optics, camera, seed=seed)
    picture = DiePicture(light_of(shot), Quantity(shot.truth.pixel_size_um, "um/px"))
    return _outcome(_label(die, pose, camera), die, lambda: _asked(die, [picture]))


def _asked(die: SensorDie, pictures: Sequence[DiePicture]) -> ArrayResult:
    """The array as a person measures it: where no colours tell, the mosaic is stated when asked for."""
    try:
        return measure_array(pictures)
    except NotMeasurable as error:
        if "say whether there is a mosaic" not in str(error):
            raise
        return measure_array(pictures, mosaic="colour" if die.coloured else "none")


def whole(index: int) -> Outcome:
    """A small array wholly in one photo in which its pixels are resolved."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([9002, index])
    columns = int(rng.integers(90, 150))
    die = _die(rng, columns, int(columns * 0.75))
    pose, camera = _around(rng, die, float(rng.uniform(5.0, 7.0)))
    optics = _optics(rng, pose.pixel_size_um, 0.5)
    return _of_one_photo(die, pose, optics, camera, index)


def _around(rng: np.random.Generator, die: SensorDie, px: float) -> tuple[Pose, Camera]:
    """A pose and a camera that hold the whole array with a margin."""
    pixel = die.pitch_x_um / px
    tilt = float(rng.uniform(-4, 4))
    turn = abs(math.sin(math.radians(tilt)))
    w, h = die.columns * die.pitch_x_um / pixel, die.rows * die.pitch_y_um / pixel
    width, height = round((w + turn * h) * 1.25), round((h + turn * w) * 1.25)
    offset = (
        float(rng.uniform(-0.04, 0.04)) * w * pixel,
        float(rng.uniform(-0.04, 0.04)) * h * pixel,
    )
    return Pose(pixel, tilt, offset), _camera(rng, width, height)


def pair(index: int) -> Outcome:
    """A close-up and an overview at another magnification, pixel sizes known to 0.01 %."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([9003, index])
    columns = int(rng.integers(640, 1600))
    die = _die(rng, columns, int(columns * 0.75))
    near_pose = Pose(die.pitch_x_um / float(rng.uniform(5, 14)), _tilt(rng), (40.0, -30.0))
    near_camera = _camera(rng, 800, 600)
    near = capture(die, near_pose, _optics(rng, near_pose.pixel_size_um, 0.5), near_camera, index)
    far_pose, far_camera = _around(rng, die, 1000 / columns * float(rng.uniform(0.8, 1.1)))
    far = capture(die, far_pose, _optics(rng, far_pose.pixel_size_um, 0.5), far_camera, index)
    pictures = []
    for name, shot in (("close-up", near), ("overview", far)):
        u = 1e-4 * shot.truth.pixel_size_um
        stated = shot.truth.pixel_size_um + float(rng.normal(0, u))
        pictures.append(DiePicture(light_of(shot), Quantity.of(stated, u, "um/px"), name=name))
    label = f"{_label(die, near_pose, near_camera)}; overview {_label(die, far_pose, far_camera)}"
    return _outcome(label, die, lambda: _asked(die, pictures))


def too_fine(index: int) -> Outcome:
    """Pixels beyond what the camera can sample: 0.6 to 2 px a pixel, through a sharp lens."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([9004, index])
    die = _die(rng, 4000, 3000)
    px = float(rng.uniform(0.6, 1.9)) / (2 if die.coloured else 1)
    pose = Pose(die.pitch_x_um / px, _tilt(rng), (50.0, 40.0))
    camera = _camera(rng, 800, 600)
    optics = _optics(rng, pose.pixel_size_um, 1.5)
    return _of_one_photo(die, pose, optics, camera, index)


def blurred(index: int) -> Outcome:
    """A close-up through a cover glass that leaves 1 % to 60 % of the mosaic's contrast."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([9005, index])
    die = _die(rng, 4000, 3000)
    px = float(rng.uniform(4, 12))
    pose = Pose(die.pitch_x_um / px, _tilt(rng), (-200.0, 77.0))
    left = float(np.exp(rng.uniform(math.log(1e-2), math.log(0.6))))
    period = die.pitch_x_um * (2 if die.coloured else 1)
    blur = period * math.sqrt(math.log(1 / left) / 2) / math.pi
    camera = _camera(rng, 800, 600)
    shot = capture(die, pose, Optics(na=1.2, residual_blur_um=blur), camera, seed=index)
    size = Quantity(shot.truth.pixel_size_um, "um/px")
    return _outcome(
        f"{left:.1%} contrast left, {_label(die, pose, camera)}", die,
        lambda: _asked(die, [DiePicture(light_of(shot), size)]),
    )  # fmt: skip


def without(index: int) -> str:
    """A picture that shows no lattice: what was claimed, "" when refused."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([9006, index])
    scene = (Texture(seed=index), Edge())[index % 2]  # a die's memories are lattices
    pose = Pose(float(rng.uniform(0.4, 3)), float(rng.uniform(-45, 45)),
                (float(rng.uniform(-400, 400)), float(rng.uniform(-300, 300))))  # fmt: skip
    camera = _camera(rng, 800, 600)
    shot = capture(scene, pose, _optics(rng, pose.pixel_size_um, 0.5), camera, seed=index)
    return _claimed(light_of(shot), f"simulated {type(scene).__name__} {index}")


def _claimed(light: Pixels, name: str) -> str:
    try:
        found = measure_lattice(light)
    except NotMeasurable:
        return ""
    pitch = [f"{p.value:.2f} px" for p in (found.pitch_x, found.pitch_y) if p is not None]
    return f"{name}: pitch {', '.join(pitch)}, amplitude {found.amplitude:.3f}"


PHOTOGRAPHS = (
    "astronaut", "brick", "camera", "cat", "cell", "chelsea", "clock", "coffee", "coins", "grass",
    "gravel", "horse", "hubble_deep_field", "immunohistochemistry", "moon", "page", "retina",
    "rocket", "text",
)  # fmt: skip


def photograph(task: tuple[str, int]) -> str:
    """One of the photographs that come with scikit-image, turned by some degrees."""
    name, turn_deg = task
    cv2.setNumThreads(1)
    from skimage import data

    try:
        picture = np.asarray(getattr(data, name)())
    except (AttributeError, ModuleNotFoundError, OSError):
        return "not there"
    if picture.dtype == np.bool_:
        picture = picture.astype(np.uint8) * np.uint8(255)
    picture = picture[..., :3] if picture.ndim == 3 else picture
    light = Photo(Path(name), picture, "srgb").linear_light()
    if turn_deg:
        height, width = light.shape[:2]
        turn = cv2.getRotationMatrix2D((width / 2, height / 2), turn_deg, 1.3)
        light = np.asarray(cv2.warpAffine(light, turn, (width, height),
                                          borderMode=cv2.BORDER_REFLECT))  # fmt: skip
    return _claimed(light, f"{name} turned by {turn_deg}")


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    share = 6 if quick else 1
    with ProcessPoolExecutor(2) as pool:
        runs = {
            name: list(pool.map(run, range(many // share)))
            for name, run, many in (
                ("close-up", close_up, CLOSE_UPS), ("whole array in one photo", whole, WHOLE),
                ("close-up and overview", pair, PAIRS), ("beyond the px", too_fine, TOO_FINE),
                ("blurred", blurred, BLURRED),
            )
        }  # fmt: skip
        claimed = list(pool.map(without, range(WITHOUT // share)))
        names = [(name, turn) for name in PHOTOGRAPHS for turn in (0, 17)]
        names = names[: len(names) // share]
        photographs = [one for one in pool.map(photograph, names) if one != "not there"]
    lines = [
        f"Pixel array: pitch within {PITCH_TARGET:.1%}, count within {COUNT_TARGET:.1%} (targets)"
    ]
    for name, outcomes in runs.items():
        lines += _rows(name, outcomes)
    nothing = claimed + photographs
    accepted = [one for one in nothing if one]
    lines.append(f"  no lattice: {len(accepted)} of {len(nothing)} pictures taken for one")
    lines += [f"    {one}" for one in accepted]
    return "\n".join(lines)


def _rows(name: str, outcomes: Sequence[Outcome]) -> list[str]:
    refused = [one for one in outcomes if one.reason]
    wrong = [one for one in outcomes if one.pitch is not None and abs(one.pitch) > CONFIDENT_ERROR]
    lines = [
        f"  {name}: {len(outcomes)} cases, {len(refused)} refused, {len(wrong)} confident errors"
    ]
    told = (("pitch", "pitch_held", PITCH_TARGET), ("count", "count_held", COUNT_TARGET))
    for what, held, target in told:
        right = [one for one in outcomes if getattr(one, what) is not None and one not in wrong]
        if not right:
            continue
        error = np.abs([getattr(one, what) for one in right])
        covered = np.mean([getattr(one, held) for one in right])
        lines.append(
            f"    {what:5} told {len(right)} times, |error| median {np.median(error):.4%}, worst"
            f" {error.max():.3%}, {np.mean(error <= target):.0%} within the target;"
            f" 95 % interval covers {covered:.0%}"
        )
    lines += [f"    wrong: {one.pitch:+.1%} {one.label}" for one in wrong if one.pitch is not None]
    return lines


if __name__ == "__main__":
    print(report())
