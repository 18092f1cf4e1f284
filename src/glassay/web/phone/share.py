"""What one opened door holds: who is in, what has come, and until when."""

from __future__ import annotations

import os
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from glassay.errors import Unusable
from glassay.web import limits
from glassay.web.contents import HEAD_BYTES, media_type_of
from glassay.web.incoming import Incoming, plain_name
from glassay.web.keys import Keys


class Elsewhere(Unusable):
    """A piece does not continue what is there; `at` says where it goes on."""

    def __init__(self, at: int) -> None:
        self.at = at
        super().__init__("this piece does not go on where the last one ended")


@dataclass
class Arriving:
    """A file that comes in pieces."""

    name: str
    size: int
    path: Path
    batch: str
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def at(self) -> int:
        """How much of it is there."""
        try:
            return self.path.stat().st_size
        except OSError:
            return 0


class Share:
    """The uploads of one opened door, for `seconds`. Safe from several threads."""

    def __init__(
        self, bench_folder: Path, seconds: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._incoming = Incoming(bench_folder)
        self._clock = clock
        self._until = clock() + seconds
        self._lock = threading.Lock()
        self._arriving: dict[str, Arriving] = {}
        self._devices: dict[str, str] = {}
        self._batch = ""
        self._begun = 0
        self._bytes = 0
        self.entry = secrets.token_urlsafe(24)
        self._keys = Keys(self.entry)
        self.taken = 0

    @property
    def seconds_left(self) -> float:
        """Until it ends by itself; 0 afterwards."""
        return max(0.0, self._until - self._clock())

    def end(self) -> None:
        """End it now."""
        self._until = self._clock()

    @property
    def batch(self) -> str:
        """The batch that the last files went to; "" before the first."""
        return self._batch

    # ---- who is in -------------------------------------------------------------------------------

    def another_entry(self) -> str:
        """A fresh code, for one more device."""
        self.entry = self._keys.another_entry()
        return self.entry

    def let_in(self, entry: str, address: str) -> str | None:
        """The cookie for the first device that shows this code; it is good from its address only."""
        cookie = self._keys.spend(entry)
        if cookie is not None:
            self._devices[str(self._keys.browser(cookie))] = address
        return cookie

    def is_in(self, cookie: str, address: str) -> bool:
        """Whether this cookie was given to a device at this address."""
        device = self._keys.browser(cookie)
        return device is not None and self._devices.get(device) == address

    # ---- what comes ------------------------------------------------------------------------------

    def begin(self, name: str, size: int, key: str) -> tuple[str, int]:
        """Announce a file; returns its id and how much of it is there already: the same file, told by
        `key`, goes on where it was broken off. Raises `Unusable` beyond the limits."""
        if not 1 <= size <= limits.MAX_PHONE_FILE_BYTES:
            raise Unusable(f"one file may hold {limits.MAX_PHONE_FILE_BYTES // 10**6} MB at most")
        with self._lock:
            for known, one in self._arriving.items():
                if (known.partition("-")[2], one.size) == (key, size):
                    return known, one.at
            if self._begun >= limits.MAX_PHONE_FILES:
                raise Unusable(f"{limits.MAX_PHONE_FILES} files are as many as are taken")
            if self._bytes + size > limits.MAX_PHONE_BYTES:
                raise Unusable(f"{limits.MAX_PHONE_BYTES // 10**9} GB are as much as is taken")
            self._begun += 1
            self._bytes += size
            batch = self._present_batch()
            known = f"{secrets.token_hex(8)}-{key}"
            path = self._incoming.folder_of(batch) / f"{known[:16]}.part"
            self._arriving[known] = Arriving(plain_name(name).rpartition("/")[2], size, path, batch)
            return known, 0

    def _present_batch(self) -> str:
        try:
            self._incoming.folder_of(self._batch)
        except Unusable:  # none yet, or filed meanwhile
            self._batch = self._incoming.begin()
        return self._batch

    def add(self, known: str, at: int, data: bytes) -> bool:
        """Add a piece; True when that was the last one. Raises `Elsewhere` where it does not go on,
        and `Unusable` for what is no photo and no clip."""
        one = self._arriving.get(known)
        if one is None:
            raise Unusable("this file was not announced")
        with one.lock:
            if at != one.at:
                raise Elsewhere(one.at)
            if at + len(data) > one.size:
                raise Unusable("this is more than was announced")
            if at == 0 and media_type_of(data[:HEAD_BYTES]) is None:
                self._give_up(known)
                raise Unusable("this is no photo and no clip, going by its content")
            one.path.parent.mkdir(exist_ok=True)  # the batch may have been filed or forgotten
            with one.path.open("ab") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            if one.at < one.size:
                return False
            self._incoming.take(one.batch, one.name, one.path)
            with self._lock:
                self._arriving.pop(known, None)
                self.taken += 1
            return True

    def _give_up(self, known: str) -> None:
        with self._lock:
            one = self._arriving.pop(known, None)
            if one is not None:
                one.path.unlink(missing_ok=True)
                self._begun -= 1
                self._bytes -= one.size
