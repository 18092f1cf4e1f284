"""The workbench: its first page for a large bench, a 100-megapixel photo in tiles, twenty photos handed
over at once, live frames.

Server times are those of the whole request over the loopback, the pages' own script not counted.
"""

from __future__ import annotations

import http.client
import json
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
import uvicorn

from benchmarks.reference import best_time, decode_and_transform
from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import run_bench
from glassay.scale import Division
from glassay.simulate import Camera, Optics, Pose, RuledScale, capture, expected, photograph
from glassay.web import create_app
from glassay.web.incoming import Incoming
from glassay.web.listening import config_of, listen
from glassay.web.live_frames import FrameOfJpeg
from glassay.web.watch import Watch

INSTRUMENTS, CAPTURES = 30, 500
FIRST_PAGE_S = 0.3
PHOTOS, ALL_SMALL_S = 20, 10.0
LIVE_RATE = 15.0
SCRIPT_KEY = "benchmark"


@contextmanager
def served(folder: Path) -> Iterator[int]:
    listener = listen("127.0.0.1", (0,))
    server = uvicorn.Server(config_of(create_app(folder, "entry", SCRIPT_KEY)))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield listener.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(5)


def _get(port: int, path: str) -> bytes:
    link = http.client.HTTPConnection("127.0.0.1", port)
    link.request("GET", path, headers={"authorization": f"Bearer {SCRIPT_KEY}"})
    answer = link.getresponse()
    body = answer.read()
    link.close()
    assert answer.status == 200, body[:300]
    return body


def large_bench(folder: Path, count: int = CAPTURES) -> None:
    """So many captures of one content: measured once, and kept as results of all."""
    shot = capture(RuledScale(divisions=100), Pose(1.6), Optics(na=0.1), Camera(640, 480))
    (folder / "captures").mkdir(parents=True)
    head = '[[object]]\nid = "slide"\nkind = "ruled scale"\ndivision = "10 um"\n'
    instruments, captures = "", ""
    for number in range(INSTRUMENTS):
        instruments += (
            f'[[instrument]]\nid = "i{number}"\nkind = "USB"\nprice = {{ list = "99 EUR" }}\n'
            '[[instrument.setting]]\nid = "near"\n[[instrument.setting]]\nid = "far"\n'
            '[[instrument.claim]]\nkind = "magnification"\nvalue = "20x to 1600x"\nwhere = "box"\n'
            '[[instrument.claim]]\nkind = "photo pixels"\nvalue = "12 MP"\nwhere = "box"\n'
        )
    for number in range(count):
        name = f"captures/{number}.jpg"
        shot.write(folder / name)
        captures += (
            f'[[capture]]\nfile = "{name}"\ninstrument = "i{number % INSTRUMENTS}"\n'
            f'setting = "{"near" if number % 2 else "far"}"\nobject = "slide"\n'
        )
    first = captures.split("[[capture]]")[1]
    (folder / "bench.toml").write_text(f"{head}{instruments}[[capture]]{first}")
    run_bench(load_bench(folder), jobs=1)
    (folder / "bench.toml").write_text(head + instruments + captures)
    # What a run leaves behind: the contents of every file are known.
    run_bench(load_bench(folder), jobs=1)


def _pages(folder: Path) -> list[str]:
    large_bench(folder)
    with served(folder) as port:
        start = time.perf_counter()
        _get(port, "/")  # `glassay open` reads this much ahead, while the browser starts
        cold = time.perf_counter() - start
        warm = best_time(lambda: _get(port, "/"))
        sheet = best_time(lambda: _get(port, "/captures"))
    return [
        f"  {INSTRUMENTS} instruments, {CAPTURES} captures: first page {cold * 1e3:.0f} ms when"
        f" nothing is read yet, {warm * 1e3:.0f} ms after that; captures {sheet * 1e3:.0f} ms"
        f"   target {FIRST_PAGE_S * 1e3:.0f} ms"
    ]


