"""How well the pixel size is measured: bias, spread, coverage, refusals, and false scales.

The captures are drawn over the whole range that a person's photos span; nothing in them is known
to the method. The clean captures are compared with the Cramer-Rao bound, which is computed from
the simulated scene itself. The photographs and textures without a scale must all be refused.
"""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging import Photo
from glassay.scale import measure_scale
from glassay.simulate import (
    FONTS,
    Camera,
    Lighting,
    Optics,
    Pose,
    RuledScale,
    Truth,
    capture,
    expected,
    noise_variance,
)

CAPTURES = 480
CLEAN_CAPTURES = 60
CONFIDENT_ERROR = 0.01
"""A number this far off (relative) that was not refused is a confident error: a wrong count of
divisions, a harmonic, or something that is no scale."""


@dataclass(frozen=True)
class Outcome:
    """One capture: the truth, and what was measured (None: refused, with the reason)."""

    index: int
    truth_px: float
    lines_in_view: int
    measured_px: float | None
    u_px: float
    expanded_px: float
    reason: str
    label: str


def linear_grey(stored: npt.NDArray[np.uint8] | npt.NDArray[np.uint16]) -> npt.NDArray[np.float32]:
    """The linear grey picture that the `scale` command measures, from a stored sRGB picture."""
    return Photo(Path("simulated"), stored, "srgb").measuring_grey()


def draw_case(index: int) -> tuple[RuledScale, Pose, Optics, Camera, str]:
    """Capture `index` of the study: a slide, its pose, the optics and the camera."""
    rng = np.random.default_rng([20261, index])
    width, height = [(1000, 750), (800, 600), (1280, 720), (640, 480), (1200, 900)][rng.integers(5)]
    largest = min(130.0, width / 9.5)
    period = float(np.exp(rng.uniform(math.log(6.0), math.log(largest))))
    enlargement = float(rng.choice([1.0, 1.0, 1.0, 1.0, 1.5, 2.0]))
    if period < 12:
        enlargement = 1.0
    division = 10.0
    pixel = division / period * enlargement  # um per sensor px
    tilt = float(rng.uniform(-12, 12) if rng.random() < 0.6 else rng.uniform(-90, 90))
    scene = _draw_slide(rng, division)
    seen_um = width / enlargement * pixel
    centre = (
        float(rng.uniform(-0.5, 0.5) * max(0.0, scene.divisions * division - 0.7 * seen_um)),
        float(rng.uniform(-40, 40)),
    )
    cutoff_px = float(np.exp(rng.uniform(math.log(0.25), math.log(1.6))))  # cycles/px of the sensor
    na = float(np.clip(cutoff_px / pixel * 0.54 / 2, 0.01, 1.4))
    soft = rng.random() < 0.35
    optics = Optics(
        na=na,
        residual_blur_um=float(rng.uniform(0.2, 1.6) * pixel) if soft else 0.0,
        distortion_k1=float(rng.uniform(-0.012, 0.012)) if rng.random() < 0.4 else 0.0,
        lateral_colour=(0.0008, 0.0, -0.0008) if rng.random() < 0.3 else (0.0, 0.0, 0.0),
        vignetting=float(rng.uniform(0, 0.5)),
        field_stop_um=float(rng.uniform(0.8, 1.1) * height / enlargement * pixel)
        if rng.random() < 0.18
        else 0.0,
        lighting=Lighting(
            gradient=(float(rng.uniform(-0.4, 0.4)), float(rng.uniform(-0.4, 0.4))),
            hot_spots=int(rng.choice([0, 0, 0, 8])),
            hot_spot_level=float(rng.uniform(0.1, 0.5)),
            stray=float(rng.choice([0.0, 0.0, 0.1, 0.4])),
        ),
    )
    jpeg = rng.choice([0, 95, 90, 85, 75, 60, 45])
    camera = Camera(
        width=round(width / enlargement),
        height=round(height / enlargement),
        colour="grey" if rng.random() < 0.3 else "mosaic",
        exposure=float(rng.choice([0.8, 0.6, 0.25, 0.1])),
        full_well_e=float(np.exp(rng.uniform(math.log(800), math.log(30000)))),
        enlargement=enlargement,
        resampling=str(rng.choice(["bilinear", "bicubic", "lanczos"])),  # type: ignore[arg-type]
        sharpening=float(rng.choice([0.0, 0.0, 0.5, 1.2])),
        denoise=str(rng.choice(["none", "none", "gaussian", "median"])),  # type: ignore[arg-type]
        jpeg_quality=int(jpeg) or None,
    )
    label = f"P {period:.1f} px, tilt {tilt:.0f}, JPEG {jpeg}, well {camera.full_well_e:.0f} e"
    return scene, Pose(pixel, tilt, centre), optics, camera, label


