"""A run measures what is new or changed, on several processes, and survives being stopped."""

from __future__ import annotations

import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image
from tests.bench.slides import draw_slide
from tests.bench.workers import measure_or_die

from glassay.bench.document.read import load_bench
from glassay.bench.measuring import methods, run
from glassay.bench.measuring.assemble import read_results, run_bench
from glassay.bench.measuring.methods import Method, Outcome
from glassay.bench.measuring.run import Progress
from glassay.errors import Unusable

HEAD = """
[bench]
display = "24 in"
[[object]]
id = "slide"
kind = "ruled scale"
division = "10 um"
[[object]]
id = "chip"
kind = "chip"
[[instrument]]
id = "pad"
kind = "screen"
[[instrument.claim]]
kind = "magnification"
value = "1600x"
where = "box"
"""


@pytest.fixture
def scales_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """One measurement for each photo of a slide: its edges are not looked at aside."""
    for name in ("edge response", "superposed lines"):
        method = methods.METHODS[name]
        monkeypatch.setitem(methods.METHODS, name, replace(method, aside=()))


def entry(name: str, thing: str = "slide") -> str:
    return f'[[capture]]\nfile = "captures/{name}"\ninstrument = "pad"\nobject = "{thing}"\n'


@pytest.fixture(scope="module")
def slide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("slides") / "slide.png"
    return draw_slide(path, pixel_size_um=1.25, size=(640, 480))


@pytest.fixture
def folder(tmp_path: Path, slide: Path) -> Path:
    """A bench of one good slide, one photo without any scale, and one damaged file."""
    captures = tmp_path / "bench" / "captures"
    captures.mkdir(parents=True)
    (captures / "slide.png").write_bytes(slide.read_bytes())
    Image.new("L", (300, 200), 120).save(captures / "blank.png")
    (captures / "cut.png").write_bytes(slide.read_bytes()[:2000])
    (tmp_path / "bench" / "bench.toml").write_text(
        HEAD + entry("slide.png") + entry("blank.png") + entry("cut.png")
    )
    return tmp_path / "bench"


def several(folder: Path, slide: Path, count: int) -> None:
    """Make the bench one of `count` slides of different content."""
    image = Image.open(slide)
    names = [f"s{index}.jpg" for index in range(count)]
    for index, name in enumerate(names):
        image.save(folder / "captures" / name, quality=80 + index)
    (folder / "bench.toml").write_text(HEAD + "".join(entry(name) for name in names))


def hashes(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (folder / "captures").iterdir()
    }


def test_good_blank_and_damaged_captures_each_get_their_answer(folder: Path) -> None:
    before = hashes(folder)
    results = run_bench(load_bench(folder), jobs=1)
    by_name = {Path(one.capture.id).name: one for one in results.captures}
    good = by_name["slide.png"]
    assert good.status == "measured"
    pixel_size = good.findings["pixel_size"].quantity
    assert pixel_size.value == pytest.approx(1.25, abs=2 * pixel_size.expanded)
    assert good.facts["width"] == 640
    assert good.parts[0].evidence
    assert (by_name["blank.png"].status, by_name["cut.png"].status) == ("refused", "unusable")
    assert "single shade" in by_name["blank.png"].reason
    assert "cut.png" in by_name["cut.png"].reason
    (verdict,) = results.verdicts
    assert verdict.word == "not met"
    assert hashes(folder) == before
    data = json.loads((folder / "results" / "results.json").read_text())
    assert data["verdicts"][0]["verdict"] == "not met"


def measured_now(folder: Path, jobs: int = 1) -> list[str]:
    """Names of the captures that a run measures, in the order in which they finish."""
    seen: list[Progress] = []
    run_bench(load_bench(folder), jobs=jobs, progress=seen.append)
    assert seen[0].done == 0
    assert [step.done for step in seen] == list(range(len(seen)))
    assert all(step.total == len(seen) - 1 for step in seen)
    return [Path(step.capture).name for step in seen[1:]]


