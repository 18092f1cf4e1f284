"""One archive of a bench: captures, results, versions and checksums; and checking it again.

The archive is a plain zip. `MANIFEST.json` lists every file with its length and SHA-256, and the
versions that made the results. The same bench gives the same bytes: names are sorted and time
stamps fixed.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import math
import platform
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any

from glassay import __version__
from glassay.bench.document.model import Bench
from glassay.bench.document.read import FILE_NAME, load_bench
from glassay.bench.keeping.checksums import CHECKSUMS_FILE
from glassay.bench.measuring.assemble import (
    RESULTS_FILE,
    current_keys,
    read_results,
    results_as_json,
    run_bench,
)
from glassay.bench.measuring.methods import METHODS
from glassay.bench.measuring.run import Progress
from glassay.disk import PART_SUFFIX, content_hash, write_stream_atomically
from glassay.errors import GlassayError, Unusable

MANIFEST = "MANIFEST.json"
FORMAT = 1
BLOCK = 1 << 20
FIXED_TIME = (1980, 1, 1, 0, 0, 0)
"""Time stamp of every member (the earliest that zip knows), so that equal benches pack equally."""

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

SKIPPED = frozenset({".git", "__pycache__"})


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
    waiting = [one.capture.id for one in results.captures if one.status == "not run"]
    if waiting or not (bench.results_folder / RESULTS_FILE).is_file():
        missing = f"{waiting[0]} and others are" if len(waiting) > 1 else (
            f"{waiting[0]} is" if waiting else "the results are"
        )  # fmt: skip
        raise Unusable(f"{missing} not measured yet; run `glassay run {bench.folder}` first")
    inside = _files_of(bench, target)
    # What the archive says is what the kept measurements give now, not what an older run wrote.
    fresh = _as_text(results_as_json(results))
    derived = {f"results/{RESULTS_FILE}": fresh.encode()}
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
    found = {name: folder / name for name in sorted(names)}
    results, current = bench.results_folder, current_keys(bench)
    for path in sorted(results.rglob("*")):
        relative = path.relative_to(folder)
        outdated = path.parent.name == "measured" and path.stem not in current
        hidden = outdated or path.suffix == PART_SUFFIX or SKIPPED & set(relative.parts)
        # Hashes of contents are kept under this machine's paths; they are of no use elsewhere.
        if path.is_file() and not hidden and path.name != "contents.json":
            found[relative.as_posix()] = path
    if target.resolve() in {path.resolve() for path in found.values()}:
        raise Unusable(f"{target} is a file of the bench itself; name another one")
    return dict(sorted(found.items()))


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
        "methods": {name: method.version() for name, method in METHODS.items()},
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


# ---- checking ------------------------------------------------------------------------------------


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
    """What checking an archive found. `numbers` were derived again and compared."""

    files: int
    damaged: tuple[str, ...]
    versions: Mapping[str, Any]
    other_versions: tuple[str, ...]
    numbers: int = 0
    differences: tuple[Difference, ...] = ()
    measured: bool = False

    @property
    def holds(self) -> bool:
        """Whether every file is whole and every number comes out the same."""
        return not self.damaged and not self.differences


def check(
    path: Path,
    *,
    measure: bool = True,
    jobs: int | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
) -> Checked:
    """Verify every checksum of an archive and, unless told not to, derive all numbers again.

    The captures are measured anew in a temporary folder; the packed results are only compared
    against. Raises `Unusable` when the file is no such archive or is crafted to do harm.
    """
    with tempfile.TemporaryDirectory(prefix="glassay-") as name:
        folder = Path(name)
        with _open(path) as archive:
            _refuse_bombs(archive, path)
            manifest = _read_manifest(archive, path)
            damaged = tuple(_unpack(archive, manifest, folder, path))
        files = len(manifest["files"])
        here = versions()
        others = tuple(_other_versions(manifest["versions"], here))
        whole = Checked(files, damaged, manifest["versions"], others)
        if damaged or not measure:
            return whole
        packed = _packed_results(folder)
        derived = _derive(folder, jobs, progress)
    numbers, differences = compare_numbers(packed, derived)
    return Checked(files, (), manifest["versions"], others, numbers, tuple(differences), True)


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
    """Unpack what the manifest lists, and say what is damaged, missing or not listed."""
    members = {info.filename: info for info in archive.infolist()}
    if len(manifest["files"]) > MOST_MEMBERS:
        raise Unusable(f"{path} holds more than {MOST_MEMBERS} files")
    listed = set()
    for one in manifest["files"]:
        name = str(one["path"])
        listed.add(name)
        if not _is_inside(name):
            raise Unusable(f"{path} names a file outside its folder: {name!r}")
        if name not in members:
            yield f"{name} is missing"
        else:
            wrong = _extract(archive, members[name], folder / name, one)
            if wrong:
                yield f"{name} {wrong}"
    for name in members:
        if name not in listed and name != MANIFEST:
            yield f"{name} is not listed in {MANIFEST}"


def _is_inside(name: str) -> bool:
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


def _derive(folder: Path, jobs: int | None, progress: Callable[[Progress], None]) -> Any:
    """The numbers from the captures alone: the packed results, read before, are removed first."""
    shutil.rmtree(folder / "results")
    try:
        results = run_bench(load_bench(folder), jobs=jobs, progress=progress)
    except GlassayError as error:
        raise Unusable(f"the packed bench cannot be measured: {error}") from None
    return json.loads(json.dumps(results_as_json(results)))


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
