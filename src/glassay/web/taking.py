"""From the live picture into the bench: photos and sets of photos."""

from __future__ import annotations

import datetime
import tempfile
from collections.abc import Sequence
from pathlib import Path

from glassay.bench.document.model import Bench
from glassay.bench.keeping.filing import Filing, file_captures
from glassay.disk import content_hash, refuse_links
from glassay.errors import Unusable
from glassay.web.contents import media_type_of

SUFFIXES = {"image/png": ".png", "image/jpeg": ".jpg"}
"""What a live page hands over, by content."""


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
            suffix = SUFFIXES.get(media_type_of(data[:64]) or "")
            if suffix is None:
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
