"""Uploads that wait to be confirmed, under `results/incoming/`; one folder for each batch.

A file is looked at once, when it arrives: whether it can be filed, and as a small picture. File number
3 of a batch lies in `3/` under its own name, what was found in `3.json`, the picture in `3.jpg`.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import secrets
import shutil
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from PIL import Image, ImageOps

from glassay.bench.document.model import Bench
from glassay.bench.keeping.filing import Suggestion, check_source, in_order, suggest
from glassay.disk import refuse_links, write_atomically
from glassay.errors import Unusable
from glassay.imaging import read_photo
from glassay.imaging.apart import check_apart
from glassay.imaging.memory import check_size
from glassay.report.pictures import for_screen
from glassay.web import limits
from glassay.web.contents import is_clip, media_type
from glassay.web.looks import Looks
from glassay.web.tiles import jpeg

THUMBNAIL_PX = 320
LARGE_BYTES = 2_000_000
"""JPEGs from this size on are first shown small, from an eighth of their data, and looked at whole
when no more come: twenty photos of 27 megapixels are seen after 6 s instead of 14 (two busy cores)."""
PICTURE_SOON_S = 20.0
"""How long a small picture is waited for that is still being made."""


@dataclass(frozen=True)
class Waiting:
    """One uploaded file: where it lies, how the browser named it, and what is wrong with it."""

    number: int
    path: Path
    named: str
    trouble: str
    is_clip: bool

    def suggestion(self, bench: Bench) -> Suggestion:
        """What the file's name and the folders it came from suggest."""
        return suggest(bench, Path("/") / self.named)


class Incoming:
    """The batches of one bench. Raises `Unusable` where a link leads out of the bench."""

    def __init__(self, bench_folder: Path, looks: Looks | None = None) -> None:
        """With `looks`, large photos are looked at in the background."""
        self._bench = bench_folder
        self._folder = bench_folder / "results" / "incoming"
        self._looks = looks

    def begin(self) -> str:
        """A new batch, without files yet. What has waited for too long is removed."""
        self._clear_old()
        batch = secrets.token_hex(8)
        self._batch(batch).mkdir(parents=True)
        return batch

    def receive(self, named: Iterable[tuple[str, BinaryIO]]) -> str:
        """Keep files and return their batch's name. Raises `Unusable` when there are none; what
        stops it half-way leaves nothing."""
        batch = self.begin()
        try:
            kept = [self._keep(batch, name, _copied(stream)) for name, stream in named]
            if not kept:
                raise Unusable("no file was chosen")
            for one in kept:
                self._look(*one)
        except BaseException:
            shutil.rmtree(self._batch(batch), ignore_errors=True)
            raise
        return batch

    def add(self, batch: str, name: str, stream: BinaryIO) -> Waiting:
        """Keep one more file of a batch."""
        return self._look(*self._keep(batch, name, _copied(stream)))

    def take(self, batch: str, name: str, whole: Path) -> Waiting:
        """Make a file that lies in the batch's folder already one of its files."""
        return self._look(*self._keep(batch, name, lambda place: os.replace(whole, place)))

    def folder_of(self, batch: str) -> Path:
        """Where a batch lies. Raises `Unusable` when there is no such batch (any more)."""
        folder = self._batch(batch)
        if not folder.is_dir():
            raise Unusable("this upload is no longer there; please choose the files again")
        return folder

    def _keep(self, batch: str, name: str, fill: Callable[[Path], object]) -> tuple[Path, str]:
        folder, shown = self.folder_of(batch), plain_name(name)
        number = 0
        while True:  # several files of one batch may arrive at the same time
            try:
                (folder / str(number)).mkdir()
                break
            except FileExistsError:
                number += 1
        place = folder / str(number) / PurePosixPath(shown).name
        try:
            fill(place)
        except BaseException:
            shutil.rmtree(place.parent, ignore_errors=True)
            raise
        return place, shown

    def _look(self, path: Path, named: str) -> Waiting:
        if self._looks is None or not _shown_small(path):
            return self._look_whole(path, named)
        found = _noted(path, named, trouble="", clip=False)
        self._looks.begin(path, lambda: self._look_whole(path, named))
        return found

    def _look_whole(self, path: Path, named: str) -> Waiting:
        clip, trouble = False, ""
        try:
            media = media_type(path)
            clip = is_clip(media)
            if media is None:
                raise Unusable("this is no photo and no clip, going by its content")
            if clip:
                check_source(path)
            else:
                if path.stat().st_size < LARGE_BYTES:  # bombs are small; to look twice costs little
                    check_apart(path)
                small = for_screen(read_photo(path), THUMBNAIL_PX)
                write_atomically(path.parent.with_suffix(".jpg"), jpeg(small))
        except (Unusable, OSError) as error:
            trouble = str(error)
        return _noted(path, named, trouble, clip)

    def settle(self, batch: str, seconds: float) -> None:
        """Until all files of a batch are looked at, at most so long."""
        if self._looks is not None:
            self._looks.wait_for(self.folder_of(batch), seconds)

    def waiting(self, batch: str) -> tuple[Waiting, ...]:
        """The files of a batch by name, as people count: several are sent at once, so that they arrive
        in any order. Raises `Unusable` when there is no such batch (any more)."""
        folder = self.folder_of(batch)
        numbers = sorted(int(one.stem) for one in folder.glob("*.json") if one.stem.isdecimal())
        there = [found for n in numbers if (found := self._found(folder, n)) is not None]
        return tuple(sorted(there, key=lambda one: in_order(Path(one.named))))

    def _found(self, folder: Path, number: int) -> Waiting | None:
        try:
            known = json.loads((folder / f"{number}.json").read_bytes())
            named = plain_name(str(known["name"]))
            path = refuse_links(folder / str(number) / PurePosixPath(named).name, self._bench)
            return Waiting(number, path, named, str(known["trouble"]), known["clip"] is True)
        except (OSError, ValueError, KeyError, TypeError):  # another program has just removed it
            return None

    def batches(self) -> list[tuple[str, int]]:
        """Batches with files that wait, the latest first, each with how many."""
        found = []
        folder = refuse_links(self._folder, self._bench)
        for one in folder.iterdir() if folder.is_dir() else ():
            if re.fullmatch(r"[0-9a-f]{16}", one.name) and not one.is_symlink():
                count = sum(path.stem.isdecimal() for path in one.glob("*.json"))
                if count:
                    found.append((one.stat().st_mtime, one.name, count))
        return [(name, count) for _, name, count in sorted(found, reverse=True)]

    def thumbnail(self, batch: str, number: int) -> bytes:
        """The small picture of one file. Raises `Unusable` when there is none."""
        if not 0 <= number < 10 * limits.MAX_UPLOAD_FILES:
            raise Unusable("there is no such file in this upload")
        folder = self.folder_of(batch)
        path = refuse_links(folder / f"{number}.jpg", self._bench)
        if self._looks is not None and not path.exists():
            self._looks.wait_for(folder / str(number), PICTURE_SOON_S)
        try:
            return path.read_bytes()
        except OSError:
            raise Unusable("there is no picture of this file") from None

    def forget(self, batch: str, numbers: Iterable[int] | None = None) -> None:
        """Remove a batch, or these files of it; what came meanwhile stays."""
        folder = self._batch(batch)
        if numbers is None:
            shutil.rmtree(folder, ignore_errors=True)
            return
        for number in numbers:
            for suffix in (".json", ".jpg"):
                (folder / f"{number}{suffix}").unlink(missing_ok=True)
            shutil.rmtree(folder / str(number), ignore_errors=True)
        if not any(folder.iterdir() if folder.is_dir() else ()):
            shutil.rmtree(folder, ignore_errors=True)

    def _batch(self, batch: str) -> Path:
        if not re.fullmatch(r"[0-9a-f]{16}", batch):
            raise Unusable("there is no such upload")
        return refuse_links(self._folder / batch, self._bench)

    def _clear_old(self) -> None:
        folder = refuse_links(self._folder, self._bench)
        for one in folder.iterdir() if folder.is_dir() else ():
            if one.is_symlink() or not one.is_dir() or one.name.startswith("recording-"):
                continue  # recordings that were left are put among the uploads first
            if time.time() - one.stat().st_mtime > limits.UPLOAD_KEPT_S:
                shutil.rmtree(one, ignore_errors=True)


