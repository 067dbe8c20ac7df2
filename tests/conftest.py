"""Makes `from simulate import ...` work in every test, wherever pytest is started; one thread a process."""

import gc
import os
import pickle
import sys
from dataclasses import replace
from importlib import import_module
from pathlib import Path

import pytest

from driveloss.batch.engines import THREADS

for name in THREADS:  # before NumPy loads: the matrices are small, and threads of several processes in each other's way
    os.environ.setdefault(name, "1")

TESTS = str(Path(__file__).parent)
if TESTS not in sys.path:
    sys.path.insert(0, TESTS)

from hypothesis import settings  # noqa: E402

settings.register_profile("cold", deadline=None, database=None)  # the first call may import pint: slow is not wrong
settings.load_profile("cold")


FITTING = ("fit.calibrate", "plan.outlook", "plan.assumed", "compare.benches", "witnesses.constants")
FITTED: dict[bytes, object] = {}


@pytest.fixture
def fitted_once(monkeypatch):
    """A bench that was calibrated before in this process, to the same settings, is not fitted again.

    For tests to which the fit is not the point: what is told, saved and drawn is made anew each time.
    """
    from driveloss.fit.calibrate import calibrate

    def known(bench, *words, **settings):
        key = pickle.dumps((replace(bench, folder=Path()), words, sorted(settings.items())))
        if key not in FITTED:
            FITTED[key] = calibrate(bench, *words, **settings)
        return FITTED[key]

    for module in FITTING:
        monkeypatch.setattr(import_module(f"driveloss.{module}"), "calibrate", known)


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory):
    """The folder that all workers of a test run share."""
    own = tmp_path_factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


@pytest.fixture
def here():
    """Benches of a batch are done in this process: for tests to which other processes are not the point."""
    from batch.floors import in_this_process

    with in_this_process():
        yield


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """What is collected stays: the garbage collector need not look through it time and again."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


def pytest_configure(config):
    """A tree that may only be read is no fault: pytest then goes without its cache."""
    config.addinivalue_line("filterwarnings", "ignore::pytest.PytestCacheWarning")


def pytest_terminal_summary(terminalreporter, config):
    """Says what a plain run leaves out."""
    if config.option.markexpr == "not long":
        terminalreporter.write_line("Left out: simulations marked long; -m '' runs them too.")
