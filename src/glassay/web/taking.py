"""From the live picture into the bench: photos, sets of photos, and recordings."""

from __future__ import annotations

import datetime
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path

from glassay.bench.document.model import Bench
from glassay.bench.keeping.filing import Filing, file_captures
from glassay.disk import content_hash, refuse_links
from glassay.errors import Unusable
from glassay.web import limits
from glassay.web.contents import is_clip, media_type_of

SUFFIXES = {"image/png": ".png", "image/jpeg": ".jpg", "video/webm": ".webm", "video/mp4": ".mp4"}
"""What a browser hands over, by content."""


def file_taken(
    bench: Bench, pictures: Sequence[bytes], place: tuple[str, str], thing: str, note: str = ""
) -> str:
    """File pictures just taken as one capture, and return its id.

    `place` is instrument and setting. Raises `Unusable` when one is no PNG or JPEG, or when two are
    the same frame.
    """
    if not pictures:
        raise Unusable("no picture came")
    if len(set(pictures)) < len(pictures):
        raise Unusable("the camera delivered the same frame twice; take them again")
    with tempfile.TemporaryDirectory(dir=_room(bench)) as room:
        taken = datetime.datetime.now().strftime("%Y%m%d-%H%M%S")
        paths = []
        for number, data in enumerate(pictures, 1):
            suffix = SUFFIXES.get(media_type_of(data[:64]) or "", "")
            if suffix not in (".png", ".jpg"):
                raise Unusable("a picture taken must be PNG or JPEG")
            part = f"-{number}" if len(pictures) > 1 else ""
            paths.append(Path(room) / f"live-{taken}{part}{suffix}")
            paths[-1].write_bytes(data)
        if len(paths) > 1:
            _check_new(bench, paths)
        return file_captures(
            bench,
            [Filing(path, *place, thing, together="one capture", note=note) for path in paths],
        )[0].name


def file_recording(
    bench: Bench, recording: Path, place: tuple[str, str], thing: str, note: str
) -> str:
    """File a recording as one capture with a note, and return its id."""
    return file_captures(bench, [Filing(recording, *place, thing, note=note)])[0].name


def _check_new(bench: Bench, paths: Sequence[Path]) -> None:
    sizes = {path.stat().st_size: path for path in paths}
    for capture in bench.captures:
        for known in bench.paths(capture):
            taken = sizes.get(known.stat().st_size)
            if taken is not None and content_hash(taken) == content_hash(known):
                raise Unusable(
                    f"the camera delivered a frame that is filed already ({capture.id});"
                    " take them again"
                )


def _room(bench: Bench) -> Path:
    room = refuse_links(bench.results_folder / "incoming", bench.folder)
    room.mkdir(parents=True, exist_ok=True)
    return room


class Recording:
    """A recording that arrives piece by piece, in order."""

    def __init__(self, bench: Bench, session: str) -> None:
        if not re.fullmatch(r"[0-9a-f]{8,32}", session):
            raise Unusable("there is no such live view")
        taken = datetime.datetime.now().strftime("%Y%m%d-%H%M%S")
        self._room = _room(bench) / f"recording-{session}"
        self._room.mkdir(exist_ok=True)
        self._stem = f"clip-{taken}"
        self.path: Path | None = None
        self.pieces = 0
        self.bytes = 0

    def append(self, number: int, data: bytes) -> None:
        """Add a piece. Raises `Unusable` when it is not the next one, no clip, or too much."""
        if number != self.pieces:
            raise Unusable("a piece of the recording is missing")
        if self.bytes + len(data) > limits.MAX_RECORDING_BYTES:
            raise Unusable("the recording is as long as it may be")
        if self.path is None:
            media = media_type_of(data[:64])
            if not is_clip(media) or media not in SUFFIXES:
                raise Unusable("this is no recording that browsers make")
            self.path = self._room / f"{self._stem}{SUFFIXES[media]}"
        with self.path.open("ab") as stream:
            stream.write(data)
        self.pieces += 1
        self.bytes += len(data)

    def forget(self) -> None:
        """Remove the file."""
        if self.path is not None:
            self.path.unlink(missing_ok=True)
        self._room.rmdir()
