"""Readings of one meter share its error: JCGM 100:2008, 5.2.2, through the draws, with GTC as reference."""

import math

import GTC
import numpy as np
import pytest

from driveloss.fit.meters import Sampler
from driveloss.fit.readings import gather
from fit.benches import Sheet, write_bench

DRAWS = 20_000
SD_ERROR = 0.01  # of a standard deviation of stratified rectangular draws, and to spare
SUPPLY = '[motor]\nsupply = "terminals"'
METER = ["meter gain", "meter zero"]


def drawn(folder, meter, header, rows):
    """Input power draws of one sweep, (n, DRAWS), less their first column."""
    bench = write_bench(folder, f"[meter]\n{meter}\n{SUPPLY}", [Sheet("piston-disconnected", header, rows)])
    power = Sampler(DRAWS, 5, METER).meters(bench.rig).power(gather(bench.rig, bench.sweeps, ("piston-disconnected",)))
    return power[:, 0], power[:, 1:]


def rectangular(value, limit):
    """A GTC quantity with rectangular limits of error (JCGM 100:2008, 4.3.7)."""
    return GTC.ureal(value, limit / math.sqrt(3))


GAIN, ZERO = 0.02, 0.5
READ = (37.0, 91.0)


def two_readings(folder):
    rows = [(10.0, READ[0]), (10.0, READ[1]), (10.0, READ[1])]
    return drawn(folder, f'power = "{GAIN * 100} % + {ZERO} W"', "frequency [Hz],power [W]", rows)


def test_difference_of_two_readings_with_a_shared_gain(tmp_path):
    """u^2 = u1^2 + u2^2 - 2 r u1 u2 (JCGM 100:2008, 5.2.2, eq. 16): the shared zero leaves the difference."""
    gain, zero = rectangular(1, GAIN), rectangular(0, ZERO)
    low, high = (read * gain + zero for read in READ)
    _, draws = two_readings(tmp_path)
    difference = draws[1] - draws[0]
    r = GTC.get_correlation(low, high)
    by_formula = math.sqrt(low.u**2 + high.u**2 - 2 * r * low.u * high.u)
    assert (high - low).u == pytest.approx(by_formula, rel=1e-9)
    assert difference.std(ddof=1) == pytest.approx(by_formula, rel=SD_ERROR)
    assert math.hypot(low.u, high.u) > 1.5 * by_formula  # what readings taken for independent would give


def test_each_reading_and_their_correlation(tmp_path):
    gain, zero = rectangular(1, GAIN), rectangular(0, ZERO)
    low, high = (read * gain + zero for read in READ)
    best, draws = two_readings(tmp_path)
    assert best[:2] == pytest.approx(READ, rel=1e-12)
    assert draws[0].std(ddof=1) == pytest.approx(low.u, rel=SD_ERROR)
    assert draws[1].std(ddof=1) == pytest.approx(high.u, rel=SD_ERROR)
    assert np.corrcoef(draws[:2])[0, 1] == pytest.approx(GTC.get_correlation(low, high), abs=0.005)


def test_sum_of_two_readings_adds_their_shared_errors(tmp_path):
    """With r = 1 the uncertainties of a sum add up as they are (JCGM 100:2008, 5.2.2, note 1)."""
    gain, zero = rectangular(1, GAIN), rectangular(0, ZERO)
    _, draws = two_readings(tmp_path)
    assert (draws[0] + draws[1]).std(ddof=1) == pytest.approx((sum(READ) * gain + 2 * zero).u, rel=SD_ERROR)


V_GAIN, I_GAIN, V_ZERO = 0.006, 0.01, 0.02
PAIRS = ((24.0, 1.5), (23.6, 3.25))  # [V], [A]
VOLTS_AMPS = f'voltage = "{V_GAIN * 100} % + {V_ZERO} V"\ncurrent = "{I_GAIN * 100} %"'


@pytest.fixture
def products(tmp_path):
    rows = [(10.0, *PAIRS[0]), (10.0, *PAIRS[1]), (10.0, *PAIRS[1])]
    return drawn(tmp_path, VOLTS_AMPS, "frequency [Hz],voltage [V],current [A]", rows)


def by_gtc():
    volts, amps, zero = rectangular(1, V_GAIN), rectangular(1, I_GAIN), rectangular(0, V_ZERO)
    return [(v * volts + zero) * (i * amps) for v, i in PAIRS]


def test_product_of_volts_and_amperes(products):
    best, draws = products
    for row, expected in enumerate(by_gtc()):
        assert best[row] == pytest.approx(expected.x, rel=1e-12)
        assert draws[row].std(ddof=1) == pytest.approx(expected.u, rel=SD_ERROR)


def test_difference_of_two_products_with_shared_gains(products):
    """As in GUM H.2, quantities worked out from shared inputs are correlated; here through the instruments' gains."""
    _, draws = products
    first, second = by_gtc()
    assert GTC.get_correlation(first, second) > 0.99
    assert (draws[1] - draws[0]).std(ddof=1) == pytest.approx((second - first).u, rel=SD_ERROR)
    assert (second - first).u < 0.7 * math.hypot(first.u, second.u)
