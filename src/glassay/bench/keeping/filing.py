"""Starting a bench, and filing captures into it: copied unchanged, never twice."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import tomlkit

from glassay.bench.document.filed import read_checksums
from glassay.bench.document.model import Bench, Capture
from glassay.bench.document.read import FILE_NAME, load_bench, parse_bench, read_document
from glassay.bench.keeping.checksums import add_checksums
from glassay.disk import content_hash, copy_new, write_atomically
from glassay.errors import Unusable
from glassay.imaging.apart import check_apart
from glassay.imaging.file_names import CLIP_SUFFIXES, PHOTO_SUFFIXES
from glassay.one_writer import one_writer


def start_bench(folder: Path, title: str = "") -> Path:
    """Make `folder` with a commented `bench.toml`, and return that file's path.

    A folder that exists already is used as it is. Raises `Unusable` when it holds a `bench.toml`
    already, or cannot be written.
    """
    path = folder / FILE_NAME
    try:
        if folder.is_file():
            raise Unusable(f"{folder} is a file already; give the name of a folder")
        if path.exists():
            raise Unusable(f"{path} exists already; it is left as it is")
    except OSError as error:  # names that are too long cannot even be asked after
        name = f"{str(folder)[:40]}..."
        raise Unusable(f"{name} cannot be made ({error.strerror})") from None
    template = files("glassay.bench").joinpath("new-bench.toml").read_text(encoding="utf-8")
    quoted = tomlkit.item(title or folder.resolve().name).as_string()
    try:
        (folder / "captures").mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Unusable(f"{folder} cannot be made ({error.strerror})") from None
    with one_writer(folder):
        if path.exists():
            raise Unusable(f"{path} exists already; it is left as it is")
        write_atomically(path, template.format(title=quoted).encode())
    return path


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What file and folder names suggest about a capture; None where they suggest nothing."""

    instrument: str | None
    setting: str | None
    object: str | None


