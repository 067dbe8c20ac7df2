"""Slips among loaded readings: found, named, and their intervals honest; sound sweeps left in peace."""

from __future__ import annotations

import numpy as np
import pytest
from benchmark.ordinary import run_bench
from simulate import write_bench

from driveloss.breakdown.ask import breakdown
from driveloss.fit.calibrate import calibrate
from driveloss.fit.readings import gather
from driveloss.fit.suspects import GROSS, _contradicted, loaded_course, suspect_runs
from screen.benches import load, overwrite, random_case, tenfold, with_repeats

NET_SHARE = 0.27  # of the input, as of an ordinary machine
SCATTER = 0.006  # of the input
LONG = pytest.mark.long


def sweep(rng, n, bow=0.0, scatter=SCATTER):
    """Frequencies, input power and net power over frequency of one loaded sweep of known truth."""
    f = np.linspace(0.4, 1.0, n) * 12
    x = (f - f.mean()) / np.ptp(f)
    work = 1 + rng.uniform(-0.4, 0.4) * x + bow * (0.25 - x**2)
    power = work * f / NET_SHARE
    return f, power, work + scatter * rng.standard_normal(n) * power / f


def judged(f, power, work):
    return set(_contradicted(f, work, SCATTER * power / f, GROSS * power / f)[0].tolist())


@pytest.mark.parametrize(("sweeps", "most"), [(50, 1), pytest.param(400, 2, marks=LONG)])
@pytest.mark.parametrize("n", [4, 5, 7, 10, 14, 36])
def test_sound_sweeps_are_left_in_peace(n, sweeps, most):
    rng = np.random.default_rng([41, n])
    assert sum(bool(judged(*sweep(rng, n))) for _ in range(sweeps)) <= most


@pytest.mark.parametrize(("sweeps", "most"), [(50, 2), pytest.param(400, 8, marks=LONG)])
@pytest.mark.parametrize("n", [4, 5, 7, 10, 14, 36])
def test_sweeps_that_scatter_more_than_the_ladder_are_left_in_peace(n, sweeps, most):
    """Three times the scatter expected of them, as where the cold end had not settled."""
    rng = np.random.default_rng([42, n])
    assert sum(bool(judged(*sweep(rng, n, scatter=3 * SCATTER))) for _ in range(sweeps)) <= most


@pytest.mark.parametrize(("sweeps", "most"), [(25, 1), pytest.param(200, 4, marks=LONG)])
@pytest.mark.parametrize("n", [4, 5, 6, 7, 10, 14])
@pytest.mark.parametrize("bow", [-0.8, -0.4, 0.4, 0.8])
def test_a_bowed_course_is_no_slip(n, bow, sweeps, most):
    rng = np.random.default_rng([43, n])
    assert sum(bool(judged(*sweep(rng, n, bow))) for _ in range(sweeps)) <= most


def with_slips(rng, n, places, sizes):
    f, power, work = sweep(rng, n)
    work[places] += sizes * power[places] / f[places]
    return f, power, work


@pytest.mark.parametrize("sweeps", [50, pytest.param(300, marks=LONG)])
@pytest.mark.parametrize(("n", "least"), [(4, 0.5), (5, 0.8), (6, 0.85), (7, 0.9), (10, 0.95)])
def test_a_slip_of_a_tenth_is_found(n, least, sweeps):
    """Of the reading's power, wherever in the sweep it is."""
    rng, found = np.random.default_rng([44, n]), 0
    for _ in range(sweeps):
        place = int(rng.integers(n))
        found += judged(*with_slips(rng, n, [place], rng.choice([-0.1, 0.1]))) == {place}
    assert found >= least * sweeps


@pytest.mark.parametrize("sweeps", [50, pytest.param(300, marks=LONG)])
@pytest.mark.parametrize(("n", "least"), [(7, 0.85), (10, 0.95)])
def test_two_slips_among_seven_are_found(n, least, sweeps):
    rng, found = np.random.default_rng([45, n]), 0
    for _ in range(sweeps):
        places = rng.choice(n, 2, replace=False)
        sizes = rng.choice([-1, 1], 2) * rng.uniform(0.2, 0.35, 2)
        found += judged(*with_slips(rng, n, places, sizes)) == set(places.tolist())
    assert found >= least * sweeps


