"""Checking an archive: every checksum, and every number derived anew."""

from __future__ import annotations

import hashlib
import json
import math
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

from glassay.bench.document.read import load_bench
from glassay.bench.keeping.pack import BLOCK, FORMAT, MANIFEST, versions
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import (
    RESULTS_FILE,
    results_as_json,
    run_bench,
)
from glassay.bench.measuring.run import Progress
from glassay.errors import GlassayError, Unusable

MOST_MEMBERS = 200_000
MOST_EXPANSION = 200
"""Unpacked size over archive size above which an archive is refused: measured results compress to a
tenth at best, so nothing honest comes near, and a crafted one cannot fill the disk."""
MANIFEST_BYTES = 100_000_000

AGREES = 1e-6
"""Relative difference up to which a number derived again counts as the same: other processors and
library builds round differently in the last digits; uncertainties are some thousand times larger."""


BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError)
"""What reading a damaged archive raises; kinds of compression that are not known and nesting too deep
are RuntimeErrors. Places before the file's start are OSErrors, as a disk's faults are."""


@dataclass(frozen=True)
class Difference:
    """A number that came out otherwise: where it stands, what was packed, what was derived.

    `within` says whether the two agree within the packed number's own expanded uncertainty.
    """

    where: str
    packed: str
    derived: str
    within: bool


