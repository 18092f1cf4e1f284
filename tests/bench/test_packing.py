"""An archive of a bench: the same bytes each time, checked file by file, numbers derived again."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

import pytest
from click.testing import CliRunner
from tests.report.benches import measured

from glassay.bench.document.read import load_bench
from glassay.bench.keeping.check_pack import check, compare_numbers
from glassay.bench.keeping.pack import MANIFEST, pack, versions
from glassay.bench.measuring.run import kept_keys
from glassay.cli import program
from glassay.errors import Unusable


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    measured(folder)
    return folder


@pytest.fixture(scope="module")
def archive(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("archive") / "a.zip"
    pack(load_bench(bench), path)
    return path


def rewritten(archive: Path, target: Path, change: dict[str, bytes | None]) -> Path:
    """The archive with members replaced, added, or (None) left out."""
    with zipfile.ZipFile(archive) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            data = change.get(name, old.read(name))
            if data is not None:
                new.writestr(name, data)
        for name, data in change.items():
            if name not in old.namelist() and data is not None:
                new.writestr(name, data)
    return target


def manifest_of(archive: Path) -> dict[str, object]:
    with zipfile.ZipFile(archive) as opened:
        data: dict[str, object] = json.loads(opened.read(MANIFEST))
        return data


def test_it_holds_captures_results_versions_and_checksums(archive: Path, bench: Path) -> None:
    manifest = manifest_of(archive)
    with zipfile.ZipFile(archive) as opened:
        names = set(opened.namelist())
        assert opened.read("captures/near.png") == (bench / "captures/near.png").read_bytes()
    assert {"bench.toml", "captures/eye.png", "results/results.json"} <= names
    assert not any("contents.json" in name for name in names)
    listed = manifest["files"]
    assert isinstance(listed, list)
    assert {one["path"] for one in listed} == names - {MANIFEST}
    assert versions()["libraries"]["numpy"]
    assert manifest["versions"] == versions()
    assert str(bench) not in json.dumps(manifest)


def test_packing_twice_gives_the_same_bytes(archive: Path, bench: Path, tmp_path: Path) -> None:
    again = pack(load_bench(bench), tmp_path / "b.zip")
    assert again.path.read_bytes() == archive.read_bytes()


def test_results_of_earlier_states_are_left_out(bench: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(bench, copy)
    (copy / "results" / "measured" / f"{'0' * 40}.json").write_text("{}")
    made = pack(load_bench(copy), tmp_path / "o.zip")
    with zipfile.ZipFile(made.path) as opened:
        kept = [name for name in opened.namelist() if name.startswith("results/measured/")]
    counting = {f"results/measured/{key}.json" for key in kept_keys(load_bench(bench))}
    assert set(kept) == counting
    assert len(kept) >= 4  # near, dark, far, eye, and what was looked for aside
    assert not any("00000" in name for name in kept)


def test_whole_pictures_of_mosaics_are_left_out(bench: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(bench, copy)
    shard = copy / "results" / "mosaics" / "one" / "mosaic.ome.zarr" / "0" / "c" / "0" / "0" / "0"
    shard.parent.mkdir(parents=True)
    shard.write_bytes(b"gigabytes")
    made = pack(load_bench(copy), tmp_path / "o.zip")
    with zipfile.ZipFile(made.path) as opened:
        assert not [name for name in opened.namelist() if "mosaics" in name]


def test_every_number_is_derived_again_from_the_captures(archive: Path) -> None:
    found = check(archive, jobs=1)
    assert found.holds, found
    assert found.measured
    assert found.numbers > 100
    assert found.other_versions == ()


def test_a_changed_number_is_found_even_with_a_right_checksum(
    archive: Path, tmp_path: Path
) -> None:
    import hashlib

    with zipfile.ZipFile(archive) as opened:
        results = json.loads(opened.read("results/results.json"))
    results["settings"][0]["findings"]["pixel_size"]["value"] *= 1.001
    data = json.dumps(results).encode()
    manifest = manifest_of(archive)
    listed = manifest["files"]
    assert isinstance(listed, list)
    for one in listed:
        if one["path"] == "results/results.json":
            one |= {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    forged = rewritten(
        archive, tmp_path / "f.zip",
        {"results/results.json": data, MANIFEST: json.dumps(manifest).encode()},
    )  # fmt: skip
    found = check(forged, jobs=1)
    assert [d.where.endswith("findings.pixel_size.value") for d in found.differences] == [True]
    assert found.differences[0].within  # 0.1 % of an assumed slide tolerance of 0.2 %
    result = CliRunner().invoke(program, ["check", str(forged), "--jobs", "1"])
    assert result.exit_code == 1
    assert "differs (within its uncertainty)" in result.output


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("captures/near.png", b"other", "captures/near.png is shorter than listed"),
        ("captures/near.png", None, "captures/near.png is missing"),
    ],
)
def test_damage_is_named(
    archive: Path, tmp_path: Path, name: str, data: bytes | None, said: str
) -> None:
    found = check(rewritten(archive, tmp_path / "d.zip", {name: data}))
    assert not found.holds
    assert not found.measured
    assert any(line.startswith(said) for line in found.damaged)


def zipped_again(archive: Path, target: Path, more: Mapping[str, bytes] = {}) -> Path:
    """Unpacked and zipped again as common programs do: with an entry for each folder."""
    with zipfile.ZipFile(archive) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        names = old.namelist()
        for folder in sorted(
            {f"{parent}/" for name in names for parent in PurePosixPath(name).parents}
        ):
            if folder != "./":
                new.mkdir(folder)
        for name in names:
            new.writestr(name, old.read(name))
        for name, data in more.items():
            new.writestr(name, data)
    return target


def test_an_archive_that_was_zipped_again_holds(archive: Path, tmp_path: Path) -> None:
    found = check(zipped_again(archive, tmp_path / "again.zip"), jobs=1)
    assert found.holds
    assert found.measured
    assert found.unlisted == ()


def test_files_that_were_added_are_told_and_taken_from_nothing(
    archive: Path, tmp_path: Path
) -> None:
    more = {"extra.txt": b"hello", "captures/more.png": b"no picture"}
    found = check(zipped_again(archive, tmp_path / "more.zip", more), jobs=1)
    assert found.unlisted == ("extra.txt", "captures/more.png")
    assert (found.damaged, found.measured, found.differences) == ((), True, ())
    assert not found.holds  # it is not what was packed
    result = CliRunner().invoke(program, ["check", str(tmp_path / "more.zip"), "--checksums-only"])
    assert result.exit_code == 1
    assert f"{found.files} of {found.files} files are what was packed." in result.output
    assert "2 more, on which nothing rests: extra.txt, captures/more.png" in result.output


def test_one_flipped_bit_is_found(archive: Path, tmp_path: Path) -> None:
    data = bytearray(archive.read_bytes())
    with zipfile.ZipFile(archive) as opened:
        info = opened.getinfo("captures/near.png")
    data[info.header_offset + 30 + len(info.filename) + info.file_size // 2] ^= 1
    damaged = tmp_path / "flip.zip"
    damaged.write_bytes(data)
    assert check(damaged, measure=False).damaged == ("captures/near.png is damaged",)


def test_what_is_no_honest_archive_is_refused(archive: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.zip"
    cut.write_bytes(archive.read_bytes()[:5000])
    with pytest.raises(Unusable, match="no archive"):
        check(cut)
    with pytest.raises(Unusable, match="cannot be read"):
        check(tmp_path / "none.zip")
    with pytest.raises(Unusable, match="no readable MANIFEST"):
        check(rewritten(archive, tmp_path / "m.zip", {MANIFEST: b"[]"}))
    outside = manifest_of(archive)
    outside["files"] = [{"path": "../evil", "bytes": 1, "sha256": ""}]
    with pytest.raises(Unusable, match="outside its folder"):
        check(rewritten(archive, tmp_path / "o.zip", {MANIFEST: json.dumps(outside).encode()}))
    bomb = tmp_path / "bomb.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as opened:
        opened.writestr(MANIFEST, json.dumps({"format": 1, "versions": {}, "files": []}))
        opened.writestr("zeros", bytes(50_000_000))
    with pytest.raises(Unusable, match="not an honest archive"):
        check(bomb)


def test_a_bench_that_is_not_measured_is_not_packed(bench: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(bench, copy)
    shutil.rmtree(copy / "results")
    with pytest.raises(Unusable, match="not measured yet"):
        pack(load_bench(copy), tmp_path / "c.zip")


def test_numbers_are_compared_within_rounding_and_words_exactly() -> None:
    one = {"value": 1.0, "u": 0.01, "k": 2.0, "verdict": "met", "sentence": "it is 1.0 now"}
    assert compare_numbers(one, one | {"value": 1 + 1e-9, "sentence": "it is 1.1 now"})[1] == []
    count, (number, word) = compare_numbers(one, one | {"value": 1.5, "verdict": "not met"})
    assert count == 3
    assert (number.where, number.within) == ("value", False)
    assert word.where == "verdict"
    assert compare_numbers([1], [1, 2])[1][0].derived == "2 entries"
    assert compare_numbers({"value": None}, {"value": 2.0})[1][0].packed == "null"


def test_the_command_packs_and_says_how_to_check(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(program, ["pack", str(bench), "--jobs", "1"])
    assert result.exit_code == 0, result.output
    assert "SHA-256 of the archive" in result.output
    made = tmp_path / f"{bench.name}.zip"
    assert made.is_file()
    said = CliRunner().invoke(program, ["check", str(made), "--checksums-only", "--json"])
    assert json.loads(said.output)["holds"] is True
