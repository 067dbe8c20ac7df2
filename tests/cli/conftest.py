"""The demo bench, and variants of it, calibrated once for all tests of the command line."""

from pathlib import Path

import pytest
from copies import open_copy

from cli.running import DEMO, QUICK, typed

MOTOR_ALONE = '[[sweeps]]\nstage = "motor-alone"                   # the motor, uncoupled\nfile = "motor-alone.csv"\n'


def copied(folder: Path) -> Path:
    """A copy of the demo bench that a test may spoil."""
    return open_copy(DEMO, folder, "calibration.json")


@pytest.fixture
def bench(tmp_path):
    """A private copy of the demo bench."""
    return copied(tmp_path / "bench")


@pytest.fixture(scope="session")
def calibration(tmp_path_factory):
    """The demo bench's saved calibration."""
    file = tmp_path_factory.mktemp("saved") / "calibration.json"
    assert typed("calibrate", DEMO, "-o", file, *QUICK).code == 0
    return file


@pytest.fixture(scope="session")
def bench_without_motor(tmp_path_factory):
    """The demo bench without its motor-alone sweep: motor and linkage cannot be told apart."""
    folder = copied(tmp_path_factory.mktemp("no-motor") / "bench")
    text = (folder / "bench.toml").read_text(encoding="utf-8")
    assert MOTOR_ALONE in text
    (folder / "bench.toml").write_text(text.replace(MOTOR_ALONE, ""), encoding="utf-8")
    assert typed("calibrate", folder, *QUICK).code == 0
    return folder