@dataclass(frozen=True)
class Checked:
    """What checking an archive found. `numbers` were derived again and compared.

    Of `files` that were packed, `damaged` says what is wrong with those that are not as they were;
    `unlisted` names files that are there besides, on which nothing rests.
    """

    files: int
    damaged: tuple[str, ...]
    versions: Mapping[str, Any]
    other_versions: tuple[str, ...]
    numbers: int = 0
    differences: tuple[Difference, ...] = ()
    measured: bool = False
    unlisted: tuple[str, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether every file is whole, none was added and every number comes out the same."""
        return not self.damaged and not self.unlisted and not self.differences


def check(
    path: Path,
    *,
    measure: bool = True,
    jobs: int | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
    further: Callable[[BenchResults], tuple[Any, Any]] | None = None,
) -> Checked:
    """Verify every checksum of an archive and, unless told not to, derive all numbers again.

    The captures are measured anew in a temporary folder; the packed results are only compared
    against. `further` gives what else was published of the bench, and the same derived from the
    results. Raises `Unusable` when the file is no such archive or is crafted to do harm.
    """
    with tempfile.TemporaryDirectory(prefix="glassay-") as name:
        folder = Path(name)
        with _open(path) as archive:
            _refuse_bombs(archive, path)
            manifest = _read_manifest(archive, path)
            damaged = tuple(_unpack(archive, manifest, folder, path))
            unlisted = tuple(_unlisted(archive, manifest))
        files = len(manifest["files"])
        here = versions()
        others = tuple(_other_versions(manifest["versions"], here))
        whole = Checked(files, damaged, manifest["versions"], others, unlisted=unlisted)
        if damaged or not measure:
            return whole
        packed = _packed_results(folder)
        results = _derive(folder, jobs, progress)
        derived = json.loads(json.dumps(results_as_json(results)))
        pairs = [(packed, derived), *([further(results)] if further else [])]
    compared = [compare_numbers(one, other) for one, other in pairs]
    numbers = sum(count for count, _ in compared)
    differences = [one for _, found in compared for one in found]
    return replace(whole, numbers=numbers, differences=tuple(differences), measured=True)


def _open(path: Path) -> zipfile.ZipFile:
    try:
        if path.is_dir():
            raise Unusable(f"{path} is a folder; an archive is one file, made by `glassay pack`")
        return zipfile.ZipFile(path)
    except OSError as error:
        raise Unusable(f"{path} cannot be read ({error.strerror})") from None
    except (*BROKEN, ValueError):
        raise Unusable(f"{path} is no archive made by `glassay pack`, or is cut off") from None


def _refuse_bombs(archive: zipfile.ZipFile, path: Path) -> None:
    """Before anything is unpacked, the manifest included."""
    members = archive.infolist()
    if len(members) > MOST_MEMBERS:
        raise Unusable(f"{path} holds more than {MOST_MEMBERS} files")
    total = sum(info.file_size for info in members)
    if total > MOST_EXPANSION * max(path.stat().st_size, 10_000):
        raise Unusable(f"{path} would unpack to {total / 1e9:.1f} GB; it is not an honest archive")


def _read_manifest(archive: zipfile.ZipFile, path: Path) -> dict[str, Any]:
    try:
        info = archive.getinfo(MANIFEST)
        if info.file_size > MANIFEST_BYTES:
            raise ValueError
        data = json.loads(archive.read(info))
        if data["format"] != FORMAT:
            raise Unusable(f"{path} has the format {data['format']!r}; this version reads {FORMAT}")
        for one in data["files"]:
            str(one["path"]), int(one["bytes"]), str(one["sha256"])
        dict(data["versions"])
    except (*BROKEN, KeyError, TypeError, ValueError, OSError):
        raise Unusable(f"{path} holds no readable {MANIFEST}") from None
    listed: dict[str, Any] = data
    return listed


def _unpack(
    archive: zipfile.ZipFile, manifest: Mapping[str, Any], folder: Path, path: Path
) -> Iterator[str]:
    """Unpack what the manifest lists, and nothing else; say what of it is damaged or missing."""
    members = {info.filename: info for info in archive.infolist()}
    if len(manifest["files"]) > MOST_MEMBERS:
        raise Unusable(f"{path} holds more than {MOST_MEMBERS} files")
    for one in manifest["files"]:
        name = str(one["path"])
        if not is_inside(name):
            raise Unusable(f"{path} names a file outside its folder: {name!r}")
        if name not in members:
            yield f"{name} is missing"
        else:
            wrong = _extract(archive, members[name], folder / name, one)
            if wrong:
                yield f"{name} {wrong}"


def _unlisted(archive: zipfile.ZipFile, manifest: Mapping[str, Any]) -> Iterator[str]:
    """Files that the manifest does not know. Entries of folders, which some programs write, are
    nothing."""
    listed = {str(one["path"]) for one in manifest["files"]} | {MANIFEST}
    for info in archive.infolist():
        is_folder = info.is_dir() and not info.file_size
        if not is_folder and info.filename not in listed:
            yield info.filename


def is_inside(name: str) -> bool:
    """Whether a name with forward slashes stays within the folder that it counts from."""
    parts = PurePosixPath(name).parts
    odd = "\\" in name or "\0" in name or ":" in name[:2]
    return bool(parts) and not PurePosixPath(name).is_absolute() and ".." not in parts and not odd


def _extract(
    archive: zipfile.ZipFile, info: zipfile.ZipInfo, target: Path, listed: Mapping[str, Any]
) -> str:
    digest, size = hashlib.sha256(), 0
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with archive.open(info) as source, target.open("wb") as out:
            while block := source.read(BLOCK):
                size += len(block)
                if size > int(listed["bytes"]):
                    return "is longer than listed"
                digest.update(block)
                out.write(block)
    except BROKEN:
        return "is damaged"
    except OSError as error:
        raise Unusable(f"{target} cannot be unpacked ({error.strerror})") from None
    if size != int(listed["bytes"]):
        return "is shorter than listed"
    return "" if digest.hexdigest() == listed["sha256"] else "is not what was packed (SHA-256)"


def _packed_results(folder: Path) -> Any:
    try:
        return json.loads((folder / "results" / RESULTS_FILE).read_bytes())
    except (OSError, ValueError, RecursionError):
        raise Unusable(f"the archive holds no readable results/{RESULTS_FILE}") from None


def _derive(folder: Path, jobs: int | None, progress: Callable[[Progress], None]) -> BenchResults:
    """The numbers from the captures alone: the packed results, read before, are removed first."""
    shutil.rmtree(folder / "results")
    try:
        return run_bench(load_bench(folder), jobs=jobs, progress=progress)
    except GlassayError as error:
        raise Unusable(f"the packed bench cannot be measured: {error}") from None


def _other_versions(packed: Mapping[str, Any], here: Mapping[str, Any]) -> Iterator[str]:
    for key in ("glassay", "python", "system"):
        if packed.get(key) != here[key]:
            yield f"{key}: packed with {packed.get(key)}, checked with {here[key]}"
    for group in ("libraries", "methods"):
        before = packed.get(group)
        for name, version in here[group].items():
            was = before.get(name) if isinstance(before, Mapping) else None
            if was != version:
                yield f"{name}: packed with {was or 'none'}, checked with {version}"


IGNORED = frozenset({"glassay", "bench"})
"""Keys of the results that are not derived: version, and the title (by default the folder's name)."""


def compare_numbers(packed: Any, derived: Any) -> tuple[int, list[Difference]]:
    """How many numbers were compared, and those that differ (also words and verdicts)."""
    differences: list[Difference] = []
    count = sum(1 for _ in _compare(packed, derived, "", None, differences))
    return count, differences


def _compare(
    a: Any, b: Any, where: str, expanded: float | None, found: list[Difference]
) -> Iterator[None]:
    """Walk both, yield once for each number compared, and collect differences."""
    if isinstance(a, dict) and isinstance(b, dict):
        own = _expanded(a, expanded)
        for key in dict.fromkeys((*a, *b)):
            if where or key not in IGNORED:
                place = f"{where}.{key}" if where else str(key)
                yield from _compare(a.get(key), b.get(key), place, own, found)
    elif isinstance(a, list) and isinstance(b, list):
        if len(a) != len(b):
            found.append(Difference(where, f"{len(a)} entries", f"{len(b)} entries", False))
        for index, (one, other) in enumerate(zip(a, b, strict=False)):
            name = one.get("id") or one.get("instrument") if isinstance(one, dict) else None
            yield from _compare(one, other, f"{where}[{name or index}]", expanded, found)
    elif _is_number(a) and _is_number(b):
        yield
        if not math.isclose(a, b, rel_tol=AGREES, abs_tol=AGREES * (expanded or 0.0)):
            within = expanded is not None and abs(a - b) <= expanded
            found.append(Difference(where, f"{a:.9g}", f"{b:.9g}", within))
    elif a != b and not _is_wording(a, b):
        found.append(Difference(where, _short(a), _short(b), False))


def _is_wording(a: Any, b: Any) -> bool:
    """Sentences may differ in the last digit they print; their numbers are compared themselves."""
    return isinstance(a, str) and isinstance(b, str) and " " in a and " " in b


def _expanded(data: Mapping[str, Any], before: float | None) -> float | None:
    u, k = data.get("u"), data.get("k", 2.0)
    return abs(u * k) if _is_number(u) and _is_number(k) else before


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 80 else text[:77] + "..."
