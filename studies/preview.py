"""How well a predicted view agrees with what the instrument really shows.

A die photographed at 0.3 um a pixel is predicted through instruments of other pixels and apertures,
from the edge response that is measured in a simulated photo of an edge by each of them, and compared
with the simulated capture of the same piece. The response of the finer photo is measured in the same
way and divided out; one more line shows what it costs not to. The ratio of detail is 1 where the
prediction holds.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from glassay.detail.edge import measure_edges
from glassay.detail.predict import Response, compare_views, predict_view
from glassay.errors import NotMeasurable
from glassay.imaging import Photo
from glassay.imaging.tone import FloatImage
from glassay.simulate import Camera, Capture, Die, Edge, Optics, Pose, Scene, capture

SOURCE_UM, PLACE = 0.3, (150.0, 60.0)


@dataclass(frozen=True)
class Case:
    """One instrument. Sharpening is in the response that its edge shows, and is predicted too."""

    name: str
    pixel_um: float
    aperture: float
    sharpening: float = 0.0
    defocus_um: float = 0.0
    divided: bool = True


CASES = (
    Case("sharp, pixels bind", 1.2, 0.25),
    Case("matched", 1.0, 0.15),
    Case("optics bind", 0.7, 0.09),
    Case("coarse pixels", 1.8, 0.15),
    Case("sharpened", 1.0, 0.15, sharpening=0.8),
    Case("focus lost after the edge", 1.0, 0.15, defocus_um=18),
    Case("matched, source taken as perfect", 1.0, 0.15, divided=False),
)


def light_of(shot: Capture) -> FloatImage:
    """Linear luminance."""
    return Photo(Path("simulated"), shot.stored, "srgb").linear_grey()


def run_case(task: tuple[Case, int]) -> tuple[float, float, float, float] | str:
    """Correlation, share unexplained, ratio of detail and its U; or the refusal."""
    case, number = task
    cv2.setNumThreads(1)
    die = Die(seed=21 + number)
    finer = Camera(width=1200, height=900, exposure=0.8, stored_bits=16, jpeg_quality=None)
    better = Optics(na=0.9)
    source = light_of(capture(die, Pose(SOURCE_UM, 0, PLACE), better, finer, 3))
    camera = Camera(width=480, height=360, exposure=0.8, sharpening=case.sharpening)
    optics = Optics(na=case.aperture)

    def photo(scene: Scene, lens: Optics, turn: float, seed: int) -> FloatImage:
        return light_of(capture(scene, Pose(case.pixel_um, turn, PLACE), lens, camera, seed))

    def response(pixel_um: float, lens: Optics, by: Camera) -> Response:
        scene = Edge(lean_deg=6, left=0.1, right=0.7)
        by = replace(by, width=480, height=360)
        found = measure_edges(light_of(capture(scene, Pose(pixel_um), lens, by, 1)))
        return Response(found.frequency, found.modulation)

    view = predict_view(
        source, SOURCE_UM, response(case.pixel_um, optics, camera), case.pixel_um,
        scene_response=response(SOURCE_UM, better, finer) if case.divided else None,
    )  # fmt: skip
    real = photo(die, replace(optics, defocus_um=case.defocus_um), 1.5, 2)
    try:
        found = compare_views(view.picture, real)
    except NotMeasurable as refusal:
        return str(refusal)
    ratio = found.findings()["detail_ratio"].quantity
    return found.correlation, found.residual, ratio.value, ratio.expanded


def report(quick: bool = False) -> str:
    """The study as text."""
    dies = 1 if quick else 3
    tasks = [(case, number) for case in CASES for number in range(dies)]
    with ProcessPoolExecutor(2) as pool:
        found = list(pool.map(run_case, tasks))
    lines = [
        "A die predicted from a finer photo and the measured edge responses, against the capture of it",
        "(median of the dies; ratio: real detail over predicted, up to half the Nyquist frequency;",
        "held: 1 lies within U).",
        "",
        f"{'instrument':<34}{'dies':>5}{'refused':>9}{'correlation':>13}{'unexplained':>13}"
        f"{'ratio':>8}{'worst':>8}{'U':>7}{'held':>6}",
    ]
    for case in CASES:
        mine = [f for f, (c, _) in zip(found, tasks, strict=True) if c is case]
        numbers = [f for f in mine if not isinstance(f, str)]
        row = f"{case.name:<34}{len(mine):>5}{len(mine) - len(numbers):>9}"
        if numbers:
            r, left, ratio, u = np.median(np.array(numbers), axis=0)
            worst = max((n[2] for n in numbers), key=lambda one: abs(one - 1))
            held = sum(abs(n[2] - 1) <= n[3] for n in numbers)
            row += f"{r:>13.4f}{100 * left:>12.1f}%{ratio:>8.3f}{worst:>8.3f}{u:>7.3f}{held:>6}"
        lines.append(row)
    return "\n".join(lines)


if __name__ == "__main__":
    print(report())
