"""Uncertainty against the examples of JCGM 100:2008 (GUM), annex H, and two independent propagation packages.

H.3 is the interpolation job in small: a line through calibration readings, asked for a value elsewhere.
"""

import math

import GTC
import numpy as np
import pytest
import uncertainties
from scipy.stats import t as student
from uncertainties import umath

from driveloss.breakdown.ask import breakdown
from driveloss.fit import polynomial
from driveloss.fit.calibrate import calibrate
from driveloss.fit.estimate import estimate
from driveloss.fit.least_squares import linear_fit
from fit.benches import HARDLY_MOVES, Sheet, same, write_bench

# H.3, table H.6: thermometer readings t_k and corrections b_k [degC]; the line is on t - 20 degC.
T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
B = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
T0 = 20.0
DRAWS = 20_000
SD_ERROR = 4 / math.sqrt(2 * DRAWS)  # four standard errors of a standard deviation of that many normal draws


class TestH3ThroughTheFit:
    """Slope, intercept, their uncertainties and correlation as printed in H.3.4, the prediction in H.3.5."""

    fit = linear_fit(np.column_stack([np.ones(11), T - T0]), B)

    def test_line(self):
        assert self.fit.coefficients == pytest.approx([-0.1712, 0.00218], rel=3e-3)
        assert self.fit.errors == pytest.approx([0.0029, 0.00067], rel=2e-2)
        assert self.fit.residual_sd == pytest.approx(0.0035, rel=2e-2)
        assert self.correlation == pytest.approx(-0.930, abs=5e-4)

    @property
    def correlation(self):
        return self.fit.covariance[0, 1] / np.prod(self.fit.errors)

    def test_prediction_needs_the_covariance(self):
        at = np.array([1.0, 30.0 - T0])
        assert at @ self.fit.coefficients == pytest.approx(-0.1494, abs=5e-5)
        assert math.sqrt(at @ self.fit.covariance @ at) == pytest.approx(0.0041, abs=5e-5)
        assert math.hypot(*(at * self.fit.errors)) == pytest.approx(0.0073, abs=5e-5)

    def test_gtc_agrees_to_all_digits(self):
        line = GTC.type_a.line_fit(T - T0, B)
        assert self.fit.coefficients == pytest.approx([line.intercept.x, line.slope.x], rel=1e-9)
        assert self.fit.errors == pytest.approx([line.intercept.u, line.slope.u], rel=1e-9)
        assert self.correlation == pytest.approx(GTC.get_correlation(*line.a_b), rel=1e-9)


def h3_bench(folder, meter=""):
    """H.3 as a sweep of a motor alone with its crank: t_k for hertz, b_k for watts, lifted by 1000 W.

    The lift moves the intercept alone, and makes every reading weigh the same.
    """
    rows = [(f"{t:.3f}", f"{1000 + b:.3f}") for t, b in zip(T, B, strict=True)]
    sheet = Sheet("piston-disconnected", "frequency [Hz],power [W]", rows)
    return write_bench(folder, f'{meter}\n[motor]\nsupply = "terminals"', [sheet])


def h3_drive(bench, active, *frequencies):
    """Draws of the line at each frequency, less the lift: (frequencies, 1 + draws)."""
    calibration = calibrate(bench, "polynomial", draws=DRAWS, active=active, compare=False)
    return calibration.curves.drive(np.array(frequencies)) - 1000


