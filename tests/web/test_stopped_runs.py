"""A run that is stopped: at once, with nothing left behind, and quietly."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

STOP_A_RUN = """
import multiprocessing, sys, time
from pathlib import Path
import psutil
from glassay.web import runs as module

module.ENDS_WITHIN_S = 120.0  # it ends by itself, however slow the machine


def is_alive(process):
    try:
        return process.status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


if __name__ == "__main__":
    runs = module.Runs(Path(sys.argv[1]))
    runs.start()
    here = psutil.Process()
    # its workers measure, and it shares queues and locks with them
    while not runs.state.done:
        assert runs.is_running, runs.state
        time.sleep(0.01)
    measuring = [p for p in here.children(recursive=True) if "spawn_main" in " ".join(p.cmdline())]
    assert len(measuring) > 1
    total = runs.state.total
    runs.stop()
    results = list((Path(sys.argv[1]) / "results" / "measured").glob("*.json"))
    print(runs.state.word, 0 < len(results) < total)
    until = time.monotonic() + 120
    while any(map(is_alive, measuring)) and time.monotonic() < until:
        time.sleep(0.01)
    print(sum(map(is_alive, measuring)))
"""


def test_a_stopped_run_ends_with_its_workers_and_without_a_word(folder: Path) -> None:
    shutil.rmtree(folder / "results")
    script = folder.parent / "stop_a_run.py"
    script.write_text(STOP_A_RUN)
    done = subprocess.run(
        [sys.executable, script, folder], capture_output=True, text=True, timeout=600, check=False
    )
    # at once: what was being measured is not waited for, and what was not begun is not measured
    assert (done.stdout.split(), done.stderr) == (["stopped", "True", "0"], "")
