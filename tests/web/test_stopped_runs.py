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
from glassay.web.runs import Runs

if __name__ == "__main__":
    runs = Runs(Path(sys.argv[1]))
    runs.start()
    here = psutil.Process()
    # its workers measure, and it shares queues and locks with them
    while not runs.state.done:
        assert runs.is_running, runs.state
        time.sleep(0.01)
    begun = time.monotonic()
    runs.stop()
    print(runs.state.word, time.monotonic() - begun)
    measuring = [p for p in here.children(recursive=True) if "spawn_main" in " ".join(p.cmdline())]
    print(len(psutil.wait_procs(measuring, 10)[1]))
"""


def test_a_stopped_run_ends_with_its_workers_and_without_a_word(folder: Path) -> None:
    shutil.rmtree(folder / "results")
    script = folder.parent / "stop_a_run.py"
    script.write_text(STOP_A_RUN)
    done = subprocess.run(
        [sys.executable, script, folder], capture_output=True, text=True, timeout=120, check=False
    )
    word, seconds, left = done.stdout.split()
    assert (word, left) == ("stopped", "0")
    assert float(seconds) < 5.0
    assert done.stderr == ""
