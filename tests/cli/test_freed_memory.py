"""A command holds on to the memory that arrays leave, by the kernel's own count of pages handed out."""

import subprocess
import sys
from platform import libc_ver

import pytest

ROUNDS, ARRAYS = 5, 20  # of half a megabyte, which is 128 pages
CODE = f"""
import numpy as np
from resource import RUSAGE_SELF, getrusage
from driveloss.cli.command import command

@command
def work() -> None:
    for _ in range({ROUNDS}):
        before = getrusage(RUSAGE_SELF).ru_minflt
        [np.ones(2**16) for _ in range({ARRAYS})]
    print(getrusage(RUSAGE_SELF).ru_minflt - before)

work()
"""


@pytest.mark.skipif(libc_ver()[0] != "glibc", reason="told to glibc alone")
def test_memory_that_an_array_leaves_is_not_asked_for_anew():
    """In the last of several rounds; by itself the C library asks for all of it again."""
    told = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=True)
    assert int(told.stdout) < 128 * ARRAYS / 10
