"""What a change does to net power, and the verdict by it, on simulated machines whose net power is known."""

from dataclasses import replace

import numpy as np
import pytest
from simulate import Protocol, SealLaw, TorqueLaw, ladder, write_bench

import driveloss
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.recheck.ask import recheck
from driveloss.recheck.net import INVALID, OPEN, VALID
from recheck.test_recheck import DRAWS, FREQUENCIES, NARROW, TRUTH, exact_bench, noisy, shifted

BEHIND_BELT = replace(TRUTH, transmission_efficiency=0.94)
WORN = {
    "seal": replace(BEHIND_BELT, cylinders=(replace(NARROW, seal=SealLaw(coulomb=8.5, viscous=2.5)),)),
    "linkage": replace(BEHIND_BELT, linkage=TorqueLaw(coulomb=0.06, rolling=8e-4)),
}
MANY, FEW, REPEATS = 25, 5, 8


def exact_readings(folder, truth):
    """A bench with loaded runs read without error, and the truth behind it."""
    protocol = Protocol(sweeps=ladder(truth, FREQUENCIES, repeats=2, standby=4), power_digits=9, frequency_digits=9)
    answer = write_bench(folder, truth, protocol, np.random.default_rng(0))
    return driveloss.load_bench(folder), answer


@pytest.mark.parametrize("part", WORN)
def test_net_power_by_the_old_calibration_is_off_by_what_recheck_says(tmp_path, part):
    """The worn machine's true net power (time-domain simulation) against what the new machine's ladder makes of it."""
    (tmp_path / "new").mkdir()
    (tmp_path / "worn").mkdir()
    before, _ = exact_readings(tmp_path / "new", BEHIND_BELT)
    after, truth = exact_readings(tmp_path / "worn", WORN[part])
    calibration = calibrate(before, draws=200, compare=False)
    runs = driveloss.breakdown(calibration, after.sweeps).runs
    off = np.mean([truth.run(run.file, run.row)["pneumatic_W"] - run.pneumatic.value for run in runs])
    assert np.ptp([s.frequency.mean() for s in after.sweeps if s.stage in ("loaded", "no-load")]) < 0.01
    (net,) = recheck(calibration, [s for s in after.sweeps if s.stage == "no-load"]).nets
    assert off < -0.5
    assert net.change.value == pytest.approx(off, rel=0.05)
    assert net.verdict == INVALID


@pytest.fixture(scope="module", params=[FEW, pytest.param(MANY, marks=pytest.mark.long)])
def trials(request, tmp_path_factory):
    """Calibrations and a source of no-load readings of the unchanged machine, a third as many, by watts added."""
    exact = exact_bench(tmp_path_factory.mktemp("exact"))
    sweep = next(s for s in exact.sweeps if s.stage == "no-load")
    made = []
    for seed in range(request.param):
        rng = np.random.default_rng([8, seed])
        bench = replace(exact, sweeps=tuple(noisy(s, rng) for s in exact.sweeps))
        calibration = calibrate(bench, draws=DRAWS, seed=seed, compare=False)
        again = [noisy(sweep, rng, every=3) for _ in range(REPEATS)]
        share = shaft_share(calibration, sweep)
        made.append((calibration, again, share))
    return made


def shaft_share(calibration, sweep):
    """Watts of net power that a watt at the meter takes: the slope between two exact sweeps a watt apart."""
    low, high = (recheck(calibration, [shifted(sweep, watts)]).nets[0].change.value for watts in (0.0, 1.0))
    return low - high


def verdicts(trials, net, tolerance):
    """Verdicts where net power has truly fallen by `net` [W]."""
    return [
        recheck(calibration, [shifted(sweep, net / share)], tolerance=tolerance).nets[0].verdict
        for calibration, again, share in trials
        for sweep in again
    ]


def rate(found, verdict):
    return np.mean([one == verdict for one in found])


def test_a_change_at_the_very_tolerance_is_seldom_called_either(trials):
    """By construction 2.5 % of either; 200 rechecks in 25 clusters have standard errors of 1.1 to 2.5 %."""
    found, more = verdicts(trials, 0.3, tolerance=0.3), np.sqrt(MANY / len(trials))
    assert rate(found, VALID) < 0.025 + 0.055 * more
    assert rate(found, INVALID) < 0.025 + 0.055 * more
    assert rate(found, OPEN) > 0.95 - 0.10 * more


def test_clear_changes_get_clear_verdicts(trials):
    assert rate(verdicts(trials[:10], 0.0, tolerance=0.3), VALID) > 0.95
    assert rate(verdicts(trials[:10], 0.6, tolerance=0.3), INVALID) > 0.95


def test_a_change_that_is_found_but_tolerated_leaves_the_calibration_valid(trials):
    calibration, again, _ = trials[0]
    answer = recheck(calibration, [shifted(again[0], 0.3)], tolerance=0.8)
    assert answer.parts[0].verdict == "changed"
    assert answer.still_valid is True


def test_as_many_more_readings_as_asked_for_narrow_the_interval_to_what_is_left(trials):
    """Variance of a mean: with them the half-width is what the tolerance leaves beside the change."""
    ratios = []
    for calibration, again, _ in trials:
        (net,) = recheck(calibration, again[:1], tolerance=0.1).nets
        if net.verdict == OPEN and net.more_readings is not None and net.more_readings <= 5 * (REPEATS - 1):
            more = again[1 : 1 + -(-net.more_readings // 5)]  # five readings each, so up to four too many
            (then,) = recheck(calibration, [again[0], *more], tolerance=0.1).nets
            ratios.append(then.change.half_width / (0.1 - abs(net.change.value)))
    assert len(ratios) >= len(trials) / 5
    assert 0.6 < np.median(ratios) < 1.1


def test_no_number_is_asked_for_where_the_calibration_itself_is_too_coarse(trials):
    calibration, again, _ = trials[0]
    (net,) = recheck(calibration, again[:1], tolerance=0.001).nets
    assert (net.verdict, net.more_readings) == (OPEN, None)


def test_the_own_tolerance_is_met_by_an_unchanged_machine(trials):
    found = verdicts(trials, 0.0, tolerance=None)
    assert rate(found, VALID) > 0.95


class TestWhichRungsTell:
    @pytest.mark.parametrize(
        ("stages", "telling"),
        [
            (("motor-alone", "piston-disconnected", "no-load"), ["no-load"]),
            (("motor-alone", "piston-disconnected"), ["piston-disconnected"]),
            (("standby",), ["standby"]),
        ],
    )
    def test_the_highest(self, tmp_path, stages, telling):
        exact = exact_bench(tmp_path)
        calibration = calibrate(exact, draws=200, compare=False)
        answer = recheck(calibration, [s for s in exact.sweeps if s.stage in stages])
        assert [net.rung.stage for net in answer.nets] == telling


@pytest.mark.parametrize("tolerance", [0.0, -1.0, float("nan")])
def test_tolerance_refused(trials, tolerance):
    with pytest.raises(InputError, match="tolerance: read"):
        recheck(trials[0][0], trials[0][1][:1], tolerance=tolerance)
