"""Recordings of the live picture: they come in pieces, are filed, and found again when they were not.

Each piece is on disk before the browser is told so. What a page that was closed, a full disk or a
workbench that ended left behind waits among the uploads, like photos that were handed over.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import re
import threading
import time
from pathlib import Path

from glassay.bench.document.model import Bench
from glassay.bench.keeping.filing import Filing, file_captures
from glassay.disk import refuse_links
from glassay.errors import Unusable
from glassay.web import limits
from glassay.web.contents import is_clip, media_type_of
from glassay.web.incoming import Incoming

SUFFIXES = {"video/webm": ".webm", "video/mp4": ".mp4"}
"""What browsers record, by content."""
LEFT_AFTER_S = 20.0
"""A recording of which no piece came for so long has been left: pieces come every second, and a page
that fails to hand one over tries for a few seconds more."""


class Recording:
    """A recording that arrives piece by piece, in order. Safe from several threads."""

    def __init__(self, room: Path) -> None:
        self._room = room
        self._room.mkdir(exist_ok=True)
        self._stem = datetime.datetime.now().strftime("clip-%Y%m%d-%H%M%S")
        self._lock = threading.Lock()
        self._last = ""
        self.path: Path | None = None
        self.pieces = 0
        self.bytes = 0

    def append(self, number: int, data: bytes) -> None:
        """Add a piece; one that came already is taken once. Raises `Unusable` when it is not the next
        one, no clip, too much, or cannot be written; what was kept before stays as it was."""
        with self._lock:
            mark = _mark(data)
            if number == self.pieces - 1 and mark == self._last:
                return  # the answer to it was lost
            if number != self.pieces:
                raise Unusable("a piece of the recording is missing")
            if self.bytes + len(data) > limits.MAX_RECORDING_BYTES:
                raise Unusable("the recording is as long as it may be")
            if self.path is None:
                self.path = self._room / f"{self._stem}{_suffix(data)}"
            self._write(self.path, data)
            self._last = mark
            self.pieces += 1
            self.bytes += len(data)

    def _write(self, path: Path, data: bytes) -> None:
        try:
            with path.open("ab") as stream:
                stream.truncate(self.bytes)  # of a piece that failed before
                stream.write(data)
        except OSError as error:
            raise Unusable(
                f"a piece of the recording cannot be written: {error.strerror or error}"
            ) from None

    def begins_with(self, data: bytes) -> bool:
        """Whether this may be its first piece, come for the first time or again."""
        return not self.pieces or (self.pieces == 1 and _mark(data) == self._last)

    def forget(self) -> None:
        """Remove the file."""
        if self.path is not None:
            self.path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            self._room.rmdir()


def _mark(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _suffix(data: bytes) -> str:
    media = media_type_of(data[:64])
    if not is_clip(media) or media not in SUFFIXES:
        raise Unusable("this is no recording that browsers make")
    return SUFFIXES[media]


class Recordings:
    """All recordings of one bench, by the name that a live page goes by. Safe from several threads."""

    def __init__(self, bench_folder: Path) -> None:
        self._bench = bench_folder
        self._lock = threading.Lock()
        self._open: dict[str, Recording] = {}

    def append(self, session: str, piece: int, data: bytes) -> int:
        """Keep a piece, of which number 0 begins a recording; the bytes kept. Raises `Unusable`."""
        with self._lock:
            found = self._open.get(session)
            if piece == 0 and not (found and found.begins_with(data)):
                if found is not None:  # not filed before the page began anew
                    self._hand_over(found.path)
                found = self._open[session] = Recording(self._room(session))
        if found is None:
            raise Unusable("this recording was not begun here")
        found.append(piece, data)
        return found.bytes

    def _room(self, session: str) -> Path:
        if not re.fullmatch(r"[0-9a-f]{8,32}", session):
            raise Unusable("there is no such live view")
        room = refuse_links(self._folder() / f"recording-{session}", self._bench)
        room.parent.mkdir(parents=True, exist_ok=True)
        return room

    def _folder(self) -> Path:
        return refuse_links(self._bench / "results" / "incoming", self._bench)

    def file(
        self, session: str, bench: Bench, place: tuple[str, str], thing: str, note: str
    ) -> str:
        """File a recording as one capture with a note, and return its id. Raises `Unusable`; the
        recording stays then, and can be filed again."""
        with self._lock:
            kept = self._open.pop(session, None)  # asked for twice at once, it is filed once
        if kept is None or kept.path is None:
            raise Unusable("there is no such recording (any more); see what waits under Captures")
        try:
            name = file_captures(bench, [Filing(kept.path, *place, thing, note=note)])[0].name
        except BaseException:
            with self._lock:
                self._open.setdefault(session, kept)
            raise
        kept.forget()
        return name

    def hand_over_left(self) -> None:
        """Put what was left behind among the uploads that wait."""
        with self._lock:
            folder = self._folder()
            for room in sorted(folder.glob("recording-*")) if folder.is_dir() else ():
                if room.is_symlink() or _is_fresh(room):
                    continue
                self._open.pop(room.name.removeprefix("recording-"), None)
                for path in sorted(room.iterdir()):
                    self._hand_over(path)

    def _hand_over(self, path: Path | None) -> None:
        if path is None or path.is_symlink() or not path.is_file():
            return
        incoming = Incoming(self._bench)
        incoming.take(incoming.begin(), path.name, path)
        with contextlib.suppress(OSError):
            path.parent.rmdir()


def _is_fresh(room: Path) -> bool:
    """Whether a piece came a short time ago, here or to another workbench of the same bench."""
    with contextlib.suppress(OSError):
        seen = max(one.stat().st_mtime for one in (room, *room.iterdir()))
        return abs(time.time() - seen) < LEFT_AFTER_S
    return True