@pytest.mark.usefixtures("scales_alone")
def test_only_what_is_new_or_changed_is_measured(folder: Path, slide: Path) -> None:
    (folder / "bench.toml").write_text(HEAD + entry("slide.png") + entry("blank.png"))
    assert measured_now(folder) == ["slide.png", "blank.png"]
    assert measured_now(folder) == []
    # Another division concerns both; a claim or a price concerns neither.
    text = (folder / "bench.toml").read_text()
    (folder / "bench.toml").write_text(text.replace('"1600x"', '"200x"'))
    assert measured_now(folder) == []
    (folder / "bench.toml").write_text(text.replace('"10 um"', '"10.01 um"'))
    assert measured_now(folder) == ["slide.png", "blank.png"]
    (folder / "bench.toml").write_text(text.rstrip() + "\nbox = [10, 10, 100, 100]\n")
    assert measured_now(folder) == ["blank.png"]
    # The same name with other content, and one result that was damaged.
    (folder / "bench.toml").write_text(text)
    Image.new("L", (300, 200), 121).save(folder / "captures" / "blank.png")
    assert measured_now(folder) == ["blank.png"]
    for path in (folder / "results" / "measured").iterdir():
        path.write_bytes(path.read_bytes()[:-50])
    assert sorted(measured_now(folder)) == ["blank.png", "slide.png"]
    assert read_results(load_bench(folder)).captures[0].status == "measured"


@pytest.mark.usefixtures("scales_alone")
def test_a_higher_method_version_measures_again(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "bench.toml").write_text(HEAD + entry("blank.png"))
    assert measured_now(folder) == ["blank.png"]
    method = methods.METHODS["ruled scale"]
    newer = Method(method.name, method.kinds, "next", method.settings, method.measure)
    monkeypatch.setitem(methods.METHODS, "ruled scale", newer)
    assert measured_now(folder) == ["blank.png"]


def test_results_can_be_read_without_measuring(folder: Path) -> None:
    bench = load_bench(folder)
    assert {one.status for one in read_results(bench).captures} == {"not run"}
    assert not (folder / "results").exists()
    run_bench(bench, jobs=1)
    kept = read_results(bench)
    assert [one.status for one in kept.captures] == ["measured", "refused", "not run"]
    assert kept.verdicts[0].sentence == run_bench(bench, jobs=1).verdicts[0].sentence


def test_two_processes_give_the_results_of_one(folder: Path, slide: Path) -> None:
    several(folder, slide, 2)
    bench = load_bench(folder)
    two = run_bench(bench, jobs=2)
    for path in (folder / "results" / "measured").iterdir():
        path.unlink()
    one = run_bench(bench, jobs=1)
    assert [c.findings for c in two.captures] == [c.findings for c in one.captures]
    assert all(c.status == "measured" for c in two.captures)


