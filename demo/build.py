"""Making the demo's photos and clips, each the same every time, on all processors."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import cv2
from PIL import ExifTags, Image

from demo import objects
from demo.films import FILMS, Film
from demo.shots import SHOTS, Shot
from demo.stacks import STACKS, Stack
from glassay.bench.measuring.run import default_jobs
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.heap import keep_freed_memory
from glassay.simulate import expected, photograph

BENCH_TOML = Path(__file__).with_name("bench.toml")

TURN_CLOCKWISE = 6
"""EXIF orientation of a phone held upright: the picture is shown turned clockwise."""


def build(
    folder: Path,
    *,
    shots: Sequence[Shot] = SHOTS,
    films: Sequence[Film] = FILMS,
    stacks: Sequence[Stack] = STACKS,
    jobs: int | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> int:
    """Fill `folder` with the demo's `bench.toml`, photos and clips; return how many were made.

    Those that are there already are left alone. Raises `Unusable` when the folder holds something
    else, or cannot be written.
    """
    _start(folder)
    missing = [
        one
        for one in (*films, *stacks, *shots)
        if not all((folder / name).is_file() for name in one.files)
    ]
    progress(0, len(missing))
    for done in _make(missing, folder, min(jobs or default_jobs(), len(missing))):
        progress(done, len(missing))
    return sum(len(one.files) for one in missing)


def _start(folder: Path) -> None:
    """Write `bench.toml` into a new folder, or recognise the demo's own by its first line."""
    text = BENCH_TOML.read_bytes()
    path = folder / BENCH_TOML.name
    try:
        if folder.is_dir() and any(folder.iterdir()):
            if path.is_file() and path.read_bytes().partition(b"\n")[0] == text.partition(b"\n")[0]:
                return
            raise Unusable(f"{folder} holds something else; name a folder that is new or empty")
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Unusable(f"{folder} cannot be used ({error.strerror})") from None
    write_atomically(path, text)


def _make(missing: Sequence[Shot | Film | Stack], folder: Path, jobs: int) -> Iterator[int]:
    """Make photos and clips and count them as they are finished."""
    if jobs <= 1:
        for done, one in enumerate(missing, 1):
            take(one, folder)
            yield done
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=_start_worker) as pool:
        try:
            running = [pool.submit(take, one, folder) for one in missing]
            for done, future in enumerate(as_completed(running), 1):
                future.result()
                yield done
        finally:
            pool.shutdown(cancel_futures=True)


def _start_worker() -> None:
    """Leave Ctrl-C to the parent, and keep to one processor and to the memory that it has."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
    keep_freed_memory()


def take(shot: Shot | Film | Stack, folder: Path) -> None:
    """Take the photos of one shot, a clip or a stack, and write them into the bench folder."""
    if isinstance(shot, Film | Stack):
        shot.write(folder)
        return
    scene, camera = objects.scene(shot.thing), shot.state.camera
    light = expected(scene, shot.pose, shot.optics, camera)
    for number, name in enumerate(shot.files):
        seed = 1000 * shot.seed + number
        jpeg = photograph(light, scene, shot.pose, shot.optics, camera, seed).jpeg
        assert jpeg is not None, "every camera of the demo stores JPEG"
        write_atomically(folder / name, _turned(jpeg) if shot.state.turned else jpeg)


def _turned(jpeg: bytes) -> bytes:
    """The same file with the EXIF orientation of a phone held upright."""
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = TURN_CLOCKWISE
    body = exif.tobytes()
    segment = b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body
    return jpeg[:2] + segment + jpeg[2:]  # right behind the start marker, as EXIF wants it
