"""Why more power does not make it colder: the parts of the missing drop add up, and are what was made to be missing."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.breakdown.levelling import levelling, levelling_lines
from driveloss.fit.calibrate import calibrate

DEMO = Path(__file__).parents[2] / "calib_data"


@pytest.fixture(scope="module")
def demo_breakdown():
    bench = load_bench(DEMO)
    return breakdown(calibrate(bench, draws=200, compare=False), bench.sweeps)


class TestOfMadeRuns:
    """Two runs whose drop, hot end and net power are set by hand; expected values by the identity on paper."""

    @pytest.fixture
    def answer(self, demo_breakdown):
        """The demo's breakdown, its wide piston's runs at 1.009 bar with drops and net powers of our own."""
        answer = demo_breakdown
        mine = np.flatnonzero(np.char.equal(answer.readings.file, "wide-loaded.csv"))
        return answer, mine

    def made(self, answer, mine, hot, drop, net):
        """hot: ends over the coolant [K], drop: hot to cold [K], net [W]: of the weakest and the strongest run."""
        readings, draws = answer.readings, {key: part.copy() for key, part in answer.draws.items()}
        columns = {key: getattr(readings, key).copy() for key in ("hot_end", "cold_end", "coolant")}
        order = mine[np.argsort(readings.power[mine])]
        keep = order[[0, -1]]
        for place, h, d, n in zip(keep, hot, drop, net, strict=True):
            columns["hot_end"][place] = columns["coolant"][place] + h
            columns["cold_end"][place] = columns["hot_end"][place] - d
            draws["hot_to_cold"][place] = d
            draws["pneumatic"][place] = n
        everything = replace(readings, **columns).only(keep)
        return replace(answer, readings=everything, draws={key: part[keep] for key, part in draws.items()})

    def test_net_power_that_stays_takes_the_whole_rise(self, answer):
        answer, mine = answer
        one, *_ = levelling(self.made(answer, mine, (2.0, 2.0), (20.0, 20.0), (5.0, 5.0)))
        grown = 20 * (one.growth - 1)
        assert one.expected.value == pytest.approx(grown)
        assert one.net.value == pytest.approx(grown)
        assert (one.hot_end.value, one.load.value, one.seen.value) == pytest.approx((0, 0, 0), abs=1e-9)

    def test_a_hot_end_that_climbs_takes_what_it_climbs(self, answer):
        answer, mine = answer
        growth = levelling(self.made(answer, mine, (2.0, 2.0), (20.0, 20.0), (5.0, 5.0)))[0].growth
        made = self.made(answer, mine, (2.0, 12.0), (20.0, 20 * growth), (5.0, 5 * growth))
        one, *_ = levelling(made)
        assert one.hot_end.value == pytest.approx(10.0)
        assert one.seen.value == pytest.approx(20 * (growth - 1) - 10)
        assert (one.net.value, one.load.value) == pytest.approx((0, 0), abs=1e-9)
        assert "the hot end that climbed takes 10.00" in levelling_lines(made)[0].lower()

    def test_a_growing_load_takes_what_is_left(self, answer):
        answer, mine = answer
        growth = levelling(self.made(answer, mine, (2.0, 2.0), (20.0, 20.0), (5.0, 5.0)))[0].growth
        one, *_ = levelling(self.made(answer, mine, (2.0, 2.0), (20.0, 24.0), (5.0, 5 * growth)))
        assert one.load.value == pytest.approx(20 * growth - 24)
        assert (one.net.value, one.hot_end.value) == pytest.approx((0, 0), abs=1e-9)


def test_the_parts_add_up(demo_breakdown):
    found = levelling(demo_breakdown)
    assert len(found) == 4
    for one in found:
        taken = one.net.value + one.hot_end.value + one.load.value
        assert one.expected.value - taken == pytest.approx(one.seen.value)


def test_without_ends_nothing_is_told(demo_breakdown):
    cold = np.full(len(demo_breakdown.readings), np.nan)
    assert levelling(replace(demo_breakdown, readings=replace(demo_breakdown.readings, cold_end=cold))) == ()
