"""A few hundred cases of what `python -m fuzz` does by the thousand; the same ones each time."""

import fuzz
import pytest

CASES = {"toml": 60, "readings": 40, "recording": 25, "log": 60, "calibration": 60, "command_line": 120}


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    return fuzz.Room(tmp_path_factory.mktemp("room"))


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # numbers of a spoilt calibration may overflow
@pytest.mark.parametrize("name", CASES)
def test_whatever_is_spoilt_is_answered_or_refused(name, room, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    fuzz.run(fuzz.checks(room)[name], CASES[name], number=1)
