"""Motor constants beside a braked sweep: two ways to the same net power of a simulated machine."""

from dataclasses import replace

import numpy as np
import pytest
from benchmark.ordinary import MOTOR_CONSTANTS, home_braked, plain_case
from simulate import perturb, write_bench

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.witnesses.ask import witnesses
from driveloss.witnesses.constants import constants_way


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A home bench with a braked sweep and all motor constants stated."""
    rng = np.random.default_rng(5)
    case = home_braked(rng, plain_case(rng))
    protocol = replace(case.protocol, leaves_out=case.protocol.leaves_out - MOTOR_CONSTANTS)
    folder = tmp_path_factory.mktemp("bench")
    stated = case.believes(perturb(case.truth, protocol.limits, rng))
    write_bench(folder, case.truth, protocol, rng, stated=stated)
    return load_bench(folder)


def told(bench):
    answer = breakdown(calibrate(bench, compare=False), bench.sweeps)
    return witnesses(answer, constants_way(bench, answer))


def test_they_agree_on_an_honest_bench(bench):
    found = told(bench)
    assert found.agree
    assert [row.witness for row in found.testimonies] == ["subtraction", "motor constants"]


def test_a_brake_scale_read_in_the_wrong_unit_shows(bench):
    sweeps = tuple(s.replace(torque=s.torque * 0.4536) if s.stage == "braked" else s for s in bench.sweeps)
    found = told(replace(bench, sweeps=sweeps))
    assert not found.agree


def test_without_a_second_way_there_is_nothing_to_lay_side_by_side(bench):
    alone = replace(bench, sweeps=tuple(s for s in bench.sweeps if s.stage != "braked"))
    with pytest.raises(InputError, match=r"a second way to a part of the power, read none"):
        told(alone)
