"""A run may use the workers of a Dask cluster: here a real scheduler and two worker processes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image
from tests.bench.slides import draw_slide
from tests.bench.workers import measure_or_be_killed_once

from glassay.bench.document.read import load_bench
from glassay.bench.measuring import cluster, run
from glassay.bench.measuring.assemble import run_bench
from glassay.bench.measuring.run import Progress
from glassay.cli import program
from glassay.errors import Unusable

HEAD = """
[bench]
display = "24 in"
[[object]]
id = "slide"
kind = "ruled scale"
division = "10 um"
[[instrument]]
id = "pad"
kind = "screen"
"""
ROOT = Path(__file__).parents[2]
START_S = 180
"""Long enough for a machine under load; nothing waits that long when all is well."""


def bench_of(folder: Path, *names: str) -> Path:
    captures = folder / "captures"
    captures.mkdir(parents=True)
    slide = Image.open(draw_slide(folder / "slide.png", pixel_size_um=1.25, size=(480, 360)))
    text = HEAD
    for index, name in enumerate(names):
        slide.save(captures / name, quality=80 + index)
        text += f'[[capture]]\nfile = "captures/{name}"\ninstrument = "pad"\nobject = "slide"\n'
    (folder / "bench.toml").write_text(text)
    return folder


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """A scheduler with two workers, each a process of one thread."""
    file = tmp_path / "scheduler.json"
    places = os.pathsep.join([str(ROOT), str(ROOT / "src")])
    environment = {**os.environ, "PYTHONPATH": places, "OMP_NUM_THREADS": "1"}

    def start(tool: str, *words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.{tool}", "--no-dashboard", *words]
        return subprocess.Popen(
            [*command, "--scheduler-file", str(file)],
            env=environment, cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    processes = [start("dask_scheduler", "--host", "127.0.0.1", "--port", "0")]
    try:
        told = _told_by_the_scheduler(file)
        for _ in range(2):
            processes.append(start("dask_worker", "--no-nanny", "--nthreads", "1"))
        yield told
    finally:
        for process in processes:
            process.kill()
            process.wait()


def _told_by_the_scheduler(file: Path) -> str:
    """Its address, once the file is whole: it is there, empty, before it is written."""
    until = time.monotonic() + START_S
    while time.monotonic() < until:
        with suppress(FileNotFoundError, json.JSONDecodeError):
            return str(json.loads(file.read_text())["address"])
        time.sleep(0.05)
    raise AssertionError("the scheduler did not start")


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_a_cluster_gives_the_numbers_of_one_process_and_a_killed_worker_loses_nothing(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = bench_of(tmp_path / "bench", "a.jpg", "b.jpg", "c.jpg")
    alone = run_bench(load_bench(folder), jobs=1)
    for path in (folder / "results" / "measured").iterdir():
        path.unlink()

    # Ctrl-C after the first result: it is kept, and the run goes on from there.
    def stop(step: Progress) -> None:
        if step.done == 1:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_bench(load_bench(folder), cluster=address, progress=stop)
    kept = list((folder / "results" / "measured").iterdir())
    assert len(kept) == 1
    told = CliRunner().invoke(program, ["run", str(folder), "--cluster", address])
    assert told.exit_code == 0, told.output
    measured: list[Progress] = []
    there = run_bench(load_bench(folder), jobs=1, progress=measured.append)
    assert [step.total for step in measured] == [0]
    assert [one.findings for one in there.captures] == [one.findings for one in alone.captures]

    # One of the two workers is killed while it measures: the other one does its work.
    folder = bench_of(tmp_path / "killed", "a.jpg", "die.jpg", "b.jpg", "c.jpg")
    monkeypatch.setattr(run, "_measure", measure_or_be_killed_once)
    results = run.measure_captures(load_bench(folder), cluster=address)
    assert [one.status for one in results] == ["measured"] * 4
    workers = {one.findings["worker"].value for one in results}
    assert os.getpid() not in workers


def test_no_scheduler_at_the_address_is_one_clear_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "PATIENCE_S", 0.5)
    folder = bench_of(tmp_path / "bench", "a.jpg")
    for address in ("tcp://127.0.0.1:9", "nonsense"):
        with pytest.raises(Unusable) as caught:
            run_bench(load_bench(folder), cluster=address)
        assert str(caught.value).startswith(f"--cluster {address}: no Dask scheduler answers there")
        assert "\n" not in str(caught.value)


def test_a_run_with_nothing_to_do_loads_nothing_that_measures_or_talks_to_clusters(
    tmp_path: Path,
) -> None:
    folder = bench_of(tmp_path / "bench", "a.jpg")
    run_bench(load_bench(folder), jobs=1)
    code = (
        "import sys; from glassay.cli import program\n"
        f"program(['run', {str(folder)!r}], standalone_mode=False)\n"
        "slow = {'distributed', 'emcee', 'scipy.stats', 'scipy.signal', 'matplotlib', 'skimage'}\n"
        "print(slow & set(sys.modules))"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "src")}
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.rstrip().endswith("set()")
