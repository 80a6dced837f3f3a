"""What a process is made ready with, before it measures."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from vision.warming import keep_memory

resource = pytest.importorskip("resource", reason="tells page faults where there are such")


@pytest.mark.skipif(sys.platform != "linux", reason="asked of the GNU C library alone")
def test_what_arrays_took_is_not_asked_of_the_system_again() -> None:
    keep_memory()
    faults = list[int]()
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
        arrays = [np.ones(2**18) for _ in range(32)]  # 64 MB: 16384 pages of 4 KB
        faults.append(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
        del arrays
    assert faults[2] < 500
