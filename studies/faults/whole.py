"""Whether a place is whole: what a fault may never leave behind."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path

from PIL import Image

from glassay.bench.document.read import load_bench
from glassay.bench.keeping.marks import read_marks
from glassay.bench.keeping.store import RESULT, checksum_after
from glassay.errors import GlassayError


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def files_of(place: Path) -> list[Path]:
    """Every file that is no half-written (`.partial` of the array library) or hidden one."""
    found = (p for p in sorted(place.rglob("*")) if p.is_file() and p.suffix != ".partial")
    return [p for p in found if not any(q.startswith(".") for q in p.relative_to(place).parts)]


def broken(place: Path, start: Path, photos: Path) -> Iterator[str]:
    """What is not whole in `place`, which began as `start`; captures come from `photos`."""
    known = {digest(path) for path in photos.iterdir()}
    for path in files_of(start / "captures"):
        now = place / "captures" / path.relative_to(start / "captures")
        if not now.is_file() or digest(now) != digest(path):
            yield f"{now.name} is not the capture that it was"
    for path in files_of(place / "captures"):
        if digest(path) not in known:
            yield f"{path.name} is no whole capture"
    try:
        load_bench(place)
        read_marks(place)
    except GlassayError as error:
        yield f"no bench: {error}"
    for path in files_of(place):
        inside = path.relative_to(place).parts
        # An upload counts once its note is written; what a kill left without one is never shown.
        waits = "incoming" in inside and path.suffix != ".json"
        if inside[0] != "captures" and not (waits and not _is_noted(path)):
            yield from _broken_file(path)


def _is_noted(path: Path) -> bool:
    return any(one.with_suffix(".json").is_file() for one in (path, path.parent))


def _broken_file(path: Path) -> Iterator[str]:
    try:
        if path.parent.name == "measured":
            text = path.read_bytes()
            data = json.loads(text)
            if data["checksum"] != checksum_after(RESULT, text) or data["key"] != path.stem:
                yield f"{path.name} is no whole result"
        elif path.suffix == ".json":
            json.loads(path.read_bytes())
        elif path.suffix == ".html" and not path.read_text().rstrip().endswith("</html>"):
            yield f"{path.name} is cut off"
        elif path.suffix == ".zip":
            with zipfile.ZipFile(path) as archive:
                if archive.testzip() is not None:
                    yield f"{path.name} is damaged"
        elif path.suffix in (".png", ".jpg"):
            with Image.open(path) as image:
                image.load()
        elif path.stat().st_size == 0:
            yield f"{path.name} is empty"
    except (OSError, ValueError, KeyError, zipfile.BadZipFile) as error:
        yield f"{path.name}: {type(error).__name__}: {error}"


SET_ASIDE = ("contents.json", "incoming", "tiles", "history")
"""What may differ between two good ends: what this computer noted for itself, and what waits."""


def end_of(place: Path) -> dict[str, str]:
    """The files that tell how an act ended, with what is in them."""
    return {
        path.relative_to(place).as_posix(): digest(path)
        for path in files_of(place)
        if not set(SET_ASIDE) & set(path.relative_to(place).parts)
    }
