"""Memory that is freed is there for the next array, where the C library is GNU's."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

FAULTS = """
import json, resource
import numpy as np
from glassay.heap import keep_freed_memory
kept = {call}

def faults():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(20):
        np.ones(12_000_000, np.float32)
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

faults()
print(json.dumps([kept, faults()]))
"""


def _run(call: str) -> tuple[bool, int]:
    done = subprocess.run(
        [sys.executable, "-c", FAULTS.format(call=call)], capture_output=True, check=True
    )
    kept, faults = json.loads(done.stdout)
    return kept, faults


@pytest.mark.skipif(sys.platform != "linux", reason="no other system's allocator is spoken to")
def test_pictures_in_turn_take_the_same_pages() -> None:
    kept, faults = _run("keep_freed_memory()")
    if not kept:  # another C library: nothing is promised
        return
    _, anew = _run("False")
    assert faults < 0.1 * anew, f"pages fetched anew: {faults}, {anew} as the system does it"
