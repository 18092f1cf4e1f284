"""Noise: electrons, floor and signal to noise against the camera that was simulated.

Pairs of a chip's texture or of a lit slope, through cameras of 1 000 to 20 000 electrons: raw grey
ones, whose line is exact, and colour ones that demosaic, denoise and compress. There a stored px
speaks for the electrons of half a px (half of a mosaic is green), times what enlargement leaves.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging.tone import linear_table
from glassay.noise import measure_noise
from glassay.simulate import Camera, Die, FlatField, Lighting, Optics, Pose, repeat_pair
from glassay.simulate.camera import PEDESTAL_SHARE
from studies.field import Outcome, table

CASES = 60


def case(index: int) -> list[Outcome]:
    """One pair; errors in per cent."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([9201, index])
    electrons = float(np.exp(rng.uniform(np.log(1000), np.log(20_000))))
    readout = float(rng.uniform(2, 12))
    kinds: list[tuple[str, dict[str, object], float]] = [
        ("raw 16 bits", {"colour": "grey", "stored_bits": 16, "tone": "linear"}, 1.0),
        ("grey 8 bits", {"colour": "grey"}, 1.0),
        ("mosaic", {}, 0.5),
        ("mosaic, denoised", {"denoise": ["gaussian", "median", "bilateral"][index % 3]}, 0.5),
        ("mosaic, JPEG 95", {"jpeg_quality": 95}, 0.5),
    ]
    name, settings, share = kinds[index % 5]
    camera = Camera(**{"width": 640, "height": 480, "jpeg_quality": None, "full_well_e": electrons,
                       "read_noise_e": readout, **settings})  # type: ignore[arg-type]  # fmt: skip
    slope = index // 5 % 2 == 0
    scene = FlatField(0.6) if slope else Die()
    optics = Optics(na=0.1, lighting=Lighting(gradient=(0.8, 0.0) if slope else (0.0, 0.0)))
    pair = repeat_pair(scene, Pose(1.5), optics, camera, seed=index)
    deep = camera.stored_bits == 16
    levels = linear_table(16 if deep else 8, "linear" if deep else "srgb")
    planes = [levels[s.stored if s.stored.ndim == 2 else s.stored[..., 1]] for s in pair]
    kind = f"electrons, {name}, %"
    try:
        lossy = camera.jpeg_quality is not None
        found = measure_noise([(planes[0], planes[1])], levels=levels, compressed=lossy)
    except NotMeasurable as error:
        return [Outcome(kind, reason=str(error))]
    out = []
    truth = share * electrons
    if found.electrons is None:
        out.append(Outcome(kind, reason="no line stated: " + found.notes[0].split(",")[0]))
    else:
        low, high = found.electrons.interval
        error = 100 * (found.electrons.value / truth - 1)
        out.append(Outcome(kind, error, low <= truth <= high))
    if found.snr is not None and share == 1.0:
        model = snr_of_the_standard(electrons, readout, levels, camera)
        low, high = found.snr.interval
        error = 100 * (found.snr.value / model - 1)
        out.append(Outcome("signal to noise, grey cameras, %", error, low <= model <= high))
    return out


def snr_of_the_standard(
    electrons: float, readout: float, levels: npt.NDArray[np.floating], camera: Camera
) -> float:
    """Signal to noise of a stored px at half of full scale: mean / sqrt(var_d + var_q + var_light)
    of EMVA 1288's linear model, where var_q is the rounding of the sensor and that of the file."""
    stored = float(np.interp(0.5, levels, np.gradient(np.asarray(levels, dtype=np.float64))))
    converted = (1 + PEDESTAL_SHARE) / (2**camera.bits - 1)
    variance = (0.5 * electrons + readout**2) / electrons**2 + (stored**2 + converted**2) / 12
    return 0.5 / float(np.sqrt(variance))


def report(quick: bool = False) -> str:
    """The study as a printed table."""
    with ProcessPoolExecutor(2) as pool:
        found = list(pool.map(case, range(CASES // 6 if quick else CASES), chunksize=5))
    outcomes = [one for group in found for one in group]
    return table(outcomes, "Noise from one pair of exposures (640 x 480 px): errors in per cent")


if __name__ == "__main__":
    print(report())
