"""Live mosaics of one bench: each tile is written as it is taken, and a map can be gone on with.

A mosaic lies in `results/live-mosaics/NAME/`: its tiles as the browser sent them, and `map.json` with
what it shows and where each tile lies. It stays there until it is filed or thrown away.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import re
import secrets
import shutil
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.bench.document.model import Bench
from glassay.bench.keeping.filing import Filing, file_captures
from glassay.disk import refuse_links, write_atomically
from glassay.errors import Unusable
from glassay.mosaic.live import GrowingMap, Place, Told
from glassay.mosaic.live.lens import MOST_BEND
from glassay.web.live_frames import LiveFrame

THUMBNAIL_PX = 240
"""Longer side of a tile on the map that is shown."""
MOST_OPEN = 3
"""Maps held in memory at once; the one not used for longest is read again when it is needed."""

Stored = npt.NDArray[np.uint8]

SAYS = {
    "moving": "Moving.",
    "several": "This looks alike in several places. Go back a little, until something that occurs only"
    " once is in view together with what is on the map.",
    "lost": "This view has no place on the map yet. Go back towards what is on it.",
    "again": "Found again; move a third of a view, so that a second view confirms it.",
    "soft": "Less sharp than the map: focus. Rest here, and it is taken all the same, marked as soft.",
    "seen": "On the map already.",
    "taken": "Taken.",
    "held": "Kept without a place: it waits until the map tells where it lies.",
    "full": "The map holds as many views as it may; file it and begin another.",
}


@dataclass(frozen=True)
class Shows:
    """What a mosaic is filed as."""

    instrument: str
    setting: str
    object: str


class LiveMosaic:
    """One map and its folder, safe to use from several threads."""

    def __init__(self, folder: Path, shows: Shows) -> None:
        self.folder, self.shows = folder, shows
        self.name = folder.name
        self._lock = threading.Lock()
        self._map = GrowingMap()
        self._version = 0
        self._frame = (0, 0)
        self._ended = False
        self._last: tuple[float, dict[str, Any]] | None = None

    def look(self, frame: LiveFrame, at_s: float) -> dict[str, Any]:
        """Place a frame; a new view is written at once.

        Raises `Unusable` when its size is another than before, or it cannot be written.
        """
        grey = frame.luma
        with self._lock:
            if self._ended:
                raise Unusable("this live mosaic is filed or thrown away already")
            if self._last is not None and at_s < self._last[0]:
                return self._last[1]  # one that came later was quicker: nothing is seen backwards
            try:
                told = self._map.look(grey, at_s)
            except ValueError:
                raise Unusable(
                    "the picture has another size than the tiles of this map; ask the camera for the"
                    " size it had, or begin another"
                ) from None
            self._frame = (grey.shape[1], grey.shape[0])
            if told.kept is not None:
                self._write_tile(told.kept, frame.jpeg())
            if told.kept is not None or told.placed or told.redrawn:
                self._version += 1
                self._write()
            self._last = at_s, self._say(told)
            return self._last[1]

    def _write_tile(self, number: int, data: bytes) -> None:
        try:
            write_atomically(self.folder / _tile_name(number), data)
        except Unusable:
            self._map.take_back(number)
            raise

    def _write(self) -> None:
        places = self._map.places()
        tiles = {
            str(n): {
                "soft": one.soft,
                "place": [places[n].x, places[n].y, places[n].turn] if n in places else None,
            }
            for n, one in sorted(self._map.tiles.items())
        }  # fmt: skip
        data = {
            **vars(self.shows), "frame": self._frame, "distortion": self._map.k1, "tiles": tiles,
        }  # fmt: skip
        write_atomically(self.folder / "map.json", json.dumps(data, indent=1).encode())

    def _say(self, told: Told) -> dict[str, Any]:
        place = told.place
        held = len(self._map.tiles) - len(self._map.places())
        words, way = SAYS[told.state], way_of(told.step)
        if way:
            way = f"Back to the map: {way}." if place is None else f"Next view: {way} of this one."
        if self._map.is_complete and told.state in ("seen", "taken"):
            words = "Nothing seems to be missing; move on where you know that there is more."
        return {
            "state": told.state, "words": words, "version": self._version, "kept": told.kept,
            "place": None if place is None else [place.x, place.y, place.turn],
            "step": told.step, "way": way, "held": held, "gaps": self._map.gaps,
            "tiles": len(self._map.places()), "complete": self._map.is_complete,
            "soft": sum(one.soft for one in self._map.tiles.values() if one.place is not None),
        }  # fmt: skip

    @property
    def distortion(self) -> float:
        """What the lens bends at a frame's corner, as far as the map knows it."""
        return self._map.k1

    def as_json(self) -> dict[str, Any]:
        """The map: frame size, and of each placed tile number, place in px, and whether it is soft."""
        with self._lock:
            places = self._map.places()
            return {
                "name": self.name, "version": self._version, "frame": self._frame,
                "tiles": [
                    {"number": n, "x": p.x, "y": p.y, "turn": p.turn, "soft": self._map.tiles[n].soft}
                    for n, p in places.items()
                ],
                "held": [n for n in self._map.tiles if n not in places],
                "gaps": self._map.gaps, **vars(self.shows),
            }  # fmt: skip

    def thumbnail(self, number: int) -> bytes:
        """A small JPEG of one tile. Raises `Unusable` when there is none."""
        picture = _read(self.folder / _tile_name(number), cv2.IMREAD_REDUCED_COLOR_4)
        if picture is None:
            raise Unusable("there is no such tile")
        factor = min(1.0, THUMBNAIL_PX / max(picture.shape[:2]))
        small = cv2.resize(picture, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        return bytes(cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes())

    def take_back(self) -> int:
        """Remove the tile that was taken last, and return its number. Raises `Unusable`."""
        with self._lock:
            if not self._map.tiles:
                raise Unusable("no view is taken yet")
            number = max(self._map.tiles)
            self._map.take_back(number)
            self._version += 1
            self._write()
            (self.folder / _tile_name(number)).unlink(missing_ok=True)
            return number

    def file(self, bench: Bench) -> tuple[str, int]:
        """File all tiles, held ones too, as one capture of the chip; its id and how many they are.

        Raises `Unusable` when there is none or the bench cannot be written; all stays as it is then.
        """
        with self._lock:
            paths = sorted(self.folder.glob("tile-*.jpg"))
            if not paths:
                raise Unusable("no view is taken yet, so there is nothing to file")
            held = len(self._map.tiles) - len(self._map.places())
            note = f"live mosaic of {len(paths)} views"
            if held:
                note += f"; {held} of them without a place on the live map"
            stamp = datetime.datetime.now().strftime("%Y%m%d-%H%M%S")
            named = []
            try:
                for number, path in enumerate(paths, 1):
                    named.append(path.with_name(f"mosaic-{stamp}-{number:03d}.jpg"))
                    shutil.copyfile(path, named[-1])
                one = self.shows
                filed = file_captures(bench, [
                    Filing(path, one.instrument, one.setting, one.object, "one capture", note)
                    for path in named
                ])  # fmt: skip
            except OSError as error:
                raise Unusable(f"the views cannot be filed ({error.strerror})") from None
            finally:
                for path in named:
                    path.unlink(missing_ok=True)
            self._ended = True
            shutil.rmtree(self.folder, ignore_errors=True)
            return filed[0].name, len(paths)

    def throw_away(self) -> None:
        """Remove it with its tiles."""
        with self._lock:
            self._ended = True
            shutil.rmtree(self.folder, ignore_errors=True)

    @classmethod
    def read(cls, folder: Path) -> LiveMosaic:
        """One that was begun before. A tile that a kill left out of `map.json` becomes a held one.

        Raises `Unusable`.
        """
        try:
            data = json.loads((folder / "map.json").read_bytes())
            found = cls(folder, Shows(*(str(data[k]) for k in ("instrument", "setting", "object"))))
            known = {int(n): one for n, one in dict(data["tiles"]).items()}
            frame = (int(data["frame"][0]), int(data["frame"][1]))
            found._map = GrowingMap(lens_of(data.get("distortion", 0.0)))
        except (OSError, ValueError, KeyError, TypeError, IndexError):
            raise Unusable("this live mosaic cannot be read") from None
        found._frame = frame
        for path in sorted(folder.glob("tile-*.jpg")):
            number = int(path.stem[5:]) if path.stem[5:].isdecimal() else 0
            picture = _read(path, cv2.IMREAD_GRAYSCALE) if number else None
            if picture is None or frame not in ((0, 0), (picture.shape[1], picture.shape[0])):
                continue
            one = known.get(number, {})
            place = one.get("place")
            found._map.add(
                number, picture,
                Place(*(float(v) for v in place)) if place else None, soft=one.get("soft") is True,
            )  # fmt: skip
        found._map.ready()
        return found


def lens_of(stated: object) -> float:
    """The distortion that a kept map states; nothing where it cannot be one."""
    value = float(stated) if isinstance(stated, (int, float)) else 0.0
    return value if abs(value) <= MOST_BEND else 0.0


def _tile_name(number: int) -> str:
    return f"tile-{number:04d}.jpg"


def _read(path: Path, how: int) -> Stored | None:
    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError:
        return None
    picture = cv2.imdecode(data, how) if len(data) else None
    return None if picture is None else np.asarray(picture, np.uint8)


def way_of(step: tuple[float, float] | None) -> str:
    """The direction of the next view in words; empty when there is none."""
    if step is None:
        return ""
    x, y = step
    most = max(abs(x), abs(y))
    words = [
        word
        for word, far in (("up", -y), ("down", y), ("left", -x), ("right", x))
        if far > 0.4 * most
    ]
    return " and ".join(words)


class LiveMosaics:
    """All live mosaics of one bench folder. Raises `Unusable` where a link leads out of it."""

    def __init__(self, bench_folder: Path) -> None:
        self._bench = bench_folder
        self._folder = bench_folder / "results" / "live-mosaics"
        self._open: dict[str, LiveMosaic] = {}
        self._lock = threading.Lock()

    def begin(self, bench: Bench, shows: Shows) -> LiveMosaic:
        """A new one. Raises `Unusable` for a place or thing that the bench does not know."""
        bench.instrument(shows.instrument).setting(shows.setting)
        if bench.object(shows.object).kind != "chip":
            raise Unusable("a live mosaic is made of a chip; choose one under It shows")
        stamp = datetime.datetime.now().strftime("%Y%m%d-%H%M%S")
        folder = refuse_links(self._folder, self._bench) / f"{stamp}-{secrets.token_hex(4)}"
        made = LiveMosaic(folder, shows)
        with made._lock:
            made._write()
        self._hold(made)
        return made

    def one(self, name: str) -> LiveMosaic:
        """One that was begun. Raises `Unusable`."""
        with self._lock:
            if name in self._open:
                self._open[name] = self._open.pop(name)
                return self._open[name]
        if not re.fullmatch(r"\d{8}-\d{6}-[0-9a-f]{8}", name):
            raise Unusable("there is no such live mosaic")
        folder = refuse_links(self._folder / name, self._bench)
        if not folder.is_dir():
            raise Unusable("this live mosaic is filed or thrown away already")
        return self._hold(LiveMosaic.read(folder))

    def _hold(self, one: LiveMosaic) -> LiveMosaic:
        with self._lock:
            found = self._open.setdefault(one.name, one)
            while len(self._open) > MOST_OPEN:
                self._open.pop(next(iter(self._open)))
            return found

    def forget(self, name: str) -> None:
        """Let one go that has ended."""
        with self._lock:
            self._open.pop(name, None)

    def waiting(self) -> list[tuple[str, int]]:
        """Mosaics that are not filed, the latest first, each with how many views it has."""
        found = []
        with contextlib.suppress(OSError):
            for folder in refuse_links(self._folder, self._bench).iterdir():
                count = len(list(folder.glob("tile-*.jpg")))
                if count and not folder.is_symlink() and (folder / "map.json").is_file():
                    found.append((folder.name, count))
        return sorted(found, reverse=True)