class TestH3ThroughTheResampler:
    """The curve's draws spread like Student's t: by sqrt(nu/(nu - 2)) more than u (JCGM 101:2008, 6.4.9)."""

    @pytest.fixture(autouse=True)
    def only_lines(self, monkeypatch):
        """The GUM fits a line; by AICc these readings would rather have a parabola."""
        monkeypatch.setattr(polynomial, "DEGREES", (1,))

    nu = len(T) - 2
    inflation = math.sqrt(nu / (nu - 2))

    @pytest.mark.parametrize(("at", "u"), [(20.0, 0.0029), (30.0, 0.0041)])
    def test_spread_at_a_point(self, tmp_path, at, u):
        line = linear_fit(np.column_stack([np.ones(11), T - at]), B)
        assert line.errors[0] == pytest.approx(u, abs=5e-5)
        draws = h3_drive(h3_bench(tmp_path), ["noise"], at)[0]
        assert draws[0] == pytest.approx(line.coefficients[0], abs=1e-6)  # weights differ by 2e-5
        assert draws[1:].std(ddof=1) == pytest.approx(line.errors[0] * self.inflation, rel=1.5 * SD_ERROR)

    def test_interval_is_students(self, tmp_path):
        line = linear_fit(np.column_stack([np.ones(11), T - 30.0]), B)
        found = estimate(h3_drive(h3_bench(tmp_path), ["noise"], 30.0)[0])
        assert found.half_width == pytest.approx(student.ppf(0.975, self.nu) * line.errors[0], rel=0.03)

    def test_shared_zero_error_moves_the_intercept_alone(self, tmp_path):
        """GTC's extension of H.3.6: u = 0.005 on every b_k alike gives the intercept u = 0.00577, the slope none.

        Here it is the power meter's zero: rectangular limits sqrt(3) wider than u.
        """
        meter = f'[meter]\npower = "{0.005 * math.sqrt(3):.9f} W"'
        line = GTC.type_a.line_fit(T - T0, B)
        intercept = line.intercept + GTC.ureal(0, 0.005)
        assert intercept.u == pytest.approx(0.00577, abs=5e-6)
        draws = h3_drive(h3_bench(tmp_path, meter), ["noise", "meter zero"], T0, T0 + 1)[:, 1:]
        inflated = math.hypot(line.intercept.u * self.inflation, 0.005)
        assert draws[0].std(ddof=1) == pytest.approx(inflated, rel=1.5 * SD_ERROR)
        slope = draws[1] - draws[0]
        assert slope.std(ddof=1) == pytest.approx(line.slope.u * self.inflation, rel=1.5 * SD_ERROR)


# H.2, table H.2: five simultaneous sets of voltage [V], current [A], phase (data from memory; results seen).
VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPS = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3


def test_h2_simultaneous_volts_and_amperes_keep_their_correlation(tmp_path):
    """GUM H.2: V and I read together correlate with r = -0.36; products set by set (approach 2) must agree with
    propagation with the correlation, and do without being told of it. Here: a standby sweep in V and A.
    """
    volts, amps = GTC.type_a.multi_estimate_real((VOLTS, AMPS))
    assert GTC.get_correlation(volts, amps) == pytest.approx(-0.36, abs=5e-3)
    assert (volts.u, amps.u) == pytest.approx((0.0032, 0.0095e-3), rel=2e-2)
    product = volts * amps
    header = "frequency [Hz],voltage [V],current [A]"
    turning = same(("5", "5.0", "0.1")) + same(("10", "5.0", "0.2"))
    standby = Sheet(
        "standby", "voltage [V],current [A]", [(f"{v:.3f}", f"{a:.6f}") for v, a in zip(VOLTS, AMPS, strict=True)]
    )
    bench = write_bench(
        tmp_path, '[motor]\nsupply = "controller"', [standby, Sheet("piston-disconnected", header, turning)]
    )
    found = estimate(calibrate(bench, draws=DRAWS, active=["noise"], compare=False).standby)
    assert found.value == pytest.approx(product.x, rel=1e-6)
    uncorrelated = product.x * math.hypot(volts.u / volts.x, amps.u / amps.x)
    assert uncorrelated > 1.2 * product.u  # so the next line can fail
    assert found.half_width / student.ppf(0.975, 4) == pytest.approx(product.u, rel=0.03)


# One crank frequency, readings without scatter: what is left is a short chain of common errors.
FREQUENCY, RATIO = 10.0, 3.0
RESISTANCE, TORQUE_CONSTANT = 0.42, 0.061
LIMITS = {"gain": 0.008, "zero": 0.3, "amps": 0.01, "ohms": 0.03, "constant": 0.02}
COMMON = ["meter gain", "meter zero", "motor constants"]
TURNING = {"piston-disconnected": 20.0, "no-load": 31.0, "loaded": 78.0}  # air-gap power [W]


def chain_rows(stage):
    speed = 2 * math.pi * FREQUENCY * RATIO
    amps = TURNING[stage] / (TORQUE_CONSTANT * speed)
    return TURNING[stage] + RESISTANCE * amps**2, amps