def _draw_slide(rng: np.random.Generator, division: float) -> RuledScale:
    short = float(rng.uniform(2.5, 8)) * division
    alike = rng.random() < 0.15
    fifth = short * (1.0 if alike else float(rng.uniform(1.25, 1.7)))
    tenth = fifth * (1.0 if alike else float(rng.uniform(1.15, 1.6)))
    bright_lines = rng.random() < 0.25
    ink, glass = float(rng.uniform(0.02, 0.5)), float(rng.uniform(0.7, 0.9))
    return RuledScale(
        division_um=division,
        divisions=int(rng.choice([100, 100, 100, 40, 20])),
        line_width_um=float(rng.uniform(0.12, 0.45)) * division,
        short_um=short,
        fifth_um=fifth,
        tenth_um=tenth,
        anchor=str(rng.choice(["bottom", "top", "middle"])),  # type: ignore[arg-type]
        line=glass if bright_lines else ink,
        ground=ink * 0.3 if bright_lines else glass,
        profile=str(rng.choice(["solid", "solid", "solid", "shaded", "edges"])),  # type: ignore[arg-type]
        rim_width_um=0.08 * division,
        baseline=bool(rng.random() < 0.3),
        cross_line=bool(rng.random() < 0.15),
        numeral_every=int(rng.choice([10, 10, 5, 0])),
        font=str(rng.choice(sorted(FONTS))),  # type: ignore[arg-type]
        ruling_error_um=float(rng.choice([0.0, 0.01, 0.03])) * division / 10,
        ruling_seed=int(rng.integers(1000)),
    )


def _dirty(
    stored: npt.NDArray[np.uint8] | npt.NDArray[np.uint16], seed: int
) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    """Specks of dust on every third capture, painted dark with a soft rim."""
    rng = np.random.default_rng([77, seed])
    if seed % 3:
        return stored
    height, width = stored.shape[:2]
    cover = np.zeros((height, width), np.float32)
    for _ in range(int(rng.integers(3, 40))):
        centre = (int(rng.integers(width)), int(rng.integers(height)))
        cv2.circle(cover, centre, int(rng.integers(1, 9)), float(rng.uniform(0.2, 0.9)), -1)
    cover = cv2.GaussianBlur(cover, (0, 0), 1.2)
    shade = (1 - cover)[..., None] if stored.ndim == 3 else 1 - cover
    return np.asarray(stored * shade).astype(stored.dtype)


def _division_along_scale(scene: RuledScale, truth: Truth) -> float:
    """The division in px in the direction of the scale: an enlarged picture of whole px has pixels
    that are not quite square."""
    turn = math.radians(truth.tilt_deg)
    return scene.division_um * math.hypot(
        math.cos(turn) / truth.pixel_size_x_um, math.sin(turn) / truth.pixel_size_y_um
    )


def measure_case(index: int) -> Outcome:
    """Photograph and measure capture `index`."""
    cv2.setNumThreads(1)
    scene, pose, optics, camera, label = draw_case(index)
    shot = capture(scene, pose, optics, camera, seed=index)
    # Only lines long enough to matter are counted: those whose middle lies in the round field.
    lines = shot.truth.lines_px
    if optics.field_stop_um:
        middle = np.array([(shot.truth.width - 1) / 2, (shot.truth.height - 1) / 2])
        radius = optics.field_stop_um / shot.truth.pixel_size_um / 2
        lines = lines[np.hypot(*(lines - middle).T) < 0.95 * radius]
    truth = _division_along_scale(scene, shot.truth)
    measured, u, expanded, reason = None, 0.0, 0.0, ""
    try:
        # As from a bench, which files its photos under their slide: some slides have no longer lines.
        result = measure_scale(linear_grey(_dirty(shot.stored, index)), word="filed")
        measured, u = result.division.value, result.division.u
        expanded = result.division.expanded
    except NotMeasurable as error:
        reason = str(error)
    return Outcome(index, truth, len(lines), measured, u, expanded, reason, label)