def _shown_small(path: Path) -> bool:
    """Make the small picture of a large JPEG quickly; False for other files, and where it fails."""
    with contextlib.suppress(Exception):  # of many kinds; the whole look tells what it is
        if path.stat().st_size < LARGE_BYTES or media_type(path) != "image/jpeg":
            return False
        with Image.open(path, formats=("JPEG",)) as image:
            check_size(*image.size, 3)
            image.draft("RGB", (THUMBNAIL_PX, THUMBNAIL_PX))
            small = ImageOps.exif_transpose(image.convert("RGB"))
            small.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX))
            data = io.BytesIO()
            small.save(data, "JPEG", quality=limits.TILE_QUALITY)
        write_atomically(path.parent.with_suffix(".jpg"), data.getvalue())
        return True
    return False


def _noted(path: Path, named: str, trouble: str, clip: bool) -> Waiting:
    found = {"name": named, "trouble": trouble, "clip": clip}
    note = path.parent.with_suffix(".json")
    write_atomically(note, json.dumps(found).encode())
    if not path.exists():  # forgotten meanwhile
        note.unlink(missing_ok=True)
        note.with_suffix(".jpg").unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            note.parent.rmdir()
    return Waiting(int(path.parent.name), path, named, trouble, clip)


def _copied(stream: BinaryIO) -> Callable[[Path], object]:
    def fill(place: Path) -> None:
        with place.open("xb") as target:
            shutil.copyfileobj(stream, target, 1 << 20)

    return fill


def plain_name(name: str) -> str:
    """A browser's file name, with at most its last folders, that cannot lead anywhere else."""
    parts = [
        re.sub(r'[:*?"<>|\x00-\x1f\x7f]', "_", part).strip()[-120:]
        for part in name.encode("utf-8", "replace").decode().replace("\\", "/").split("/")
    ]
    kept = [part for part in parts if part not in ("", ".", "..")]
    return "/".join(kept[-4:]) or "capture"
