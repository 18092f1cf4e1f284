"""Who has been let in: addresses that let in once, browsers that came by one, and a key for scripts.

Three secrets that never stand for one another. The address that `glassay open` prints is seen by other
programs (it is an argument of the browser's process, and lies in its history), so it lets in once. The
cookie that a browser gets for it is sent to every port of this computer, so it counts only with the
headers that browsers alone set (see `guard`), never as a bearer's key. That key is made only when asked
for.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections import OrderedDict
from collections.abc import Iterable

MOST_BROWSERS = 60
"""Browsers remembered; the one let in first goes first."""
MOST_ENTRIES = 20
"""Addresses that wait to be used; the oldest goes first."""


class Keys:
    """The secrets of one workbench, kept in memory as hashes only. Safe from several threads."""

    def __init__(self, entry: str, script_key: str | None = None) -> None:
        self._lock = threading.Lock()
        self._entries = OrderedDict({_hash(entry): True})
        self._spent: OrderedDict[bytes, bool] = OrderedDict()
        self._browsers: OrderedDict[bytes, str] = OrderedDict()
        self._script = None if script_key is None else _hash(script_key)

    def another_entry(self) -> str:
        """A fresh secret for an address that lets in once."""
        entry = secrets.token_urlsafe(24)
        with self._lock:
            self._entries[_hash(entry)] = True
            _forget_oldest(self._entries, MOST_ENTRIES)
        return entry

    def spend(self, entry: str) -> str | None:
        """The cookie for a browser that came by this entry; None where it does not let in (any
        more)."""
        with self._lock:
            if self._entries.pop(_hash(entry), None) is None:
                return None
            self._spent[_hash(entry)] = True
            _forget_oldest(self._spent, MOST_BROWSERS)
            cookie = secrets.token_urlsafe(24)
            self._browsers[_hash(cookie)] = secrets.token_hex(8)
            _forget_oldest(self._browsers, MOST_BROWSERS)
            return cookie

    def was_spent(self, entry: str) -> bool:
        """Whether this entry let a browser in before."""
        with self._lock:
            return _hash(entry) in self._spent

    def browser(self, cookie: str) -> str | None:
        """A name, not secret, for the browser with this cookie; None where it has not been let in."""
        with self._lock:
            return self._browsers.get(_hash(cookie))

    def is_script_key(self, key: str) -> bool:
        """Whether a script may ask with this key."""
        return self._script is not None and hmac.compare_digest(_hash(key), self._script)


def _hash(secret: str) -> bytes:
    """Looked up by hash: how long that takes tells nothing of the secret."""
    return hashlib.sha256(secret.encode("utf-8", "surrogateescape")).digest()


def _forget_oldest(kept: OrderedDict[bytes, bool] | OrderedDict[bytes, str], most: int) -> None:
    while len(kept) > most:
        kept.popitem(last=False)


def cookies_of(header: str, name: str) -> Iterable[str]:
    """Every value that a Cookie header has for a name: a page of another port may have set one too."""
    for part in header.split(";"):
        key, equals, value = part.strip().partition("=")
        if equals and key == name:
            yield value