def clean_ratio(index: int) -> tuple[float, float, float]:
    """(error / Cramer-Rao standard deviation, stated u / bound, bound / division) on a clean shot.

    The bound: Fisher information for unit-free parameters (pixel size, tilt, shift along the scale,
    exposure) of the expected picture with Gaussian noise of the camera's own variance; the bound of
    the pixel size is the square root of the inverse matrix's element. Derivatives are central
    differences of the simulated scene.
    """
    cv2.setNumThreads(1)
    rng = np.random.default_rng([4711, index])
    period = float(np.exp(rng.uniform(math.log(8), math.log(60))))
    pixel = 10 / period
    scene = RuledScale(
        line_width_um=float(rng.uniform(2, 4)), numeral_every=0,
        divisions=int(min(100, 0.8 * 800 / period)),
    )  # fmt: skip
    pose = Pose(pixel, float(rng.uniform(-8, 8)), (float(rng.uniform(-3, 3)), 0.0))
    optics = Optics(na=min(1.3, 0.6 / pixel * 0.27))
    camera = Camera(
        width=800, height=600, colour="grey", jpeg_quality=None, stored_bits=16, tone="linear",
        prnu=0.0, dark_spread_e=0.0, full_well_e=float(rng.choice([3000, 10000])),
    )  # fmt: skip
    bound = cramer_rao_bound(scene, pose, optics, camera)
    shot = capture(scene, pose, optics, camera, seed=index)
    grey = (shot.stored / np.iinfo(shot.stored.dtype).max).astype(np.float32)
    result = measure_scale(grey, pattern="ruled")
    relative = result.division.value / shot.truth.division_px - 1
    return relative / bound, result.division.relative / bound, bound


def cramer_rao_bound(scene: RuledScale, pose: Pose, optics: Optics, camera: Camera) -> float:
    """Lowest possible relative standard deviation of the pixel size for this scene and noise."""
    centre = expected(scene, pose, optics, camera)
    variance = noise_variance(centre, camera)
    turn = math.radians(pose.tilt_deg)

    def moved(size: float = 0.0, tilt: float = 0.0, along: float = 0.0) -> Pose:
        x = pose.centre_um[0] + along * pose.pixel_size_um
        return replace(
            pose, pixel_size_um=pose.pixel_size_um * (1 + size),
            tilt_deg=pose.tilt_deg + math.degrees(tilt), centre_um=(x, pose.centre_um[1]),
        )  # fmt: skip

    assert abs(turn) < 1
    slopes = [centre.ravel()]  # exposure
    for key, step in (("size", 1e-4), ("tilt", 1e-4), ("along", 0.02)):
        ahead = expected(scene, moved(**{key: step}), optics, camera)
        behind = expected(scene, moved(**{key: -step}), optics, camera)
        slopes.append(((ahead.astype(np.float64) - behind) / (2 * step)).ravel())
    design = np.stack(slopes)
    information = (design / variance.ravel()) @ design.T
    return float(np.sqrt(np.linalg.inv(information)[1, 1]))


def no_scale_pictures() -> dict[str, npt.NDArray[np.float32]]:
    """At least 200 photographs and textures that show no scale, as linear grey."""
    from skimage import data
    from sklearn.datasets import load_sample_images

    pictures: dict[str, npt.NDArray[np.float32]] = {}
    names = [
        "astronaut",
        "brick",
        "camera",
        "cat",
        "cell",
        "chelsea",
        "clock",
        "coffee",
        "coins",
        "colorwheel",
        "grass",
        "gravel",
        "horse",
        "hubble_deep_field",
        "immunohistochemistry",
        "logo",
        "microaneurysms",
        "moon",
        "page",
        "text",
        "retina",
        "rocket",
        "shepp_logan_phantom",
    ]
    photos = {name: getattr(data, name)() for name in names}
    photos |= {f"sample {i}": p for i, p in enumerate(load_sample_images().images)}
    for name, photo in photos.items():
        stored = _as_8bit(photo)
        grey = linear_grey(stored)
        pictures[name] = grey
        for factor in (0.5, 1.7):
            kind = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
            pictures[f"{name} x{factor}"] = cv2.resize(
                grey, None, fx=factor, fy=factor, interpolation=kind
            )
        for angle in (17, 90, 135):
            h, w = grey.shape
            turn = cv2.getRotationMatrix2D((w / 2, h / 2), angle, 1.3)
            pictures[f"{name} turned {angle}"] = cv2.warpAffine(
                grey, turn, (w, h), borderMode=cv2.BORDER_REFLECT
            )
    for seed in range(60):
        pictures[f"noise texture {seed}"] = _texture(seed)
    return {name: np.clip(p, 0, None).astype(np.float32) for name, p in pictures.items()}


def _as_8bit(photo: npt.NDArray[np.generic]) -> npt.NDArray[np.uint8]:
    if photo.dtype == np.bool_:
        return photo.astype(np.uint8) * np.uint8(255)
    if photo.dtype != np.uint8:
        return (255.0 * photo / photo.max()).astype(np.uint8)  # type: ignore[operator]
    return np.asarray(photo[..., :3] if photo.ndim == 3 else photo, dtype=np.uint8)