def test_objects_for_which_there_is_no_method_are_said_so(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, method in list(methods.METHODS.items()):
        if "chip" in (*method.kinds, *method.aside):
            monkeypatch.delitem(methods.METHODS, name)
    (folder / "bench.toml").write_text(HEAD + entry("slide.png", "chip"))
    (one,) = run_bench(load_bench(folder), jobs=1).captures
    assert one.status == "no method"
    assert "chip" in one.reason


def test_new_kinds_of_objects_need_one_entry(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def measure(paths: object, settings: object) -> Outcome:
        return Outcome({}, ("seen",), {"a": 1}, {"width": 5})

    method = Method("look", ("chip",), "1", lambda bench, capture: {}, measure)
    monkeypatch.setitem(methods.METHODS, "look", method)
    (folder / "bench.toml").write_text(HEAD + entry("slide.png", "chip"))
    (one,) = run_bench(load_bench(folder), jobs=1).captures
    look = one.part("look")
    assert look is not None
    assert (look.status, look.notes, look.evidence) == ("measured", ("seen",), {"a": 1})


def test_a_method_that_fails_costs_no_other_result(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def measure(paths: object, settings: object) -> Outcome:
        raise ZeroDivisionError("division by zero")

    method = Method("broken", ("chip",), "1", lambda bench, capture: {}, measure)
    monkeypatch.setitem(methods.METHODS, "broken", method)
    (folder / "bench.toml").write_text(HEAD + entry("blank.png", "chip") + entry("slide.png"))
    chip, slide = run_bench(load_bench(folder), jobs=1).captures
    assert slide.status == "measured"
    assert "ZeroDivisionError: division by zero" in (chip.part("broken") or chip).reason


def test_a_worker_that_dies_costs_only_its_own_capture(
    folder: Path, slide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    several(folder, slide, 1)
    (folder / "captures" / "die.jpg").write_bytes(slide.read_bytes())
    text = (folder / "bench.toml").read_text()
    (folder / "bench.toml").write_text(text + entry("die.jpg"))
    monkeypatch.setattr(run, "_measure", measure_or_die)
    results = run.measure_captures(load_bench(folder), jobs=2)
    assert [one.status for one in results] == ["measured", "unusable"]
    assert "ended by itself" in results[-1].reason
    workers = {one.findings["worker"].value for one in results[:1]}
    assert os.getpid() not in workers


def test_an_unwritable_results_folder_is_one_clear_line(folder: Path) -> None:
    (folder / "results").write_text("a file in the way")
    before = hashes(folder)
    with pytest.raises(Unusable, match="results go there") as caught:
        run_bench(load_bench(folder))
    assert "\n" not in str(caught.value)
    assert hashes(folder) == before


# ---- stopping in mid-run -------------------------------------------------------------------------


STOPS_ITSELF = """
import os, signal, sys
from pathlib import Path
from glassay.bench.keeping.store import Store
from glassay.cli import main

how, save = int(sys.argv.pop()), Store.save
signal.signal(signal.SIGINT, signal.default_int_handler)  # it may be ignored where tests are started

def save_and_stop(store, *words):
    kept = save(store, *words)
    print("workers", Path(f"/proc/self/task/{os.getpid()}/children").read_text(), flush=True)
    os.kill(os.getpid(), how)
    return kept

Store.save = save_and_stop
main()
"""


def results_in(folder: Path) -> dict[str, int]:
    return {
        path.name: path.stat().st_mtime_ns
        for path in (folder / "results" / "measured").glob("*.json")
    }


def stop_after_first_result(folder: Path, how: signal.Signals) -> tuple[int, str]:
    """Run the bench with two workers, stopped by a signal as soon as one result is kept."""
    words = [sys.executable, "-c", STOPS_ITSELF, "run", str(folder), "--jobs", "2", str(int(how))]
    ran = subprocess.run(words, capture_output=True, text=True, check=False, timeout=600)
    workers = [int(pid) for pid in re.findall(r"\d+", ran.stdout.partition("workers")[2])]
    assert workers
    deadline = time.monotonic() + 60
    while any(_is_alive(worker) for worker in workers) and time.monotonic() < deadline:
        time.sleep(0.01)
    assert not any(_is_alive(worker) for worker in workers), "workers outlived the run"
    return ran.returncode, ran.stderr


def _is_alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


CAPTURES = 6
"""Enough that some are left when the first one is done, with two processes."""

MEASUREMENTS = CAPTURES + 2
"""A scale in each, and in the first one its edges and its superposed lines as well."""

needs_proc = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs Linux's /proc")


@needs_proc
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_a_stopped_run_keeps_what_was_finished_and_goes_on_from_there(
    folder: Path, slide: Path, how: signal.Signals
) -> None:
    several(folder, slide, CAPTURES)
    before = hashes(folder)
    status, errors = stop_after_first_result(folder, how)
    kept = results_in(folder)
    assert 0 < len(kept) < MEASUREMENTS
    if how is signal.SIGINT:
        assert status == 130
        assert "stopped; what was finished is kept" in errors
        assert "Traceback" not in errors
    assert hashes(folder) == before
    done = [one for one in read_results(load_bench(folder)).captures if one.status == "measured"]
    assert len(done) in (len(kept), len(kept) - 1)
    assert len(measured_now(folder)) == MEASUREMENTS - len(kept)
    after = results_in(folder)
    assert {name: after[name] for name in kept} == kept
    assert len(after) == MEASUREMENTS
