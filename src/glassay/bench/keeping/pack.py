"""One archive of a bench: captures, results, versions and checksums; and checking it again.

The archive is a plain zip. `MANIFEST.json` lists every file with its length and SHA-256, and the
versions that made the results. The same bench gives the same bytes: names are sorted and time
stamps fixed.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.metadata
import json
import platform
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from glassay import __version__
from glassay.bench.document.chip_mosaics import is_die, mosaic_files
from glassay.bench.document.die_notes import notes_file
from glassay.bench.document.filed import CHECKSUMS_FILE
from glassay.bench.document.model import Bench
from glassay.bench.document.read import FILE_NAME
from glassay.bench.document.read_die_notes import read_die_notes
from glassay.bench.keeping.store import DAMAGED, DRAWN_FOLDER, MOSAICS_FOLDER
from glassay.bench.measuring.assemble import (
    RESULTS_FILE,
    current_keys,
    read_results,
    results_as_json,
)
from glassay.bench.measuring.methods import METHODS
from glassay.disk import PART_SUFFIX, content_hash, write_stream_atomically
from glassay.errors import Unusable
from glassay.mosaic_files import NUMBERS, without_paths

MANIFEST = "MANIFEST.json"
FORMAT = 1
BLOCK = 1 << 20
FIXED_TIME = (1980, 1, 1, 0, 0, 0)
"""Time stamp of every member (the earliest that zip knows), so that equal benches pack equally."""


SKIPPED = frozenset({".git", "__pycache__", DRAWN_FOLDER, MOSAICS_FOLDER})
INDEX_FILE = "shelf.sqlite"
"""Index of many benches, which may lie in one's results."""


@dataclass(frozen=True)
class Packed:
    """What was packed: the archive, how many files and bytes, and the archive's own SHA-256."""

    path: Path
    files: int
    bytes: int
    sha256: str


def pack(bench: Bench, target: Path) -> Packed:
    """Write the archive of a bench whose captures are all measured.

    Raises `Unusable` when a capture is not measured yet (run the bench first), the target lies in
    the bench's results or cannot be written, or a file of the bench cannot be read.
    """
    results = read_results(bench)
    waiting = results.not_run
    if waiting or not (bench.results_folder / RESULTS_FILE).is_file():
        missing = f"{waiting[0]} and others are" if len(waiting) > 1 else (
            f"{waiting[0]} is" if waiting else "the results are"
        )  # fmt: skip
        raise Unusable(f"{missing} not measured yet; run `glassay run {bench.folder}` first")
    inside = _files_of(bench, target)
    # What the archive says is what the kept measurements give now, not what an older run wrote.
    fresh = _as_text(results_as_json(results))
    derived = {f"results/{RESULTS_FILE}": fresh.encode(), **_without_paths(inside)}
    manifest = _manifest(inside, derived)

    def fill(stream: IO[bytes]) -> None:
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
            _add(archive, MANIFEST, _as_text(manifest).encode())
            for name, data in derived.items():
                _add(archive, name, data)
            for name, path in inside.items():
                if name not in derived:
                    _add_file(archive, name, path)

    write_stream_atomically(target, fill)
    files = manifest["files"]
    total = sum(int(one["bytes"]) for one in files)
    return Packed(target, len(files), total, content_hash(target))