def _texture(seed: int) -> npt.NDArray[np.float32]:
    """Band-limited, streaky or blotchy noise, stripes of random spacing, and specks."""
    rng = np.random.default_rng([99, seed])
    size = (600, 800)
    kind = seed % 4
    picture = rng.standard_normal(size).astype(np.float32)
    if kind == 0:
        picture = cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.8, 12)))
    elif kind == 1:  # brushed metal
        picture = cv2.GaussianBlur(picture, (0, 0), sigmaX=float(rng.uniform(0.8, 4)), sigmaY=40)
    elif kind == 2:  # stripes at random places
        at = np.sort(rng.uniform(0, 800, 40))
        row = sum(np.exp(-0.5 * ((np.arange(800) - a) / rng.uniform(1, 4)) ** 2) for a in at)
        picture = np.tile(np.asarray(row, np.float32), (600, 1)) + 0.1 * picture
    else:
        picture = np.zeros(size, np.float32)
        for _ in range(int(rng.integers(20, 300))):
            centre = (int(rng.integers(800)), int(rng.integers(600)))
            cv2.circle(picture, centre, int(rng.integers(2, 15)), float(rng.uniform(0.3, 1)), -1)
        picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
    picture = (picture - picture.min()) / float(np.ptp(picture))
    turn = cv2.getRotationMatrix2D((400, 300), float(rng.uniform(0, 180)), 1.5)
    turned = cv2.warpAffine(picture, turn, (800, 600), borderMode=cv2.BORDER_REFLECT)
    return np.asarray(0.1 + 0.8 * turned, dtype=np.float32)


def accepted_without_scale(item: tuple[str, npt.NDArray[np.float32]]) -> str | None:
    """The name of a picture in which a scale was claimed, with what was claimed; None if refused."""
    cv2.setNumThreads(1)
    name, picture = item
    try:
        result = measure_scale(picture)
    except NotMeasurable:
        return None
    return f"{name}: {result.pattern}, {result.lines} lines {result.division.value:.1f} px apart"


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    captures = 60 if quick else CAPTURES
    with ProcessPoolExecutor(2) as pool:
        outcomes = list(pool.map(measure_case, range(captures), chunksize=8))
        clean = list(pool.map(clean_ratio, range(10 if quick else CLEAN_CAPTURES), chunksize=4))
        pictures = no_scale_pictures()
        items = list(pictures.items())[: 20 if quick else None]
        false = [f for f in pool.map(accepted_without_scale, items, chunksize=4) if f]
    return "\n".join(_lines_of_report(outcomes, clean, false, len(items)))


def in_scope(outcome: Outcome) -> bool:
    """At least 8 divisions (9 lines) in view and 6 px a division, as the target is stated."""
    return outcome.lines_in_view >= 9 and outcome.truth_px >= 6


def _lines_of_report(
    outcomes: list[Outcome],
    clean: list[tuple[float, float, float]],
    false: list[str],
    pictures: int,
) -> list[str]:
    scope = [o for o in outcomes if in_scope(o)]
    kept = [o for o in scope if o.measured_px is not None]
    error = np.array([(o.measured_px or 0) / o.truth_px - 1 for o in kept])
    covered = np.array(
        [abs((o.measured_px or 0) - o.truth_px) <= o.expanded_px for o in kept], dtype=float
    )
    wrong = [
        o for o in outcomes
        if o.measured_px is not None and abs(o.measured_px / o.truth_px - 1) > CONFIDENT_ERROR
    ]  # fmt: skip
    ratio = np.abs([c[0] for c in clean])
    size = np.abs(error)
    rows = [
        ("captures simulated / in scope", f"{len(outcomes)} / {len(scope)}", "at least 400"),
        ("refused in scope", f"{len(scope) - len(kept)} ({1 - len(kept) / len(scope):.1%})", "-"),
        ("bias", f"{error.mean():+.4%}", "-"),
        ("spread (standard deviation)", f"{error.std():.4%}", "-"),
        ("median |error|", f"{np.median(size):.4%}", "0.02 %"),
        ("95th percentile |error|", f"{np.percentile(size, 95):.4%}", "0.1 %"),
        ("worst |error|", f"{size.max():.4%}", "-"),
        ("95 % interval covers the truth", f"{covered.mean():.1%}", "92 to 98 %"),
        ("confident errors (over 1 %)", str(len(wrong)), "0"),
        (f"clean captures ({len(clean)}): median |error| / bound",
         f"{np.median(ratio) / 0.6745:.2f}", "1.5"),
        ("clean captures: rms error / bound", f"{np.sqrt(np.mean(ratio**2)):.2f}", "-"),
        ("pictures without a scale / accepted", f"{pictures} / {len(false)}",
         "at least 200 / 0"),
    ]  # fmt: skip
    out = ["Ruled scale (division in px, slide taken as exact)"]
    out += [f"  {name:<52} {value:>16}   target {target}" for name, value, target in rows]
    out += [f"  confident error: capture {o.index} ({o.label}): {o.measured_px} for {o.truth_px:.3f}"
            for o in wrong]  # fmt: skip
    out += [f"  accepted without a scale: {name}" for name in false]
    return out
