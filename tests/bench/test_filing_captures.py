"""Starting a bench and filing captures: unchanged, never twice, never over others."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from glassay.bench.document.mistakes import BenchMistakes
from glassay.bench.document.model import Bench
from glassay.bench.document.read import load_bench
from glassay.bench.keeping import filing
from glassay.bench.keeping.filing import Filing, file_captures, find_sources, start_bench, suggest
from glassay.bench.keeping.sets_of_photos import put_together
from glassay.disk import copy_new, write_atomically
from glassay.errors import Unusable

INSTRUMENTS = """
# my own words about the two microscopes
[[instrument]]
id = "harbour-stereo"
kind = "stereo"
[[instrument.setting]]
id = "zoom-0.7"
[[instrument.setting]]
id = "zoom-4.5"   # with the 2x lens

[[instrument]]
id = "pocket-usb"
name = "Pocket camera"
kind = "USB"

[[object]]
id = "chip-a"
kind = "chip"
"""


def photo(path: Path, shade: int = 100) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.full((8, 8), shade, np.uint8)).save(path)
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    start_bench(tmp_path / "bench")
    path = tmp_path / "bench" / "bench.toml"
    path.write_text(path.read_text(encoding="utf-8") + INSTRUMENTS, encoding="utf-8")
    return tmp_path / "bench"


def stereo(source: Path, thing: str = "slide") -> Filing:
    return Filing(source, "harbour-stereo", "zoom-4.5", thing)


def listed(bench: Bench) -> list[tuple[str, str, str, str]]:
    return [(c.files[0], c.instrument, c.setting, c.object) for c in bench.captures]


def test_a_bench_is_never_started_over_another(tmp_path: Path) -> None:
    path = start_bench(tmp_path / "b")
    before = path.read_bytes()
    with pytest.raises(Unusable, match="exists already"):
        start_bench(tmp_path / "b")
    assert path.read_bytes() == before
    assert (tmp_path / "b" / "captures").is_dir()


def test_a_bench_cannot_be_started_where_a_file_stands(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for place in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(Unusable) as caught:
            start_bench(place)
        assert "\n" not in str(caught.value)
    assert (tmp_path / "file").read_text() == "x"


def test_a_filed_capture_is_byte_for_byte_the_photo(folder: Path, tmp_path: Path) -> None:
    source = photo(tmp_path / "in" / "IMG 1.png")
    (filed,) = file_captures(load_bench(folder), [stereo(source)])
    assert filed.name == "captures/harbour-stereo/zoom-4.5/IMG 1.png"
    assert (folder / filed.name).read_bytes() == source.read_bytes()
    assert listed(load_bench(folder)) == [(filed.name, "harbour-stereo", "zoom-4.5", "slide")]


def test_comments_and_order_of_the_document_are_kept(folder: Path, tmp_path: Path) -> None:
    before = (folder / "bench.toml").read_text(encoding="utf-8")
    file_captures(load_bench(folder), [stereo(photo(tmp_path / "a.png", 1))])
    file_captures(load_bench(folder), [stereo(photo(tmp_path / "b.png", 2))])
    after = (folder / "bench.toml").read_text(encoding="utf-8")
    assert after.startswith(before)
    assert len(tomllib.loads(after)["capture"]) == 2


def test_captures_can_be_listed_before_other_tables(folder: Path, tmp_path: Path) -> None:
    file_captures(load_bench(folder), [stereo(photo(tmp_path / "a.png", 1))])
    path = folder / "bench.toml"
    more = '\n[[instrument]]\nid = "late"\nkind = "other"'  # and no line end
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
    file_captures(load_bench(folder), [Filing(photo(tmp_path / "b.png", 2), "late", "as is",
                                              "slide")])  # fmt: skip
    assert [one[1] for one in listed(load_bench(folder))] == ["harbour-stereo", "late"]


def test_a_file_filed_already_is_recognised_under_any_name(folder: Path, tmp_path: Path) -> None:
    first, again = photo(tmp_path / "a.png"), photo(tmp_path / "renamed.png")
    file_captures(load_bench(folder), [stereo(first)])
    before = (folder / "bench.toml").read_bytes()
    (filed,) = file_captures(load_bench(folder), [stereo(again)])
    assert filed.already
    assert filed.name.endswith("a.png")
    assert (folder / "bench.toml").read_bytes() == before
    twice = file_captures(load_bench(folder), [stereo(photo(tmp_path / "c.png", 7)),
                                               stereo(photo(tmp_path / "d.png", 7))])  # fmt: skip
    assert [one.already for one in twice] == [False, True]


def test_a_photo_of_two_objects_is_listed_twice_and_copied_once(
    folder: Path, tmp_path: Path
) -> None:
    source = photo(tmp_path / "a.png")
    file_captures(load_bench(folder), [stereo(source)])
    (filed,) = file_captures(load_bench(folder), [stereo(source, "chip-a")], also=True)
    assert not filed.already
    assert len(list((folder / "captures").rglob("*.png"))) == 1
    assert [one[3] for one in listed(load_bench(folder))] == ["slide", "chip-a"]


def test_another_photo_of_the_same_name_gets_its_own(folder: Path, tmp_path: Path) -> None:
    one, two = photo(tmp_path / "x" / "a.png", 1), photo(tmp_path / "y" / "a.png", 2)
    filed = file_captures(load_bench(folder), [stereo(one), stereo(two)])
    assert [Path(one.name).name for one in filed] == ["a.png", "a-2.png"]
    assert (folder / filed[0].name).read_bytes() == one.read_bytes()
    assert (folder / filed[1].name).read_bytes() == two.read_bytes()


def test_nothing_is_filed_when_one_file_is_bad(folder: Path, tmp_path: Path) -> None:
    before = (folder / "bench.toml").read_bytes()
    good, bad = photo(tmp_path / "a.png"), tmp_path / "b.png"
    for content in (b"", b"no photo", good.read_bytes()[:40]):
        bad.write_bytes(content)
        with pytest.raises(Unusable, match=r"b\.png"):
            file_captures(load_bench(folder), [stereo(good), stereo(bad)])
    empty_clip = tmp_path / "c.mp4"
    empty_clip.write_bytes(b"")
    with pytest.raises(Unusable, match="empty"):
        file_captures(load_bench(folder), [stereo(good), stereo(empty_clip)])
    assert (folder / "bench.toml").read_bytes() == before
    assert list((folder / "captures").iterdir()) == []


def test_a_copy_left_by_a_kill_before_listing_is_listed_the_next_time(
    folder: Path, tmp_path: Path
) -> None:
    source = photo(tmp_path / "a.png")
    left = folder / "captures" / "harbour-stereo" / "zoom-4.5" / "a.png"
    left.parent.mkdir(parents=True)
    left.write_bytes(source.read_bytes())
    (filed,) = file_captures(load_bench(folder), [stereo(source)])
    assert not filed.already
    assert len(list((folder / "captures").rglob("*.png"))) == 1
    assert listed(load_bench(folder))[0][0] == filed.name


def test_a_document_changed_meanwhile_keeps_the_change(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, path = photo(tmp_path / "a.png"), folder / "bench.toml"
    bench = load_bench(folder)
    copy = filing._copy

    def copy_while_someone_writes(target: Path, one: Filing) -> str:
        path.write_text(path.read_text(encoding="utf-8") + "# someone else\n", encoding="utf-8")
        return copy(target, one)

    monkeypatch.setattr(filing, "_copy", copy_while_someone_writes)
    (filed,) = file_captures(bench, [stereo(source)])
    assert "# someone else\n" in path.read_text(encoding="utf-8")
    assert load_bench(folder).captures[-1].files == (filed.name,)


def test_names_that_a_path_cannot_hold_are_made_plain(folder: Path, tmp_path: Path) -> None:
    odd = photo(tmp_path / 'a"b\\c:d\n.png')
    (filed,) = file_captures(load_bench(folder), [stereo(odd)])
    assert Path(filed.name).name == "a_b_c_d_.png"
    assert load_bench(folder).captures[0].files == (filed.name,)


def test_unwritable_captures_are_one_clear_line(folder: Path, tmp_path: Path) -> None:
    # A file where the folder should be: it fails for every user, root included.
    (folder / "captures" / "harbour-stereo").write_text("in the way")
    before = (folder / "bench.toml").read_bytes()
    with pytest.raises(Unusable) as caught:
        file_captures(load_bench(folder), [stereo(photo(tmp_path / "a.png"))])
    assert "\n" not in str(caught.value)
    assert (folder / "bench.toml").read_bytes() == before
    assert (folder / "captures" / "harbour-stereo").read_text() == "in the way"


def test_folders_stand_for_the_photos_and_clips_in_them(tmp_path: Path) -> None:
    a, b = photo(tmp_path / "in" / "a.png"), photo(tmp_path / "in" / "deep" / "b.JPG")
    (tmp_path / "in" / "notes.txt").write_text("x")
    (tmp_path / "in" / ".hidden.png").write_bytes(a.read_bytes())
    assert find_sources([tmp_path / "in", a]) == (a, b)
    (tmp_path / "none").mkdir()
    for path, expected in ((tmp_path / "none", "no photos or clips"), (tmp_path / "x", "no such")):
        with pytest.raises(Unusable, match=expected):
            find_sources([path])


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("harbour-stereo/zoom 4.5/slide_03.jpg", ("harbour-stereo", "zoom-4.5", "slide")),
        ("Harbour Stereo/0.7/CHIP A.jpg", ("harbour-stereo", "zoom-0.7", "chip-a")),
        ("pocket_usb/stage micrometer.png", ("pocket-usb", "as is", "slide")),
        ("Pocket Camera/die.png", ("pocket-usb", "as is", "chip-a")),
        ("IMG_2041.jpg", (None, None, None)),
    ],
)
def test_names_of_files_and_folders_suggest_what_they_show(
    folder: Path, tmp_path: Path, name: str, expected: tuple[str | None, ...]
) -> None:
    found = suggest(load_bench(folder), tmp_path / "photos" / name)
    assert (found.instrument, found.setting, found.object) == expected


def test_writing_leaves_the_old_file_or_the_new_one(tmp_path: Path) -> None:
    path = tmp_path / "f"
    write_atomically(path, b"one")
    write_atomically(path, b"two")
    assert path.read_bytes() == b"two"
    with pytest.raises(FileExistsError):
        copy_new(path, path)
    assert [p.name for p in tmp_path.iterdir()] == ["f"]


def test_a_photo_is_never_filed_under_a_second_object_untold(folder: Path, tmp_path: Path) -> None:
    source, copy = photo(tmp_path / "a.png"), photo(tmp_path / "other-name.png")
    file_captures(load_bench(folder), [stereo(source)])
    before = (folder / "bench.toml").read_bytes()
    with pytest.raises(Unusable, match=r"filed already, as showing slide; .* --also"):
        file_captures(load_bench(folder), [stereo(copy, "chip-a")])
    for also in (False, True):  # one exposure was taken in one setting of one instrument
        with pytest.raises(
            Unusable, match=r"filed already, for harbour-stereo in setting zoom-4\.5"
        ):
            file_captures(
                load_bench(folder), [Filing(copy, "pocket-usb", "as is", "slide")], also=also
            )
    two = [photo(tmp_path / "c.png", 7), photo(tmp_path / "d.png", 7)]
    with pytest.raises(Unusable, match="as showing slide"):  # nor both at once
        file_captures(load_bench(folder), [stereo(two[0]), stereo(two[1], "chip-a")])
    assert (folder / "bench.toml").read_bytes() == before


SETS = """
[[object]]
id = "pair"
kind = "repeat pair"

