"""Writing so that a kill at any moment leaves either the old file or the new one, whole."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import shutil
import unicodedata
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import BinaryIO

from glassay.errors import Unusable

PART_SUFFIX = ".part"
"""Suffix of files that are being written; those left behind by a kill may be deleted."""


def write_atomically(path: Path, data: bytes) -> None:
    """Write beside, flush, rename over. Raises `Unusable` when the folder cannot be written."""
    _write(path, lambda stream: stream.write(data), os.replace)


def write_stream_atomically(path: Path, fill: Callable[[BinaryIO], object]) -> None:
    """Like `write_atomically`, for what is too large to be held: `fill` writes into a stream."""
    _write(path, fill, os.replace)


def copy_new(source: Path, target: Path) -> None:
    """Copy a file byte for byte to a path that must not exist yet.

    Raises FileExistsError when it does (also when it appeared meanwhile), and `Unusable` when the
    file cannot be read or the folder not written.
    """

    def link_new(part: str, final: Path) -> None:
        try:
            os.link(part, final)  # unlike a rename, this fails when the name is taken
        except FileExistsError:
            raise
        except OSError:  # a file system without links
            with final.open("xb"):
                pass
            os.replace(part, final)

    def copy(stream: BinaryIO) -> None:
        with source.open("rb") as original:
            shutil.copyfileobj(original, stream, 1 << 20)

    _write(target, copy, link_new)


def _write(
    path: Path, fill: Callable[[BinaryIO], object], settle: Callable[[str, Path], None]
) -> None:
    # A name of its own for each write: two threads may write one file at the same time.
    part = path.with_name(f".{path.name[:80]}.{os.getpid()}-{secrets.token_hex(4)}{PART_SUFFIX}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("xb") as stream:
            fill(stream)
            stream.flush()
            os.fsync(stream.fileno())
        settle(str(part), path)
        _sync_folder(path.parent)
    except FileExistsError:
        if path.is_file():
            raise
        raise Unusable(f"{path.parent} is no folder that can be written to") from None
    except OSError as error:
        raise Unusable(f"{path} cannot be written ({error.strerror})") from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):  # not every system can flush a folder
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def refuse_links(path: Path, within: Path) -> Path:
    """`path` itself, which lies in the folder `within`. Raises `Unusable` where it, or a folder on the
    way to it, is a link: what is kept there is written over and removed, and a link leads elsewhere."""
    for place in (path, *path.parents):
        if place == within:
            return path
        if place.is_symlink():
            raise Unusable(f"{place} is a link; what is kept there must lie in {within} itself")
    raise Unusable(f"{path} does not lie in {within}")


def content_hash(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal. Raises `Unusable` when it cannot be read."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise Unusable(f"{path} cannot be read ({error.strerror})") from None


def check_output(path: Path, inputs: Iterable[Path], bench_captures: Path | None = None) -> None:
    """Raise `Unusable` where writing `path` could harm what was photographed.

    That is when it is one of the `inputs` (by name, link or hard link; names that differ only in
    case or in how an accented letter is composed are one, as they are on some file systems), or
    lies in a bench's `captures/`: in `bench_captures`, or in a folder of that name beside a
    `bench.toml`.
    """
    try:
        places = (Path(os.path.abspath(path)), path.resolve())
    except (OSError, RuntimeError):  # links that lead in a circle
        raise Unusable(f"{path}: cannot be written (links that lead nowhere)") from None
    for given in inputs:
        if is_same_place(path, given):
            raise Unusable(f"{path} would be written over {given}, which is read here")
    for place in places:
        for folder in (place, *place.parents):
            kept = folder.name.casefold() == CAPTURES and _exists(folder.parent / "bench.toml")
            if kept or (bench_captures is not None and _is_same(folder, bench_captures)):
                raise Unusable(f"{path} would be written into {folder}, which holds only captures")


def is_same_place(path: Path, given: Path) -> bool:
    """Whether a file written as `path` would be `given`: by name, link or hard link.

    Names that differ only in case or in how an accented letter is composed count as one.
    """
    places = (Path(os.path.abspath(path)), path.resolve())
    return _is_same(path, given) or any(_is_one_name(place, given) for place in places)


CAPTURES = "captures"
"""Name of the folder of a bench in which nothing but captures is ever written."""


def _exists(path: Path) -> bool:
    with contextlib.suppress(OSError):
        return path.exists()
    return False


def _is_same(one: Path, other: Path) -> bool:
    with contextlib.suppress(OSError):  # one of them does not exist
        return one.samefile(other)
    return False


def _is_one_name(place: Path, given: Path) -> bool:
    other = Path(os.path.abspath(given))
    folders = place.parent == other.parent or _is_same(place.parent, other.parent)
    return folders and _plain_name(place) == _plain_name(other)


def _plain_name(path: Path) -> str:
    """The name as file systems that tell neither case nor composition apart would hold it."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", path.name).casefold())


def put_in_place(part: Path, folder: Path) -> None:
    """Give a folder made beside its name; what had the name before goes when that is done."""
    before = folder.with_name(f".{folder.name}-before{PART_SUFFIX}")
    shutil.rmtree(before, ignore_errors=True)
    if folder.exists():
        folder.rename(before)
    part.rename(folder)
    shutil.rmtree(before, ignore_errors=True)
