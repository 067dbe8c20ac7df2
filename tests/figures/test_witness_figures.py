"""Do the figures of second witnesses say what the numbers say, and can they be read? Simulated benches."""

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from simulate import Limits, Protocol, ladder
from simulate.recording import PlannedRecording
from test_figures import FREQUENCIES, NAMES, PRESSURES, simulated, text_boxes, truth_of, unreadable

import driveloss
from driveloss import figures
from driveloss.breakdown.joint import judge
from driveloss.errors import InputError
from driveloss.figures import style
from driveloss.figures.runs import Split
from driveloss.fit.estimate import estimate
from driveloss.say.numbers import plus_minus
from driveloss.witnesses.ask import JOINT

BAR_CM3 = 0.1  # [J]
ROUND = 4  # cylinders: the last has a long name


@cache
def recorded_bench(recordings: int, limit: float = 1.0):
    """A breakdown with so many recordings, over cylinders, frequencies and pressures in turn; and the truth."""
    truth = truth_of(ROUND)
    places = [(name, p, f) for f in FREQUENCIES[1:] for p in PRESSURES for name in NAMES[:ROUND]]
    planned = tuple(
        PlannedRecording(name, f, p, f"recording-of-{name[-6:].strip()}-run-{i}.csv", turns=4 + i, dead_centre=limit)
        for i, (name, p, f) in enumerate(places[:recordings])
    )
    sweeps = ladder(truth, FREQUENCIES, PRESSURES, repeats=1, standby=3)
    limits = Limits(power_gain=0.003, power_zero=0.1)
    protocol = Protocol(sweeps, limits=limits, noise_share=0.01, power_digits=4, recordings=planned)
    bench, answer = simulated(truth, protocol, 7)
    calibration = driveloss.calibrate(bench, draws=200, compare=False)
    return driveloss.breakdown(calibration, bench.sweeps, bench.recordings), answer


def drawn(name, subject):
    figure = figures.draw(name, subject)
    with style.our_settings():
        figure.draw_without_rendering()
    return figure


def subject(name, answer):
    return driveloss.witnesses(answer) if name == "witnesses" else Split(answer)


@pytest.mark.parametrize("recordings", [1, 6, 7, *(pytest.param(n, marks=pytest.mark.long) for n in (2, 12))])
@pytest.mark.parametrize("name", ["witnesses", "indicator"])
def test_figures_of_witnesses_can_be_read(name, recordings):
    figure = drawn(name, subject(name, recorded_bench(recordings)[0]))
    assert unreadable(figure) == []
    labels = [label for ax in figure.axes for label in (ax.get_xlabel(), ax.get_ylabel()) if label]
    assert labels and all(re.search(r"\[(W|bar|cm³)\]$", label) for label in labels)


@pytest.mark.parametrize("name", ["witnesses", "indicator"])
def test_what_they_say_in_words_is_finished(name):
    text = figures.drawing(name).alt_text(subject(name, recorded_bench(2)[0]))
    assert re.match(r"[A-Z].*\.$", text) and "None" not in text and "\n" not in text


def loop(ax):
    """The heavy line of an indicator diagram: volume [cm^3] and pressure [bar]."""
    return max(ax.lines, key=lambda line: line.get_linewidth()).get_data()


def area(x, y):
    """Of a closed polygon, above zero against the clock (Gauss's formula; Bronshtein & Semendyayev, from memory)."""
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2


def test_the_loops_enclose_the_work_that_is_written_beside_them():
    answer, _ = recorded_bench(6)
    for ax, one in zip(figures.draw("indicator", answer).axes, answer.recorded, strict=True):
        volume, pressure = loop(ax)
        assert BAR_CM3 * area(volume, pressure) == pytest.approx(one.work[0], rel=2e-3)
        assert f"area {plus_minus(estimate(one.work))} J a cycle" in ax.texts[0].get_text()
        assert len(ax.lines) == len(one.turns) + 1


