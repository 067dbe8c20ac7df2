"""A made log of known truth to readings: which stretches give one, what each says, and why others do not."""

from itertools import pairwise

import numpy as np
import pytest
from simulate.log import Hold, LogTruth, log_text

import driveloss
from driveloss.bench.logs import read_log
from driveloss.errors import InputError
from driveloss.steady.plateaus import Terms

TRUTH = LogTruth()


def asked(tmp_path, text, **more):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    return driveloss.steady([read_log(path)], **more)


@pytest.fixture(scope="module")
def answer(tmp_path_factory):
    return asked(tmp_path_factory.mktemp("log"), log_text())


def test_each_steady_setting_gives_a_reading_and_the_drifting_one_none(answer):
    assert [round(reading.frequency, 1) for reading in answer.readings] == [4.1, 6.2, 6.2, 7.7]
    (drifting,) = [one for one in answer.rejected if "drifts by +5" in one.reason]
    assert drifting.stretch.start == pytest.approx(8 * 60, abs=15)
    assert drifting.stretch.end == pytest.approx(16 * 60, abs=5)
    assert "% a minute; at most 0.5 % may be" in drifting.reason


def test_readings_lie_within_their_intervals_of_the_truth(answer):
    for reading in answer.readings:
        assert reading.power.low <= TRUTH.power(reading.frequency) <= reading.power.high
        for name, goal in (("cold_end", TRUTH.cold_end), ("hot_end", TRUTH.hot_end)):
            end = reading.ends[name]
            assert end.how == "extrapolated"
            assert abs(end.value.value - 273.15 - goal(reading.frequency)) < 2 * end.value.half_width


def test_time_constants_are_those_of_the_made_machine(answer):
    for end in answer.readings[0].ends.values():
        assert end.time_constants == pytest.approx((TRUTH.fast, TRUTH.slow), rel=0.1)


def test_every_moment_of_the_log_is_a_reading_or_has_a_reason(answer):
    (log,) = answer.logs
    told = sorted(
        [(r.start, r.end) for r in answer.readings] + [(s.stretch.start, s.stretch.end) for s in answer.rejected]
    )
    bare = sum(max(after[0] - before[1], 0.0) for before, after in pairwise(told))
    gap = float(np.diff(log.time).max())
    assert bare - gap < len(told) * 2 * log.interval
    assert (told[0][0], told[-1][1]) == (0.0, log.end[-1])


@pytest.mark.parametrize(("logs", "least"), [(10, 8), pytest.param(30, 26, marks=pytest.mark.long)])
def test_a_mean_errs_by_what_it_says(tmp_path, logs, least):
    """Of 30 made logs the true power lies in the 95 % interval in 26 or more, of 10 in 8 (chance of less: 2, 1 %)."""
    truth = LogTruth(holds=(Hold(5.0, 6.0),))
    hits = 0
    for seed in range(logs):
        (reading,) = asked(tmp_path, log_text(truth, seed), terms=Terms(drift=0.02)).readings
        hits += reading.power.low <= truth.power(np.array(reading.frequency)) <= reading.power.high
        assert reading.effective < 0.5 * reading.readings  # neighbours are alike by 0.6
    assert hits >= least


def test_a_cool_down_tells_the_time_constant(tmp_path):
    """Three minutes of running cannot; an hour's worth of standing afterwards does."""
    running = LogTruth(holds=(Hold(6.0, 3.0),), noise=0.02)
    alone = asked(tmp_path, log_text(running))
    assert [reading.ends["cold_end"].how for reading in alone.readings] == ["not settled"]
    stopped = LogTruth(holds=(Hold(6.0, 3.0), Hold(0.0, 30.0)), noise=0.02)
    found = asked(tmp_path, log_text(stopped))
    (reading,) = found.readings
    assert reading.ends["cold_end"].how == "extrapolated"
    assert any("standstill" in notice for notice in found.notices)
    assert "the machine stands still" in {one.reason for one in found.rejected}


def test_a_log_too_noisy_or_too_short_says_so(tmp_path):
    noisy = asked(tmp_path, log_text(LogTruth(holds=(Hold(5.0, 5.0),), noise=2.0)))
    assert not noisy.readings
    assert any("scatter or drift leaves open" in one.reason for one in noisy.rejected)
    brief = asked(tmp_path, log_text(LogTruth(holds=(Hold(5.0, 0.8),))))
    assert any("expected 60 s or more" in one.reason for one in brief.rejected)


def test_a_run_in_is_left_out(tmp_path):
    """Power 5 % high that falls off within a minute."""
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 900.0, 1.0)
    power = 20 * (1 + 0.05 * np.exp(-time / 20)) + 0.05 * rng.standard_normal(len(time))
    lines = [f"{t},5,{p:.4f}" for t, p in zip(time, power, strict=True)]
    answer = asked(tmp_path, "\n".join(["time [s],frequency [Hz],power [W]", *lines, ""]))
    (reading,) = answer.readings
    assert reading.start > 60
    assert reading.power.low <= 20 <= reading.power.high
    assert [one.reason for one in answer.rejected] == ["run-in: power or speed not yet steady"]


def test_slow_readings_of_volts_and_amperes_warn_of_pulses(tmp_path):
    rng = np.random.default_rng(2)
    lines = [f"{t},5,{12 + 0.01 * a:.4f},{2 + 0.01 * b:.4f}" for t, (a, b) in enumerate(rng.standard_normal((300, 2)))]
    answer = asked(tmp_path, "\n".join(["time [s],frequency [Hz],voltage [V],current [A]", *lines, ""]))
    (notice,) = answer.notices
    assert "one reading every 1 s, 5 turns. If its volts and amperes are averages" in notice
    assert "0.5 % where each swings by 10 %" in notice


@pytest.mark.parametrize("terms", [{"drift": 0.0}, {"shortest": -1.0}, {"step": 1.5}])
def test_terms_that_cannot_be(terms):
    with pytest.raises(InputError):
        Terms(**terms)


def test_pulses_within_the_turn_are_no_scatter(tmp_path):
    """Ten readings a turn, current swinging by 30 %, against its 3 % of voltage: exactly 24 W (1 - 0.03 * 0.3 / 2)."""
    rng = np.random.default_rng(3)
    time = 0.02 * np.arange(15000)
    swing = np.sin(2 * np.pi * 5 * time)
    volts, amps = 12 * (1 - 0.03 * swing), 2 * (1 + 0.3 * swing) + 0.02 * rng.standard_normal(len(time))
    lines = [f"{t:.2f},5,{v:.4f},{a:.4f}" for t, v, a in zip(time, volts, amps, strict=True)]
    answer = asked(tmp_path, "\n".join(["time [s],frequency [Hz],voltage [V],current [A]", *lines, ""]))
    (reading,) = answer.readings
    assert abs(reading.power.value - 24 * (1 - 0.0045)) < 3 * reading.power.u
    assert reading.power.u < 0.005
    assert reading.together == pytest.approx(-0.0045, abs=2e-4)
    assert any("-0.45 % off the product of their means" in notice for notice in answer.notices)
