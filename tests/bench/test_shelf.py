"""Many benches in one index: what is found, what is read again, and that nothing hangs on the index."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from tests.cli.test_mistakes_on_the_command_line import run

from glassay.bench.document.read import load_bench
from glassay.bench.shelf import kept_dies
from glassay.bench.shelf.index import Built, build, open_index
from glassay.bench.shelf.search import Hit, Query, search

Capsys = pytest.CaptureFixture[str]


def picture(seed: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """A die of 300 x 200 px of bars and boxes on a dark surround, drawn by us."""
    rng = np.random.default_rng(seed)
    shown = np.full((260, 360), 20, np.uint8)
    shown[30:230, 30:330] = 90
    for _ in range(120):
        x, y, w, h = (int(v) for v in rng.integers((34, 34, 3, 3), (300, 205, 26, 22)))
        shown[y : min(y + h, 228), x : min(x + w, 328)] = int(rng.integers(40, 240))
    noise = rng.normal(0, 2, shown.shape)
    return np.clip(cv2.GaussianBlur(shown, (0, 0), 0.8) + noise, 0, 255).astype(np.uint8)


def make_bench(folder: Path, name: str, width_um: float, seed: int, about: str = "") -> Path:
    """A bench of one chip whose die is kept as measured, 2:3."""
    bench = folder / name
    (bench / "captures").mkdir(parents=True)
    (bench / "dies").mkdir()
    (bench / "results" / "dies").mkdir(parents=True)
    Image.fromarray(picture(seed)).save(bench / "captures" / "chip.png")
    (bench / "bench.toml").write_text(
        f'[bench]\ntitle = "{name}"\n[[object]]\nid = "chip"\nkind = "chip"\nname = "chip of {name}"\n'
        '[[instrument]]\nid = "scope"\nkind = "other"\nname = "Quay scope"\n'
        '[[capture]]\nfile = "captures/chip.png"\ninstrument = "scope"\nobject = "chip"\n',
        encoding="utf-8",
    )
    (bench / "dies" / "chip.toml").write_text(about, encoding="utf-8")
    (bench / "results" / "results.json").write_text("{}", encoding="utf-8")

    def um(value: float) -> dict[str, Any]:
        return {"value": value, "u": value / 1000, "unit": "um", "method": "drawn"}

    record = {
        "key": kept_dies._key(load_bench(bench), "chip"),
        "findings": {"width": um(width_um), "height": um(width_um * 2 / 3),
                     "finest_line": um(width_um / 500),
                     "pads": {"value": 24, "method": "drawn"}},
        "outline": [[30, 30], [330, 30], [330, 230], [30, 230]],
        "picture": {"file": "captures/chip.png", "box": None},
    }  # fmt: skip
    kept_dies.kept_path(load_bench(bench), "chip").write_text(json.dumps(record), encoding="utf-8")
    return bench


GULL = """
[about]
maker = "Gull Works"
package = "DIP-16"
note = "Von der Mühle; opened with hot air"
[[marking]]
text = "PIER 7?"
[[region]]
kind = "memory"
name = "left array"
box = [100, 100, 300, 200]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    make_bench(tmp_path / "all", "gull", 1500, 1, GULL)
    make_bench(tmp_path / "all" / "deep", "tern", 3000, 2, '[about]\nmaker = "Tern & Co"\n')
    return tmp_path / "all"


def updated(folder: Path, **how: Any) -> tuple[Built, list[Hit]]:
    index = open_index(folder / "shelf.sqlite")
    try:
        built = build(index, [folder], **how)
        return built, search(index, Query())
    finally:
        index.close()


def found(folder: Path, query: Query) -> list[str]:
    index = open_index(folder / "shelf.sqlite")
    try:
        build(index, [folder])
        return [hit.folder.name for hit in search(index, query)]
    finally:
        index.close()


@pytest.mark.parametrize(
    ("query", "names"),
    [
        (Query(), ["gull", "tern"]),
        (Query("pier"), ["gull"]),
        (Query("muhle"), ["gull"]),  # without its accent, as people type
        (Query("hot ai"), ["gull"]),  # the beginning of a word
        (Query('memory OR "'), []),  # no operator: the word "or" stands nowhere
        (Query(within={"maker": "tern"}), ["tern"]),
        (Query(within={"package": "dip-16"}), ["gull"]),
        (Query(within={"marking": "gull"}), []),
        (Query(within={"instruments": "quay"}, size_um=(2000, None)), ["tern"]),
        (Query(size_um=(1000, 2000)), ["gull"]),
        (Query(finest_um=(None, 4)), ["gull"]),
        (Query(region="memory"), ["gull"]),
        (Query("quay", region="logic"), []),
    ],
)
def test_chips_are_found_by_all_that_is_known_of_them(
    folder: Path, query: Query, names: list[str]
) -> None:
    assert found(folder, query) == names