def test_the_loop_is_that_of_the_simulated_gas():
    """The simulated machine's own work a cycle; a limit of 0.01 degrees leaves sensor and turns."""
    answer, truth = recorded_bench(4, 0.01)
    for ax, one in zip(figures.draw("indicator", answer).axes, answer.recorded, strict=True):
        (true,) = (
            run["pneumatic_W"] / run["frequency_Hz"]
            for run in truth.runs
            if run["cylinder"] == one.recording.cylinder
            and abs(run["frequency_Hz"] - one.frequency) < 0.1
            and abs(run["mean_pressure_Pa"] - one.mean_pressure) < 1e3
        )
        assert BAR_CM3 * area(*loop(ax)) == pytest.approx(true, rel=0.04)
        assert np.ptp(loop(ax)[0]) == pytest.approx(1e6 * _swept(truth, one), rel=0.01)


def _swept(truth, one):
    cylinder = truth.truth.cylinder(one.recording.cylinder)
    return np.pi / 4 * cylinder.bore**2 * cylinder.stroke


def test_arrows_follow_the_turn():
    """The gas takes up work, so the loop goes against the clock: to the right below, to the left above."""
    answer, _ = recorded_bench(1)
    (ax,) = figures.draw("indicator", answer).axes
    out, back = [np.diff(patch._posA_posB, axis=0)[0, 0] for patch in ax.patches if hasattr(patch, "_posA_posB")]
    assert answer.recorded[0].work[0] > 0 and out > 0 > back


def test_dots_and_intervals_are_those_of_the_table():
    answer, _ = recorded_bench(2)
    told = driveloss.witnesses(answer)
    assert told.agree
    panels = figures.draw("witnesses", told).axes
    dots = [line.get_xdata()[0] for ax in panels for line in ax.lines if line.get_marker() in "osD"]
    assert dots == [row.power.value for row in told.testimonies]
    bands = [patch.get_window_extent().transformed(ax.transData.inverted()) for ax in panels for patch in ax.patches]
    joint = [row.power for row in told.testimonies if row.witness == JOINT]
    assert [(band.x0, band.x1) for band in bands] == [pytest.approx((p.low, p.high)) for p in joint]
    words = [text for text, _ in text_boxes(drawn("witnesses", told))]
    assert all(f"{plus_minus(row.power)} W" in words for row in told.testimonies)
    assert any(word.startswith("The witnesses agree (chance 0.") for word in words)


def test_witnesses_that_disagree_have_no_band_and_say_so():
    answer, _ = recorded_bench(1)
    (way,) = answer.ways
    ways = (replace(way, by_witness=way.by_witness / 2),)
    told = driveloss.witnesses(replace(answer, ways=ways, verdict=judge(ways)))
    figure = drawn("witnesses", told)
    assert "The witnesses do not agree (chance below 0.001)" in [text for text, _ in text_boxes(figure)]
    assert not [patch for ax in figure.axes for patch in ax.patches]


def test_a_witness_called_twice_at_a_place_is_heard_once_and_the_joint_answer_last():
    answer, _ = recorded_bench(1)
    (way,) = answer.ways
    ways = (way, replace(way, witness="recording again.csv", by_witness=1.001 * way.by_witness))
    told = driveloss.witnesses(replace(answer, ways=ways, verdict=judge(ways)))
    (ax,) = figures.draw("witnesses", told).axes
    names = [label.get_text() for label in ax.get_yticklabels()]
    assert names == ["subtraction", style.shortened(way.witness, style.LONGEST_FILE), "recording again.csv", "joint"]


def test_a_part_without_cylinder_or_pressure_is_named_by_what_it_has():
    answer, _ = recorded_bench(1)
    (way,) = answer.ways
    ways = (replace(way, part="linkage", cylinder=None, mean_pressure=None, witness="run-down", phase=None),)
    told = driveloss.witnesses(replace(answer, ways=ways, verdict=judge(ways)))
    (ax,) = figures.draw("witnesses", told).axes
    assert ax.get_title(loc="left") == f"Linkage, {way.frequency:.2f} Hz"
    assert ax.get_yticklabels()[0].get_text() == "ladder"


def test_without_recordings_there_is_no_diagram():
    answer, _ = recorded_bench(1)
    with pytest.raises(InputError, match=r"no table \[\[recordings\]\]"):
        figures.draw("indicator", replace(answer, recorded=()))
