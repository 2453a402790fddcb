"""What is freed is not given back to the system, which would clear every page of it again."""

import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

# Three photos' worth of pictures, held together and freed, over and over; pages cleared a round.
SCRIPT = """
import resource, sys
import numpy as np
from jarvision.photo.freed_memory import keep_freed_memory

if sys.argv[1] == "keep":
    keep_freed_memory()
for _ in range(5):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    held = [np.ones(3 << 20, np.uint8) for _ in range(10)]
    del held
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def pages_and_peak(how: str) -> tuple[int, int]:
    usual = {k: v for k, v in os.environ.items() if not k.startswith(("MALLOC_", "GLIBC_TUNABLES"))}
    here = usual | {"PYTHONPATH": str(Path(__file__).parents[2])}
    command = [sys.executable, "-c", SCRIPT, how]
    pages, peak = subprocess.run(command, env=here, capture_output=True, check=True).stdout.split()
    return int(pages), int(peak)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries keep what they do")
def test_freed_memory_is_kept_for_what_comes_next() -> None:
    pages, peak = pages_and_peak("keep")
    _, usual_peak = pages_and_peak("as usual")
    assert pages < 200  # of 7,680
    assert peak < usual_peak + 4_096  # kB: no memory for nothing


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="no limit of address space")
def test_without_memory_to_spare_nothing_happens() -> None:
    script = """
import resource
from jarvision.photo.freed_memory import keep_freed_memory

used = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + (8 << 20), resource.RLIM_INFINITY))
keep_freed_memory()
"""
    here = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    subprocess.run([sys.executable, "-c", script], env=here, check=True)