def chain_bench(folder, with_current):
    sections = f"""[meter]
power = "{LIMITS["gain"] * 100} % + {LIMITS["zero"]} W"
current = "{LIMITS["amps"] * 100} %"
[motor]
supply = "terminals"
winding_resistance = "{RESISTANCE} ohm +/- {LIMITS["ohms"] * 100} %"
torque_constant = "{TORQUE_CONSTANT} N*m/A +/- {LIMITS["constant"] * 100} %"
[transmission]
ratio = {RATIO}
"""
    header = "frequency [Hz],power [W]" + (",current [A]" if with_current else "")
    sheets = []
    for stage in TURNING:
        power, amps = chain_rows(stage)
        row = (str(FREQUENCY), f"{power:.9f}", f"{amps:.9f}")
        keys = 'mean_pressure = "1 bar"' if stage == "loaded" else ""
        sheets.append(Sheet(stage, header, same(row if with_current else row[:2]), keys))
    return write_bench(folder, sections, sheets, HARDLY_MOVES)


def propagated(with_current):
    """Seal and pneumatic power by the `uncertainties` package, from the same limits."""

    def factor(limit):
        return uncertainties.ufloat(1, limit / math.sqrt(3))

    gain, zero = factor(LIMITS["gain"]), uncertainties.ufloat(0, LIMITS["zero"] / math.sqrt(3))
    ohms, amps_gain = RESISTANCE * factor(LIMITS["ohms"]), factor(LIMITS["amps"])
    back_emf = TORQUE_CONSTANT * factor(LIMITS["constant"]) * 2 * math.pi * FREQUENCY * RATIO
    shaft = {}
    for stage in TURNING:
        power, amps = chain_rows(stage)
        read = power * gain + zero
        root = (umath.sqrt(back_emf**2 + 4 * ohms * read) - back_emf) / (2 * ohms)
        shaft[stage] = read - ohms * (amps * amps_gain if with_current else root) ** 2
    return {
        "seal": shaft["no-load"] - shaft["piston-disconnected"],
        "pneumatic": shaft["loaded"] - shaft["no-load"],
        "drive": chain_rows("loaded")[0] * gain + zero - (shaft["loaded"] - shaft["piston-disconnected"]),
    }


@pytest.mark.parametrize("with_current", [True, False], ids=["measured current", "motor constants"])
def test_common_errors_against_linear_propagation(tmp_path, with_current):
    """The meter's gain cancels in part and its zero altogether in a difference, the copper's errors do not."""
    bench = chain_bench(tmp_path, with_current)
    calibration = calibrate(bench, draws=DRAWS, active=COMMON, compare=False)
    assert calibration.route.name == ("measured current" if with_current else "motor constants")
    run = breakdown(calibration, bench.sweeps).runs[0]
    for part, expected in propagated(with_current).items():
        assert getattr(run, part).value == pytest.approx(expected.n, rel=1e-6), part
        assert getattr(run, part).u == pytest.approx(expected.s, rel=SD_ERROR), part


def test_gain_error_that_is_forgotten_to_be_common_gives_another_answer(tmp_path):
    """Two readings of one meter: u^2 = u1^2 + u2^2 - 2 r u1 u2 with r = 1, through GTC as a second reference."""
    gain = GTC.ureal(1, LIMITS["gain"] / math.sqrt(3))
    (high, _), (low, _) = chain_rows("loaded"), chain_rows("no-load")
    common = (high * gain - low * gain).u
    own = math.hypot(high, low) * gain.u
    bench = chain_bench(tmp_path, True)
    run = breakdown(calibrate(bench, draws=DRAWS, active=["meter gain"], compare=False), bench.sweeps).runs[0]
    copper = uncertainties.ufloat(1, LIMITS["amps"] / math.sqrt(3)) ** 2 * RESISTANCE
    currents = (chain_rows("loaded")[1] ** 2 - chain_rows("no-load")[1] ** 2) * copper
    assert own > 1.5 * common
    assert run.pneumatic.u == pytest.approx(math.hypot(common, currents.s), rel=SD_ERROR)