def _huge_photo(folder: Path) -> list[str]:
    width, height = 11_600, 8_700
    rng = np.random.default_rng(0)
    part = rng.integers(0, 255, (height // 8, width // 8, 3), dtype=np.uint8)
    folder.mkdir()
    path = folder / "huge.jpg"
    cv2.imwrite(str(path), cv2.resize(part, (width, height), interpolation=cv2.INTER_CUBIC))
    (folder / "bench.toml").write_text(
        '[[object]]\nid = "chip"\nkind = "chip"\n[[instrument]]\nid = "i"\nkind = "USB"\n'
        '[[capture]]\nfile = "huge.jpg"\ninstrument = "i"\nobject = "chip"\n'
    )
    reference = best_time(lambda: decode_and_transform(path), 1)
    with served(folder) as port:
        start = time.perf_counter()
        _get(port, "/capture?id=huge.jpg")
        # What a viewer of 1300 px asks for first: the level of 1450 x 1088 px, six tiles.
        sent = sum(
            len(_get(port, f"/tile?id=huge.jpg&level=11&x={x}&y={y}"))
            for x in range(3) for y in range(3)
        )  # fmt: skip
        first = time.perf_counter() - start
        start = time.perf_counter()
        sent += len(_get(port, "/tile?id=huge.jpg&level=14&x=9&y=7"))
        deep = time.perf_counter() - start
    return [
        f"  {width * height / 1e6:.0f}-megapixel photo: seen after {first:.2f} s ="
        f" {first / reference:.2f} x decoding + one FFT of it; a further tile {deep * 1e3:.0f} ms;"
        f" {sent / 1e6:.1f} MB sent of {path.stat().st_size / 1e6:.0f} MB"
    ]


def _get_in(port: int, path: str, body: bytes) -> dict[str, str]:
    link = http.client.HTTPConnection("127.0.0.1", port)
    head = {"authorization": f"Bearer {SCRIPT_KEY}", "accept": "application/json"}
    link.request("POST", path, body, head)
    answer = link.getresponse()
    found: dict[str, str] = json.loads(answer.read())
    link.close()
    assert answer.status == 200, found
    return found


def _many_photos(folder: Path) -> list[str]:
    """As the page does it: two are handed over at a time, then all are shown."""
    width, height = 6000, 4500
    rng = np.random.default_rng(0)
    part = rng.integers(0, 255, (height // 4, width // 4, 3), dtype=np.uint8)
    photo = cv2.resize(part, (width, height), interpolation=cv2.INTER_CUBIC)
    photo = cv2.add(photo, rng.normal(0, 6, photo.shape), dtype=cv2.CV_8U)
    data = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()
    folder.mkdir()
    (folder / "bench.toml").write_text(
        '[[object]]\nid = "chip"\nkind = "chip"\n[[instrument]]\nid = "i"\nkind = "USB"\n'
    )
    with served(folder) as port, ThreadPoolExecutor(2) as pool:
        start = time.perf_counter()
        batch = _get_in(port, "/upload/begin", b"")["batch"]
        names = [f"/upload/file?batch={batch}&name={n}.jpg" for n in range(PHOTOS)]
        list(pool.map(lambda name: _get_in(port, name, data), names))
        handed = time.perf_counter() - start
        _get(port, f"/incoming?batch={batch}")
        thumbs = [f"/incoming/thumb?batch={batch}&number={n}" for n in range(PHOTOS)]
        list(pool.map(lambda path: _get(port, path), thumbs))
        seen = time.perf_counter() - start
        Incoming(folder, None).forget(batch)
    return [
        f"  {PHOTOS} photos of {width * height / 1e6:.0f} megapixels, {len(data) / 1e6:.0f} MB each:"
        f" handed over after {handed:.1f} s, all seen small after {seen:.1f} s"
        f"   target {ALL_SMALL_S:g} s"
    ]


def _live() -> list[str]:
    scene, pose, optics = RuledScale(divisions=100), Pose(1.1, 2.0), Optics(na=0.1)
    camera = Camera(1920, 1080, colour="grey")
    light = expected(scene, pose, optics, camera)
    shots = [photograph(light, scene, pose, optics, camera, seed).jpeg for seed in range(4)]
    frames = [shot for shot in shots if shot is not None]
    watch, division = Watch(), Division.uncertified(10.0)
    processor = time.process_time()
    start, count, scales = time.perf_counter(), 0, set()
    while time.perf_counter() - start < 4:
        seen = watch.look(FrameOfJpeg(frames[count % len(frames)]), division)
        count += 1
        scales.add(seen.scale.get("pixel", ""))
    rate = count / (time.perf_counter() - start)
    busy = (time.process_time() - processor) / count
    return [
        f"  live 1920 x 1080 with the scale measured beside: {rate:.1f} frames/s"
        f" ({busy * 1e3:.0f} ms of processor each, all together)   target {LIVE_RATE:g}"
        f" (scale {'seen' if any(scales) else 'not seen'})"
    ]


def report() -> str:
    """The printed table."""
    with tempfile.TemporaryDirectory() as folder:
        pages = _pages(Path(folder) / "large")
        huge = _huge_photo(Path(folder) / "huge")
        many = _many_photos(Path(folder) / "many")
    return "\n".join(["workbench", *pages, *huge, *many, *_live()])


if __name__ == "__main__":
    print(report())
