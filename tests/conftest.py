"""Makes `from simulate import ...` work in every test, wherever pytest is started; one thread a process."""

import os
import sys
from pathlib import Path

from driveloss.batch.engines import THREADS

for name in THREADS:  # before NumPy loads: the matrices are small, and threads of several processes in each other's way
    os.environ.setdefault(name, "1")

TESTS = str(Path(__file__).parent)
if TESTS not in sys.path:
    sys.path.insert(0, TESTS)

from hypothesis import settings  # noqa: E402

settings.register_profile("cold", deadline=None, database=None)  # the first call may import pint: slow is not wrong
settings.load_profile("cold")


def pytest_terminal_summary(terminalreporter, config):
    """Says what a plain run leaves out."""
    if config.option.markexpr == "not long":
        terminalreporter.write_line("Left out: simulations marked long; -m '' runs them too.")
