"""What a change would gain, against a machine simulated in the time domain with and without that change."""

from dataclasses import replace

import numpy as np
import pytest
from benchmark.ordinary import AMBIENT, all_stated, plain_case
from simulate import perturb, write_bench
from simulate.machine import loaded_parts

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.whatif.ask import whatif
from driveloss.whatif.machine import Change

TOP = 6  # the strongest of seven runs


@pytest.fixture(scope="module")
def known(tmp_path_factory):
    """The truth of a bench that states all it can, and its breakdown."""
    rng = np.random.default_rng(4)
    case = all_stated(rng, plain_case(rng))
    folder = tmp_path_factory.mktemp("bench")
    stated = case.believes(perturb(case.truth, case.protocol.limits, rng))
    write_bench(folder, case.truth, case.protocol, rng, stated=stated)
    bench = load_bench(folder)
    return case.truth, breakdown(calibrate(bench, compare=False), bench.sweeps)


def scaled(law, factor):
    """A law of the simulator with every force or torque in it times a factor."""
    forces = {name: getattr(law, name) * factor for name in law.__dataclass_fields__ if name != "stribeck_speed"}
    return replace(law, **forces)


def with_seal(truth):
    cylinder = truth.cylinders[0]
    return replace(truth, cylinders=(replace(cylinder, seal=scaled(cylinder.seal, 0.7)),))


def with_motor(truth, **factors):
    changed = {name: getattr(truth.motor, name) * factor for name, factor in factors.items()}
    return replace(truth, motor=replace(truth.motor, **changed))


def with_drag(truth):
    return replace(truth, motor=replace(truth.motor, law=scaled(truth.motor.law, 0.7)))


CASES = {
    "seal": (Change(seal=0.7), with_seal),
    "linkage": (Change(linkage=0.7), lambda t: replace(t, linkage=scaled(t.linkage, 0.7))),
    "motor drag": (Change(motor_drag=0.7), with_drag),
    "resistance": (Change(resistance=0.8), lambda t: with_motor(t, resistance=0.8)),
    "torque constant": (Change(torque_constant=2.0), lambda t: with_motor(t, torque_constant=2.0)),
    "direct": (Change(transmission=1.0), lambda t: replace(t, transmission_efficiency=1.0)),
}


@pytest.mark.parametrize("name", CASES)
def test_the_input_saved_is_that_of_the_changed_machine(known, name):
    truth, answer = known
    change, changed = CASES[name]
    f = np.array([truth.top_frequency])
    before, after = (loaded_parts(t, "one", f, AMBIENT)["input_W"][0] for t in (truth, changed(truth)))
    saved = whatif(answer, change, run=TOP).gains[0].input_saved
    # one bench, six changes: within three standard uncertainties each
    assert saved.value == pytest.approx(before - after, abs=1.5 * saved.half_width + 0.01)


def test_what_is_saved_at_the_same_work_is_gained_at_the_same_input(known):
    """Less what more work costs in the transmission and the winding; a fifth of it here, never all."""
    _, answer = known
    for gain in whatif(answer, run=TOP).gains:
        if abs(gain.input_saved.value) > 0.05:
            assert 0.6 < gain.net_gain.value / gain.input_saved.value < 1.05, gain


def test_nothing_changed_gains_nothing(known):
    from driveloss.whatif.machine import Machine

    _, answer = known
    machine = Machine(answer, TOP)
    assert machine.at_equal_input(Change()).net == pytest.approx(answer.draws["pneumatic"][TOP], abs=1e-9)
    assert machine.now().input == pytest.approx(answer.draws["input"][TOP], abs=1e-9)


def test_levers_are_sorted_and_changes_of_ones_own_come_together_last(known):
    _, answer = known
    nets = [gain.net_gain.value for gain in whatif(answer).gains]
    assert nets == sorted(nets, reverse=True)
    own = whatif(answer, Change(seal=0.8, pins=0.5)).gains
    assert [gain.change for gain in own] == [
        "seal friction -20 %",
        "friction of pins and guides -50 %",
        "all of these together",
    ]
    assert own[2].input_saved.value == pytest.approx(own[0].input_saved.value + own[1].input_saved.value, rel=0.1)


def test_what_there_is_not_is_refused(known):
    _, answer = known
    with pytest.raises(InputError, match=r"run: read 9, expected 1 to 7"):
        whatif(answer, run=8)
    with pytest.raises(InputError, match=r"--seal-of: read 'two', expected a cylinder swept without load: one"):
        whatif(answer, Change(seal_of="two"))