def test_only_benches_that_changed_are_read_again(folder: Path) -> None:
    assert updated(folder)[0].read == 2
    again, _ = updated(folder)
    assert (again.read, again.unchanged) == (0, 2)
    notes = folder / "gull" / "dies" / "chip.toml"
    notes.write_text(GULL.replace("PIER 7?", "JETTY"), encoding="utf-8")
    changed, hits = updated(folder)
    assert (changed.read, changed.unchanged) == (1, 1)
    assert [hit.marking for hit in hits] == ["JETTY", ""]
    (folder / "deep" / "tern" / "bench.toml").unlink()
    gone, hits = updated(folder)
    assert (gone.gone, gone.chips) == (1, 1)
    assert [hit.folder.name for hit in hits] == ["gull"]
    assert found(folder, Query("tern")) == []


def test_the_index_is_never_the_only_copy(folder: Path) -> None:
    _, before = updated(folder)
    for part in folder.glob("shelf.sqlite*"):
        part.unlink()
    _, after = updated(folder)
    assert after == before
    (folder / "shelf.sqlite").write_bytes(b"no database at all" * 100)
    from glassay.errors import Unusable

    with pytest.raises(Unusable, match="cannot be used as an index"):
        open_index(folder / "shelf.sqlite")


def test_a_bench_that_cannot_be_read_is_named_every_time(folder: Path) -> None:
    (folder / "gull" / "dies" / "chip.toml").write_text("[about]\ncolour = 'red'\n")
    for _ in range(2):
        built, hits = updated(folder)
        assert len(built.troubles) == 1
        assert "colour" in built.troubles[0]
        assert [hit.folder.name for hit in hits] == ["tern"]


def test_a_die_whose_results_changed_is_not_taken_for_measured(folder: Path) -> None:
    (folder / "gull" / "results" / "results.json").write_text('{"a": 1}', encoding="utf-8")
    _, hits = updated(folder, measure=False)
    assert [hit.width_um for hit in hits] == [None, 3000]
    assert hits[0].reason == "not measured yet"


def test_the_command_finds_hangs_and_recognises(
    folder: Path, tmp_path: Path, capsys: Capsys
) -> None:
    status, said, _ = run(capsys, "shelf", folder, "--find", "pier", "--size", "1mm:2mm")
    assert status == 0
    assert "1 of 2 chips" in said
    assert "PIER 7?" in said
    # the tern's die once more, turned and by another camera
    turned = np.rot90(picture(2)).copy()
    Image.fromarray(np.clip(turned * 0.8 + 10, 0, 255).astype(np.uint8)).save(
        tmp_path / "again.png"
    )
    wall = tmp_path / "wall"
    status, said, _ = run(
        capsys, "shelf", folder, "--same", tmp_path / "again.png", "--maker", "tern", "--json",
        "--wall", wall,
    )  # fmt: skip
    assert status == 0
    told = json.loads(said)
    assert told["compared"]["with"] == 1
    (same,) = told["compared"]["same"]
    assert Path(same["bench"]).name == "tern"
    assert abs(same["rotation_deg"]) == pytest.approx(90, abs=0.2)
    assert [one["title"] for one in told["found"]] == ["chip of tern"]
    status, _, _ = run(capsys, "shelf", folder, "--wall", wall)
    page = (wall / "index.html").read_text(encoding="utf-8")
    assert page.index("chip of tern") < page.index("chip of gull")
    big, small = (cv2.imread(str(wall / f"pictures/{n}.jpg"), cv2.IMREAD_GRAYSCALE) for n in (1, 2))
    assert big is not None
    assert small is not None
    assert big.shape[1] == 2 * small.shape[1]  # 3 mm and 1.5 mm, at one scale
    truth = cv2.resize(picture(2)[30:230, 30:330], big.shape[::-1], interpolation=cv2.INTER_LINEAR)
    assert np.corrcoef(big.ravel(), truth.ravel())[0, 1] > 0.97
    assert small.mean() > 60


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (["--size", "2mm:1mm"], "lower end"),
        (["--size", "2mm"], "no range"),
        (["--finest", ":0um"], "more than zero"),
        (["--pixel-size", "1um"], "--same"),
        (["--same", "nothing.png"], "nothing.png"),
    ],
)
def test_what_cannot_be_used_is_named(
    folder: Path, capsys: Capsys, given: list[str], words: str
) -> None:
    status, _, error = run(capsys, "shelf", folder, *given)
    assert status == 2
    assert words in error
    assert error.count("\n") <= 3