def test_repeats_that_agree_are_no_slips():
    """Three passes, all of them off by a tenth at the lowest frequency: then the course is not straight there."""
    rng = np.random.default_rng(46)
    f, power, work = (np.tile(column, 3) for column in sweep(rng, 7))
    off = work + np.where(f == f.min(), 0.1 * power / f, 0) + SCATTER * rng.standard_normal(21) * power / f
    assert judged(f, power, off) == set()
    work[[7, 10]] += 0.2 * power[[7, 10]] / f[[7, 10]]
    assert judged(f, power, work) == {7, 10}


@pytest.mark.parametrize("benches", [2, pytest.param(12, marks=LONG)])
@pytest.mark.parametrize(("name", "warned", "held"), [("slip", 0.9, 0.85), ("two slips", 0.85, 0.85)])
def test_slips_of_ordinary_benches_are_named_and_their_intervals_hold(name, warned, held, benches):
    """A few benches, or a dozen, with one or two slips of a tenth to a third among seven loaded readings."""
    outcomes = [run_bench((name, index), seed=1, draws=200, old_keys=False) for index in range(benches)]
    assert np.mean([outcome.warned for outcome in outcomes]) >= warned
    assert np.mean([row.holds for outcome in outcomes for row in outcome.of("pneumatic")]) >= held


@pytest.fixture(scope="module")
def slipped(tmp_path_factory):
    """A bench with a misplaced decimal point in a loaded file: (what was meant, its place, calibration, answer)."""
    folder = tmp_path_factory.mktemp("slipped")
    truth, protocol, rng = random_case(4)
    write_bench(folder, truth, with_repeats(truth, protocol), rng)
    file = next(sweep.file for sweep in load(folder).sweeps if sweep.stage == "loaded")
    slip = overwrite(folder / file, 5, tenfold)
    bench = load(folder)
    calibration = calibrate(bench, draws=200, compare=False)
    return slip, calibration, breakdown(calibration, bench.sweeps)


def of_the_slip(slip, runs):
    return next(i for i, run in enumerate(runs) if (run.file, run.line) == (slip.file, slip.line))


def test_a_suspect_run_is_kept_and_flagged(slipped):
    slip, _, answer = slipped
    suspects = [(run.file, run.line) for run in answer.runs if "suspect-reading" in run.flags]
    assert suspects == [(slip.file, slip.line)]
    assert answer.runs[of_the_slip(slip, answer.runs)].input.value == pytest.approx(slip.written, rel=0.02)


def test_its_interval_reaches_from_what_was_read_to_what_was_meant(slipped):
    slip, _, answer = slipped
    run = answer.runs[of_the_slip(slip, answer.runs)]
    assert run.input.low < slip.meant * 1.02
    assert run.input.high > slip.written * 0.98
    assert run.pneumatic.low < run.pneumatic.value / 5


def test_its_parts_add_up_in_every_draw(slipped):
    slip, _, answer = slipped
    i, draws = of_the_slip(slip, answer.runs), answer.draws
    parts = sum(draws[name][i] for name in ("standby", "drive", "transmission", "seal", "pneumatic"))
    assert parts == pytest.approx(draws["input"][i], rel=1e-9)


def test_the_course_names_what_was_meant(slipped):
    slip, calibration, answer = slipped
    course = loaded_course(calibration, answer.readings)
    (i,) = course.suspects
    assert answer.readings.power[i] - course.off[i] == pytest.approx(slip.meant, rel=0.05)
    assert (course.off[np.arange(len(course.off)) != i] == 0).all()
    (finding,) = suspect_runs(answer.readings, course)
    assert f"? {slip.meant:g})" in finding.sentence


def test_fewer_than_four_loaded_readings_are_not_judged(slipped):
    _, calibration, answer = slipped
    few = answer.readings.only(np.arange(3))
    assert len(loaded_course(calibration, few).suspects) == 0
    nothing = gather(calibration.rig, (), ("loaded",))
    assert suspect_runs(nothing, loaded_course(calibration, nothing)) == []
