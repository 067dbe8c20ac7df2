"""What a recording tells of the pressure's wave in the runs: of a simulated machine of known wave."""

import numpy as np
import pytest
from benchmark.ordinary import AMBIENT, plain_case, witnessed
from simulate import perturb, write_bench
from simulate.machine import pressure_amplitude

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.fit.calibrate import calibrate


@pytest.fixture(scope="module")
def split(tmp_path_factory):
    """Truth, and the breakdown of its bench with three recordings beside seven runs."""
    rng = np.random.default_rng(3)
    case = witnessed(rng, plain_case(rng))
    folder = tmp_path_factory.mktemp("bench")
    stated = case.believes(perturb(case.truth, case.protocol.limits, rng))
    write_bench(folder, case.truth, case.protocol, rng, stated=stated)
    bench = load_bench(folder)
    return case.truth, breakdown(calibrate(bench, compare=False), bench.sweeps, bench.recordings)


def test_recorded_runs_have_the_recorded_amplitude(split):
    truth, answer = split
    known = np.isfinite(answer.readings.pressure_amplitude)
    assert known.sum() == len(answer.recorded) == 3
    f = answer.readings.frequency[known]
    expected = [pressure_amplitude(truth, truth.cylinders[0], np.array([x]), np.array([AMBIENT]))[0] for x in f]
    assert answer.readings.pressure_amplitude[known] == pytest.approx(expected, rel=0.03)


def test_the_other_runs_have_nearly_the_recorded_phase(split):
    truth, answer = split
    before = 90 + np.degrees(truth.cylinders[0].phase)  # the simulator counts from the piston's speed
    phase = np.degrees(answer.calibration.meters.phase_of("one"))
    assert phase[0] == pytest.approx(before, abs=4)
    assert np.ptp(phase) < 40