def _files_of(bench: Bench, target: Path) -> dict[str, Path]:
    """Files of the archive by name: the document, what it names, and everything measured."""
    folder = bench.folder
    names = {FILE_NAME}
    names |= {name for capture in bench.captures for name in capture.files}
    names |= {name for one in bench.instruments for part in one.teardown for name in part.photos}
    if (folder / CHECKSUMS_FILE).is_file():
        names.add(CHECKSUMS_FILE)
    chips = [one.id for one in bench.objects if is_die(one)]
    noted = [path for chip in chips if (path := notes_file(folder, chip)) is not None]
    names |= {path.relative_to(folder).as_posix() for path in noted}
    names |= {name for path in noted for name in _layers_of(path, folder)}
    mosaics = [path for chip in chips for path in mosaic_files(folder, chip)]
    names |= {path.relative_to(folder).as_posix() for path in mosaics}
    found = {name: folder / name for name in sorted(names)}
    results, current = bench.results_folder, current_keys(bench)
    for path in sorted(results.rglob("*")):
        relative = path.relative_to(folder)
        outdated = path.parent.name == "measured" and path.stem not in current
        indexed = path.name.startswith(INDEX_FILE)  # of this machine's folders
        half = path.suffix == PART_SUFFIX
        hidden = outdated or half or indexed or SKIPPED & set(relative.parts)
        # Hashes of contents are kept under this machine's paths; they are of no use elsewhere.
        if path.is_file() and not hidden and path.name != "contents.json":
            found[relative.as_posix()] = path
    if target.resolve() in {path.resolve() for path in found.values()}:
        raise Unusable(f"{target} is a file of the bench itself; name another one")
    return dict(sorted(found.items()))


def _without_paths(inside: Mapping[str, Path]) -> dict[str, bytes]:
    """What mosaics tell, by name, where an earlier version wrote the paths of a person's photos into
    it: the same with their plain names. What is damaged is packed as it is."""
    out = {}
    for name, path in inside.items():
        if path.name == NUMBERS:
            with contextlib.suppress(*DAMAGED):
                told = without_paths(json.loads(path.read_bytes()))
                if told is not None:
                    out[name] = (json.dumps(told, indent=1) + "\n").encode()
    return out


def _layers_of(notes: Path, folder: Path) -> Iterator[str]:
    """Pictures of layers that notes name, which are no captures: photos, and all files of mosaics."""
    for layer in read_die_notes(notes).layers:
        place = (notes.parent / layer.picture).resolve()
        if layer.picture and place.is_relative_to(folder.resolve()):
            files = [place] if place.is_file() else [p for p in place.rglob("*") if p.is_file()]
            yield from (path.relative_to(folder.resolve()).as_posix() for path in files)


def _manifest(inside: Mapping[str, Path], derived: Mapping[str, bytes]) -> dict[str, Any]:
    files = []
    for name in sorted({*inside, *derived}):
        if name in derived:
            data = derived[name]
            files.append({"path": name, "bytes": len(data), "sha256": _sha256(data)})
        else:
            path = inside[name]
            try:
                size = path.stat().st_size
            except OSError as error:
                raise Unusable(f"{path} cannot be read ({error.strerror})") from None
            files.append({"path": name, "bytes": size, "sha256": content_hash(path)})
    return {"format": FORMAT, "versions": versions(), "files": files}


def versions() -> dict[str, Any]:
    """What made the results: this program, Python, the system, libraries, and each method."""
    return {
        "glassay": __version__,
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "libraries": dict(_libraries()),
        "methods": {name: method.version for name, method in METHODS.items()},
    }


def _libraries() -> Iterator[tuple[str, str]]:
    try:
        required = importlib.metadata.requires("glassay") or []
    except importlib.metadata.PackageNotFoundError:
        return
    for line in sorted(required):
        if ";" in line:
            continue
        name = line.split("==")[0].strip()
        try:
            yield name, importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            yield name, "not installed"


def _as_text(data: Any) -> str:
    return json.dumps(data, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _info(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, FIXED_TIME)
    photo = name.lower().endswith(
        (".jpg", ".jpeg", ".png", ".mp4", ".mov", ".avi", ".mkv", ".heic")
    )
    info.compress_type = zipfile.ZIP_STORED if photo else zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    info.create_system = 3
    return info


def _add(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    archive.writestr(_info(name), data)


def _add_file(archive: zipfile.ZipFile, name: str, path: Path) -> None:
    info = _info(name)
    try:
        info.file_size = path.stat().st_size
        with path.open("rb") as source, archive.open(info, "w") as member:
            while block := source.read(BLOCK):
                member.write(block)
    except OSError as error:
        raise Unusable(f"{path} cannot be read ({error.strerror})") from None
