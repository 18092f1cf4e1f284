"""How cost grows with photo size, captures of a bench, tiles of a mosaic, and length of a clip.

Every row runs in a process of its own, whose processor time (not counting start-up) and peak memory are
printed. `python -m benchmarks.growth` prints the whole table (half an hour, up to 300 megapixels and
10,000 captures), `python -m benchmarks growth` a short one.
"""

from __future__ import annotations

import contextlib
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from benchmarks.reference import peak_memory_mb
from glassay.heap import keep_freed_memory

SHORT: dict[str, tuple[int, ...]] = {
    "photo": (1, 3, 12), "captures": (10, 100, 500), "tiles": (9, 20), "sheet": (9, 20),
    "clip": (2, 8),
}  # fmt: skip
WHOLE: dict[str, tuple[int, ...]] = {
    "photo": (1, 3, 12, 48, 100, 300), "captures": (10, 100, 1000, 10_000),
    "tiles": (9, 20, 100, 400), "sheet": (20, 100, 500, 2000), "clip": (2, 8, 32, 64),
}  # fmt: skip
WORDS = {
    "photo": "scale, megapixels", "captures": "run with nothing to do, captures",
    "tiles": "mosaic of 320 x 240, tiles", "sheet": "detail all over, 480 x 360, tiles",
    "clip": "clip of 640 x 360, s",
}  # fmt: skip
PERIOD_PX, TILT = 60.0, 0.02


def _slide(path: Path, megapixels: int) -> None:
    """A slide of lines right across, a fifth of its period wide, soft, with noise, in colour as cameras
    write them: rows at a time."""
    height = round((megapixels * 1e6 * 3 / 4) ** 0.5)
    width = round(height * 4 / 3)
    place = np.arange(4096) * PERIOD_PX / 4096
    edge = np.tanh((np.abs(place - PERIOD_PX / 2) - PERIOD_PX / 10) / 1.2)
    profile = (140 + 60 * edge).astype(np.float32)
    rng = np.random.default_rng(1)
    picture = np.empty((height, width), np.uint8)
    x = np.arange(width)
    for y in range(height):
        at = ((x + TILT * y) % PERIOD_PX * (4096 / PERIOD_PX)).astype(np.intp)
        noise = rng.standard_normal(width, dtype=np.float32)
        picture[y] = np.clip(profile[at] + 2 * noise, 0, 255)
    colour = cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR)
    cv2.imwrite(str(path), colour, [cv2.IMWRITE_JPEG_QUALITY, 92])


def photo(megapixels: int, folder: Path) -> Callable[[], object]:
    """The scale of a photo."""
    from glassay.imaging import read_photo
    from glassay.imaging.memory import limit_memory
    from glassay.scale import Division, measure_scale
    from glassay.scale.calibrate import calibrate

    path = folder / "slide.jpg"
    subprocess.run(_words("draw", megapixels, path), check=True)  # its memory is not ours
    limit_memory()
    return lambda: calibrate(
        measure_scale(read_photo(path).measuring_grey(), word="said"), Division.uncertified(10)
    )


def captures(count: int, folder: Path) -> Callable[[], object]:
    """A run that finds every result in place; captures have one content, measured once."""
    from benchmarks.web import large_bench
    from glassay.bench.document.read import load_bench
    from glassay.bench.measuring.assemble import run_bench

    large_bench(folder, count)
    return lambda: run_bench(load_bench(folder), jobs=1)