[[object]]
id = "run"
kind = "focus run"
"""


def sets_of(folder: Path, paths: list[Path], thing: str) -> list[list[str]]:
    """The names of the files of each capture after filing, in order."""
    path = folder / "bench.toml"
    path.write_text(path.read_text(encoding="utf-8") + SETS, encoding="utf-8")
    bench = load_bench(folder)
    file_captures(bench, put_together(bench, [stereo(one, thing) for one in paths]))
    return [[Path(name).name for name in one.files] for one in load_bench(folder).captures]


@pytest.mark.parametrize(
    ("thing", "names", "expected"),
    [
        # A run in the order of its numbers, not of its letters.
        ("run", ["z10.png", "z2.png", "z1.png"], [["z1.png", "z2.png", "z10.png"]]),
        # Two runs in one folder.
        ("run", ["a-1.png", "b-1.png", "a-2.png", "b-2.png"],
         [["a-1.png", "a-2.png"], ["b-1.png", "b-2.png"]]),
        # Steps named by their height.
        ("run", ["z000.png", "z010.png", "z020.png"], [["z000.png", "z010.png", "z020.png"]]),
        # Two pairs by a camera that counts on.
        ("pair", ["IMG_0012.png", "IMG_0013.png", "IMG_0020.png", "IMG_0021.png"],
         [["IMG_0012.png", "IMG_0013.png"], ["IMG_0020.png", "IMG_0021.png"]]),
        ("pair", ["flat-a.png", "flat-b.png"], [["flat-a.png", "flat-b.png"]]),
        ("pair", ["first.png", "second.png"], [["first.png", "second.png"]]),
        # Any other object: each photo tells something by itself.
        ("slide", ["s1.png", "s2.png"], [["s1.png"], ["s2.png"]]),
    ],
)  # fmt: skip
def test_repeat_pairs_and_focus_runs_are_one_capture(
    folder: Path, tmp_path: Path, thing: str, names: list[str], expected: list[list[str]]
) -> None:
    paths = [photo(tmp_path / "in" / name, 50 + n) for n, name in enumerate(names)]
    assert sets_of(folder, paths, thing) == expected


def test_photos_of_two_folders_are_two_sets(folder: Path, tmp_path: Path) -> None:
    paths = [photo(tmp_path / f / n, 9 * i) for i, (f, n) in enumerate(
        (f, n) for f in ("x", "y") for n in ("1.png", "2.png"))]  # fmt: skip
    assert len(sets_of(folder, paths, "run")) == 2


def test_the_photos_of_a_folder_come_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    for number in (10, 9, 100, 1):
        photo(tmp_path / "in" / f"z{number}.png")
    assert [p.stem for p in find_sources([tmp_path / "in"])] == ["z1", "z9", "z10", "z100"]


def test_a_renamed_capture_is_found_by_the_checksum_with_which_it_was_filed(
    folder: Path, tmp_path: Path
) -> None:
    (one,) = file_captures(load_bench(folder), [stereo(photo(tmp_path / "in" / "a.png"))])
    old = folder / one.name
    new = old.with_name("better name.png")
    old.rename(new)
    name = new.relative_to(folder).as_posix()
    with pytest.raises(
        BenchMistakes, match=f"no file '{one.name}' in .*; '{name}' has its checksum"
    ):
        load_bench(folder)
    new.write_bytes(b"something else")
    with pytest.raises(BenchMistakes, match=f"no file '{one.name}' in the bench folder$"):
        load_bench(folder)
