"""A published site of chips: what lies where, and checking it again from its archives."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from glassay.bench.chip.die_layers import laid_layers
from glassay.bench.chip.die_pictures import best_die
from glassay.bench.document.die_notes import notes_file
from glassay.bench.keeping.check_pack import Checked, check, is_inside
from glassay.bench.keeping.pack import versions
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.run import Progress
from glassay.die import DieResult
from glassay.disk import content_hash
from glassay.errors import NotMeasurable, Unusable

SITE_FILE, SUMS_FILE = "site.json", "SHA256SUMS"
FORMAT = 1

MOST_BYTES = 50_000_000
"""Largest list or sheet of a site that is read: 100,000 chips make some 20 MB."""

NUMBERS = ("findings", "outline", "pads", "rows", "process", "unit")
"""What is derived again of a sheet; notes by hand and wording are not numbers."""


def is_site(folder: Path) -> bool:
    """Whether a folder holds a site that `glassay publish` wrote."""
    return (folder / SITE_FILE).is_file() and (folder / SUMS_FILE).is_file()


def die_numbers(result: DieResult) -> dict[str, Any]:
    """The numbers of a sheet as plain data."""
    findings = {key: finding.as_json() for key, finding in result.findings().items()}
    told: dict[str, Any] = {"findings": findings, **result.beside()}
    return dict(json.loads(json.dumps({key: told[key] for key in NUMBERS})))


def check_site(
    folder: Path, *, measure: bool = True, jobs: int | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
) -> Checked:  # fmt: skip
    """Verify every checksum of a site and, unless told not to, derive the numbers of all its benches
    and dies again from the archives in it. Raises `Unusable` when it is no such site."""
    damaged, files = _damaged(folder)
    site = _read(folder / SITE_FILE)
    chips: dict[str, list[Mapping[str, Any]]] = {}
    try:
        if site["format"] != FORMAT:
            raise Unusable(
                f"{folder} has the format {site['format']!r}; this version reads {FORMAT}"
            )
        for one in site["chips"]:
            for key in ("archive", "data"):
                if not is_inside(str(one[key])):
                    raise Unusable(f"{folder} names a file outside of it: {one[key]!r}")
            chips.setdefault(str(one["archive"]), []).append(one)
    except (KeyError, TypeError, AttributeError):
        raise Unusable(f"{folder / SITE_FILE} cannot be understood") from None
    unlisted = tuple(_unlisted(folder))
    whole = Checked(
        files, tuple(damaged), dict(site.get("versions") or {}), (), unlisted=unlisted
    )  # fmt: skip
    if damaged or not measure:
        return whole
    for archive, of_it in chips.items():
        done = check(
            folder / archive, jobs=jobs, progress=progress,
            further=lambda results, of_it=of_it: _dies(folder, of_it, results),  # type: ignore[misc]
        )  # fmt: skip
        whole = replace(
            whole, measured=True, numbers=whole.numbers + done.numbers,
            damaged=(*whole.damaged, *(f"{archive}: {line}" for line in done.damaged)),
            unlisted=(*whole.unlisted, *(f"{archive}: {name}" for name in done.unlisted)),
            differences=(*whole.differences, *done.differences),
            other_versions=tuple(dict.fromkeys((*whole.other_versions, *done.other_versions))),
        )  # fmt: skip
    return whole


def site_document(title: str, chips: list[dict[str, str]]) -> dict[str, Any]:
    """What `site.json` holds: of each chip its `title`, `page`, `data`, `archive` and id (`chip`)."""
    return {"format": FORMAT, "title": title, "versions": versions(), "chips": chips}


def sums_of(folder: Path) -> str:
    """The checksums of every file in a folder, as `sha256sum -c` reads them."""
    return "".join(
        f"{content_hash(path)}  {path.relative_to(folder).as_posix()}\n"
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != SUMS_FILE
    )


def _dies(folder: Path, chips: list[Mapping[str, Any]], results: BenchResults) -> tuple[Any, Any]:
    published, derived = {}, {}
    for one in chips:
        chip = str(one["chip"])
        data = _read(folder / str(one["data"]))
        published[chip] = {key: data.get(key) for key in NUMBERS}
        published[chip]["pads"] = _with_text(data.get("pads"))
        try:
            found = best_die(results, chip)
            derived[chip] = die_numbers(found.result)
            if data.get("layers") or found.notes.layers:
                laid = laid_layers(found, notes_file(results.bench.folder, chip), results)
                published[chip]["layers"] = _registered(data.get("layers") or [])
                derived[chip]["layers"] = _registered([layer.as_data() for layer in laid])
        except (NotMeasurable, Unusable) as error:
            derived[chip] = {"reason": str(error)}
    return {"dies": published}, {"dies": derived}


def _with_text(pads: Any) -> Any:
    """Pads as data with their numbers as text; they were plain numbers up to version 0.1."""
    if not isinstance(pads, list) or any(not isinstance(pad, dict) for pad in pads):
        return pads
    return [{**pad, "number": str(pad["number"])} if "number" in pad else pad for pad in pads]


def _registered(layers: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Of layers as data what is derived again: whether and how they lie on the die."""
    told = [{"registered": one["registered"], "findings": one["findings"]} for one in layers]
    return list(json.loads(json.dumps(told)))


def _damaged(folder: Path) -> tuple[list[str], int]:
    listed = dict(_sums(folder / SUMS_FILE))
    out = []
    for name, digest in listed.items():
        path = folder / name
        if path.is_symlink() or not path.resolve().is_relative_to(folder.resolve()):
            out.append(f"{name} is a link")
        elif not path.is_file():
            out.append(f"{name} is missing")
        elif content_hash(path) != digest:
            out.append(f"{name} is not what was published (SHA-256)")
    if SITE_FILE not in listed:
        raise Unusable(f"{folder / SUMS_FILE} does not list {SITE_FILE}")
    return out, len(listed)


def _unlisted(folder: Path) -> Iterator[str]:
    """Files that were added after the site was written."""
    listed = {name for name, _ in _sums(folder / SUMS_FILE)} | {SUMS_FILE}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and name not in listed:
            yield name


def _sums(path: Path) -> Iterator[tuple[str, str]]:
    for line in _text(path).splitlines():
        found = re.fullmatch(r"([0-9a-f]{64}) [ *](.+)", line)
        if found is None or not is_inside(found[2]):
            raise Unusable(f"{path} cannot be understood: {line[:60]!r}")
        yield found[2], found[1]


def _read(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(_text(path))
    except (ValueError, RecursionError):
        raise Unusable(f"{path} cannot be understood") from None
    if not isinstance(data, dict):
        raise Unusable(f"{path} cannot be understood")
    return data


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise Unusable(f"{path} is too large")
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise Unusable(f"{path} cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise Unusable(f"{path} cannot be understood") from None