@dataclass(frozen=True, slots=True)
class Filing:
    """A file to be filed, and what it shows."""

    source: Path
    instrument: str
    setting: str
    object: str
    together: str = ""
    """Files with the same text here (not empty) become one capture, in the order given."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Filed:
    """What became of one file: its path in the bench, and whether it was there before."""

    source: Path
    name: str
    already: bool


def find_sources(paths: Sequence[Path]) -> tuple[Path, ...]:
    """The files named, and the photos and clips in the folders named, sorted by name,
    numbers in it by value.

    Raises `Unusable` for a path that does not exist or a folder without any.
    """
    found: list[Path] = []
    for path in paths:
        if not path.is_dir():
            if not path.is_file():
                raise Unusable(f"{path}: there is no such file")
            found.append(path)
            continue
        inside = [p for p in sorted(path.rglob("*"), key=in_order) if _is_media(p)]
        if not inside:
            raise Unusable(f"{path} holds no photos or clips")
        found += inside
    return tuple(dict.fromkeys(found))


def in_order(path: Path) -> list[tuple[bool, int, str]]:
    """Sorts paths by name as people count: 2 comes before 10."""
    parts = re.findall(r"\d+|\D+", path.as_posix())
    return [(part.isdecimal(), int(part) if part.isdecimal() else 0, part) for part in parts]


def _is_media(path: Path) -> bool:
    hidden = path.name.startswith(".")
    return (
        path.suffix.lower() in (*PHOTO_SUFFIXES, *CLIP_SUFFIXES) and not hidden and path.is_file()
    )


def check_source(path: Path) -> None:
    """Raise `Unusable` unless the file is a photo that can be decoded, or a clip that has content.

    A clip that was cut off is a capture all the same: where it was cut off is a finding.
    """
    if path.suffix.lower() in CLIP_SUFFIXES:
        if path.stat().st_size == 0:
            raise Unusable(f"{path.name}: the file is empty")
        return
    check_apart(path)


# ---- suggestions ---------------------------------------------------------------------------------

_OBJECT_WORDS: Mapping[str, tuple[str, ...]] = {
    "ruled scale": ("scale", "slide", "micrometer", "micrometre", "ruler", "stage"),
    "grid": ("grid", "dots"),
    "edge": ("edge", "knife", "blade"),
    "bar target": ("bars", "bar", "target", "lines"),
    "flat field": ("flat", "blank", "white"),
    "repeat pair": ("repeat", "pair", "twice"),
    "chip": ("chip", "die", "wafer"),
    "pixel array": ("array", "sensor", "pixels"),
    "focus run": ("focus", "run"),
    "relief": ("relief", "stack", "wires"),
    "chip in tiles": ("tile", "tiles", "mosaic"),
}
FOLDERS_READ = 3
"""How many folder names above the file are read for suggestions."""


def suggest(bench: Bench, path: Path) -> Suggestion:
    """What instrument, setting and object the names of the file and its folders suggest."""
    words = _words(" ".join(path.resolve().parts[-1 - FOLDERS_READ :]))
    instrument_id = _best_match(words, {one.id: (one.id, one.name) for one in bench.instruments})
    setting_id = None
    for one in bench.instruments:
        if one.id == instrument_id:
            settings = {s.id: (s.id, s.name) for s in one.settings}
            setting_id = _best_match(words - _words(f"{one.id} {one.name}"), settings)
    objects = {
        thing.id: (thing.id, thing.name, *_OBJECT_WORDS.get(thing.kind, ()))
        for thing in bench.objects
    }
    return Suggestion(instrument_id, setting_id, _best_match(words, objects))


def _words(text: str) -> set[str]:
    return set(re.findall(r"[^\W\d_]+|\d+(?:\.\d+)?", text.lower()))


def _best_match(words: set[str], candidates: Mapping[str, tuple[str, ...]]) -> str | None:
    """The candidate whose texts share most with `words`; the only one there is; None on a tie.

    A text counts by the share of its words that occur; the first text (the id) counts double.
    """
    if len(candidates) == 1:
        return next(iter(candidates))
    scores = {}
    for name, texts in candidates.items():
        parts = [_words(text) for text in texts]
        shares = [len(part & words) / len(part) if part else 0.0 for part in parts]
        scores[name] = 2 * shares[0] + max(shares[1:], default=0.0)
    ranked = sorted(scores, key=lambda name: -scores[name])
    if not ranked or scores[ranked[0]] <= 0.5 or scores[ranked[0]] == scores[ranked[1]]:
        return None
    return ranked[0]


# ---- filing --------------------------------------------------------------------------------------


def file_captures(
    bench: Bench, filings: Sequence[Filing], *, also: bool = False,
    progress: Callable[[int], None] = lambda _: None,
) -> tuple[Filed, ...]:  # fmt: skip
    """Copy files into the bench and list them in `bench.toml`.

    A file whose content is in the bench already is not copied again. One that is filed as showing
    something else is refused, unless it is said (`also`) to show another reference object too; it
    is then listed again under its present path. Every file is checked before anything is written,
    and the bench is read anew once it is this filing's turn: several may be asked for at once.
    `progress` is called with the number of files checked and of files copied, together; what it
    raises stops the filing, with nothing filed. Raises `Unusable` when a file cannot be used or the
    bench not be written.
    """
    for number, filing in enumerate(filings):
        progress(number)
        check_source(filing.source)
        _check_names(bench, filing)
    with one_writer(bench.folder, "filing", FILING_WAIT_S):
        return _file(load_bench(bench.folder), filings, also, progress)


FILING_WAIT_S = 600.0
"""How long a filing waits for the one before it: clips of an evening are many gigabytes."""


def _file(
    bench: Bench, filings: Sequence[Filing], also: bool, progress: Callable[[int], None]
) -> tuple[Filed, ...]:
    known = _Known(bench)
    _check_refiling(bench, filings, also)
    listed = {(name, one.object) for one in bench.captures for name in one.files}
    entries: dict[str, tuple[list[str], Filing]] = {}
    filed: list[Filed] = []
    copied: list[Path] = []
    kept, fresh = read_checksums(bench.folder), {}
    try:
        for number, filing in enumerate(filings):
            progress(len(filings) + number)
            name = known.name_of(filing.source)
            if name is None:
                name = _copy(bench.folder, filing)
                copied.append(bench.folder / name)
                known.add(bench.folder / name, name)
            already = (name, filing.object) in listed
            if not already:
                mark = filing.together or f"/{len(entries)}"
                entries.setdefault(mark, ([], filing))[0].append(name)
                listed.add((name, filing.object))
            filed.append(Filed(filing.source, name, already))
            if name not in kept:
                fresh[name] = content_hash(bench.folder / name)
        progress(2 * len(filings))
        if entries:
            _list_captures(bench, list(entries.values()))
    except BaseException:  # stopped: copies that nothing lists would only be found by chance
        for path in copied:
            path.unlink(missing_ok=True)
        raise
    add_checksums(bench.folder, fresh)
    return tuple(filed)


def filed_before(bench: Bench, sources: Sequence[Path]) -> dict[Path, tuple[Capture, ...]]:
    """The captures under which the content of each file is listed already."""
    known = _Known(bench)
    found = {}
    for source in sources:
        names = set(known.names_of(source))
        found[source] = tuple(one for one in bench.captures if names & set(one.files))
    return found


def _check_refiling(bench: Bench, filings: Sequence[Filing], also: bool) -> None:
    """One picture shows one thing in one setting, unless it is said to show another thing too."""
    listed = filed_before(bench, [one.source for one in filings])
    now: dict[str, list[tuple[str, str, str]]] = {}
    for filing in filings:
        mine = now.setdefault(content_hash(filing.source), [])
        known = [(one.instrument, one.setting, one.object) for one in listed[filing.source]]
        before = [*known, *mine]
        place = (filing.instrument, filing.setting)
        elsewhere = [one for one in before if one[:2] != place]
        other = [one for one in before if one[2] != filing.object]
        if elsewhere:
            raise Unusable(
                f"{filing.source.name} is filed already, for {elsewhere[0][0]} in setting"
                f" {elsewhere[0][1]}; it was not taken in {filing.setting} of {filing.instrument} too"
            )
        if other and (*place, filing.object) not in before and not also:
            raise Unusable(
                f"{filing.source.name} is filed already, as showing {other[0][2]}; if it shows"
                f" {filing.object} too, say so (with --also, or by its box on the page)"
            )
        mine.append((*place, filing.object))


def _check_names(bench: Bench, filing: Filing) -> None:
    bench.object(filing.object)
    bench.instrument(filing.instrument).setting(filing.setting)


class _Known:
    """The files that a bench holds already, found by size first and content second."""

    def __init__(self, bench: Bench) -> None:
        self._by_size: dict[int, list[tuple[Path, str]]] = {}
        listed = [name for one in bench.captures for name in one.files]
        present = [
            path.relative_to(bench.folder).as_posix()
            for path in sorted((bench.folder / "captures").rglob("*"))
            if path.is_file() and not path.name.startswith(".")
        ]
        for name in dict.fromkeys([*listed, *present]):
            self.add(bench.folder / name, name)

    def add(self, path: Path, name: str) -> None:
        self._by_size.setdefault(path.stat().st_size, []).append((path, name))

    def name_of(self, source: Path) -> str | None:
        return next(self.names_of(source), None)

    def names_of(self, source: Path) -> Iterator[str]:
        rivals = self._by_size.get(source.stat().st_size, [])
        content = content_hash(source) if rivals else ""
        for path, name in rivals:
            if content_hash(path) == content:
                yield name


def _copy(folder: Path, filing: Filing) -> str:
    place = Path("captures") / filing.instrument
    place = place / re.sub(r"[^\w.-]", "-", filing.setting)
    for name in _free_names(filing.source):
        try:
            copy_new(filing.source, folder / place / name)
        except FileExistsError:
            continue
        return (place / name).as_posix()
    raise Unusable(f"{filing.source.name}: no free name was found for it in {place}")


def _free_names(source: Path) -> Iterator[str]:
    plain = source.name.encode("utf-8", "replace").decode("utf-8")
    plain = re.sub(r'[\\/:*?"<>|\x00-\x1f\x7f]', "_", plain).lstrip(".")[-120:] or "capture"
    yield plain
    stem, dot, suffix = plain.rpartition(".")
    for number in range(2, 10_000):
        yield f"{stem}-{number}{dot}{suffix}" if dot else f"{plain}-{number}"


def _entry(bench: Bench, names: Sequence[str], filing: Filing) -> str:
    """One [[capture]] block. At the end of the text it disturbs nothing that stands there."""
    files = {"files": list(names)} if len(names) > 1 else {"file": names[0]}
    values: dict[str, object] = {**files, "instrument": filing.instrument}
    if len(bench.instrument(filing.instrument).settings) > 1:
        values["setting"] = filing.setting
    values["object"] = filing.object
    if filing.note:
        values["note"] = filing.note
    lines = [f"{key} = {tomlkit.item(value).as_string()}" for key, value in values.items()]
    return "\n".join(["", "[[capture]]", *lines, ""])


def _list_captures(bench: Bench, entries: Sequence[tuple[Sequence[str], Filing]]) -> None:
    """Add entries to `bench.toml` as it stands now: a form may have been saved while files were
    copied. A document that would not be accepted is never written."""
    with one_writer(bench.folder):
        before = read_document(bench.folder)
        ending = "" if before.endswith("\n") or not before else "\n"
        after = before + ending + "".join(_entry(bench, *entry) for entry in entries)
        parse_bench(after, bench.folder)
        write_atomically((bench.folder / FILE_NAME).resolve(), after.encode())
