"""Making the demo's photos and clips, each the same every time, on all processors."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
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
from glassay.simulate import expected, photograph

BENCH_TOML = Path(__file__).with_name("bench.toml")

TURN_CLOCKWISE = 6
"""EXIF orientation of a phone held upright: the picture is shown turned clockwise."""

KEPT_MEMORY = {"MALLOC_MMAP_THRESHOLD_": str(2**30), "MALLOC_TRIM_THRESHOLD_": str(2**30)}
"""What the GNU C library's allocator is told: keep freed memory. Pictures come and go by the tens of
megabytes, and fetching fresh pages for each took a quarter of the time. Others take no notice."""


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
    with (
        _kept_memory(),
        ProcessPoolExecutor(jobs, mp_context=context, initializer=_start_worker) as pool,
    ):
        try:
            running = [pool.submit(take, one, folder) for one in missing]
            for done, future in enumerate(as_completed(running), 1):
                future.result()
                yield done
        finally:
            pool.shutdown(cancel_futures=True)


@contextlib.contextmanager
def _kept_memory() -> Iterator[None]:
    """Processes started meanwhile keep memory that they free (see `KEPT_MEMORY`)."""
    before = {name: os.environ.get(name) for name in KEPT_MEMORY}
    os.environ.update(KEPT_MEMORY)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _start_worker() -> None:
    """Leave Ctrl-C to the parent, and keep to one processor."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)


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
