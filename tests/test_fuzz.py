"""Some two thousand of the cases that `python -m fuzz` does by the hundred thousand; the same ones each time.

Every third in a plain run, all of them in a long one.
"""

import fuzz
import pytest

CASES = {
    **{"toml": 330, "readings": 800, "recording": 150, "rundown": 250, "log": 200, "guess": 150},
    **{"calibration": 80, "command_line": 40, "batch": 2, "whole": 2},
}


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path_factory.getbasetemp())  # and back, when all is done
        yield fuzz.Room(tmp_path_factory.mktemp("room"), is_timed=False)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # numbers of a spoilt calibration may overflow
@pytest.mark.parametrize("step", [3, pytest.param(1, marks=pytest.mark.long)])
@pytest.mark.parametrize("name", CASES)
def test_whatever_is_spoilt_is_answered_or_refused(name, step, room):
    for number in range(0, CASES[name], step):
        fuzz.run(room, name, number, seed=1)