def tiles(count: int, folder: Path) -> Callable[[], object]:
    """Tiles of one die, in rows and columns, placed; or, where its memories leave the places of too
    many open, refused at the end of the same work."""
    from glassay.errors import NotMeasurable
    from glassay.mosaic import place_tiles
    from glassay.simulate import Camera, Die, Optics, Pose, capture

    columns = round((count * 4 / 3) ** 0.5)
    rows = -(-count // columns)
    step = (240.0 * 0.7, 180.0 * 0.7)
    die = Die(step[0] * (columns + 1), step[1] * (rows + 1), seed=4)
    rng = np.random.default_rng(4)
    paths = []
    for n in range(count):
        row, column = divmod(n, columns)
        off = rng.normal(0, 4, 2)
        pose = Pose(0.75, float(rng.normal(0, 0.2)),
                    ((column - (columns - 1) / 2) * step[0] + float(off[0]),
                     (row - (rows - 1) / 2) * step[1] + float(off[1])))  # fmt: skip
        paths.append(folder / f"{n:04}.jpg")
        capture(die, pose, Optics(na=0.3), Camera(320, 240), seed=n).write(paths[-1])

    def place() -> None:
        with contextlib.suppress(NotMeasurable):
            place_tiles(paths)

    return place


def sheet(count: int, folder: Path) -> Callable[[], object]:
    """Tiles of a sheet that shows detail all over, cut out of it by a hand and placed, every one."""
    from glassay.mosaic import place_tiles

    wide, high = 480, 360
    columns = round((count * 4 / 3) ** 0.5)
    rows = -(-count // columns)
    rng = np.random.default_rng(4)
    shape = (round(high * (0.7 * rows + 0.6)), round(wide * (0.7 * columns + 0.6)))
    grain = cv2.GaussianBlur(rng.integers(0, 256, shape, dtype=np.uint8), (0, 0), 2.0)
    drawn = cv2.convertScaleAbs(grain, alpha=5.0, beta=-5.0 * 128 + 128)
    paths = []
    for n in range(count):
        row, column = divmod(n, columns)
        x, y = (
            round(side * (0.7 * place + 0.1)) + int(rng.integers(-12, 13))
            for side, place in ((wide, column), (high, row))
        )
        part = drawn[y : y + high, x : x + wide] + rng.normal(0, 2, (high, wide))
        paths.append(folder / f"{n:04}.jpg")
        cv2.imwrite(str(paths[-1]), np.clip(part, 0, 255).astype(np.uint8))

    def place() -> None:
        result = place_tiles(paths)
        if result.placed < count:
            raise RuntimeError(f"{result.placed} of {count} tiles were placed")

    return place


def clip(seconds: int, folder: Path) -> Callable[[], object]:
    """A clip of a slide that moves."""
    import av

    from glassay.imaging.clip import open_clip
    from glassay.motion.clip import measure_clip

    path = folder / "clip.mp4"
    rng = np.random.default_rng(0)
    scene = cv2.GaussianBlur(rng.integers(0, 255, (600, 1200), np.uint8), (0, 0), 2)
    scene = cv2.normalize(scene, np.empty_like(scene), 20, 235, cv2.NORM_MINMAX)
    with av.open(str(path), "w") as file:
        stream = file.add_stream("mpeg4", rate=30)
        stream.width, stream.height, stream.pix_fmt, stream.bit_rate = (
            640,
            360,
            "yuv420p",
            8_000_000,
        )
        for n in range(30 * seconds):
            left = 1.0 + 2 * abs((n % 400) - 200)
            shift = np.array([[1, 0, -left], [0, 1, -100]])
            frame = cv2.warpAffine(scene, shift, (640, 360))
            file.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format="gray")))
        file.mux(stream.encode(None))
    return lambda: measure_clip(open_clip(path))


ROWS: dict[str, Callable[[int, Path], Callable[[], object]]] = {
    "photo": photo, "captures": captures, "tiles": tiles, "sheet": sheet, "clip": clip,
}  # fmt: skip


def _words(what: str, size: int, *more: object) -> list[str]:
    return [sys.executable, "-m", "benchmarks.growth", what, str(size), *map(str, more)]


def _one(what: str, size: int) -> tuple[float, float]:
    """Processor seconds and peak MB of one row, of a process of its own."""
    done = subprocess.run(_words(what, size), check=True, capture_output=True, text=True)
    seconds, megabytes = json.loads(done.stdout.splitlines()[-1])
    return float(seconds), float(megabytes)


def _in_here(what: str, size: int) -> None:
    keep_freed_memory()  # as the command does
    with tempfile.TemporaryDirectory() as folder:
        work = ROWS[what](size, Path(folder))
        if what == "captures":
            work()  # as a run before left it
        start = _processor_s()
        work()
        print(json.dumps([_processor_s() - start, peak_memory_mb()]))


def _processor_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + used.ru_utime + used.ru_stime


def report(sizes: dict[str, tuple[int, ...]] = SHORT) -> str:
    """The printed table; the exponent is that of the least squares line of logarithms."""
    lines = ["how cost grows: processor s (peak MB), and the exponent; 1 is in proportion"]
    for what, steps in sizes.items():
        found = [_one(what, size) for size in steps]
        seconds = [one[0] for one in found]
        exponent = np.polyfit(np.log(steps), np.log(seconds), 1)[0]
        last = np.log(seconds[-1] / seconds[-2]) / np.log(steps[-1] / steps[-2])
        shown = "  ".join(
            f"{size}: {s:.2f} ({mb:.0f})" for size, (s, mb) in zip(steps, found, strict=True)
        )
        lines.append(
            f"  {WORDS[what]:<34} {shown}   exponent {exponent:.2f}, of the last two {last:.2f}"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    if len(sys.argv) == 4:
        _slide(Path(sys.argv[3]), int(sys.argv[2]))
    elif len(sys.argv) == 3:
        _in_here(sys.argv[1], int(sys.argv[2]))
    else:
        print(report(WHOLE))
